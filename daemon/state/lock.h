#pragma once
// Two daemons must never run one bench. A bench is held by its name with flock on a file of the
// state folder; each link is held by its address for the whole machine (an abstract Unix socket
// name), so that a second state folder, or a second bench file that names the same instrument, is
// found too. Both go with the process that held them, however it ends.

#include <string>
#include <vector>

#include "drivers/failure.h"
#include "drivers/link.h"

namespace chargewright::daemon {

// By which an instrument is known from one start to the next: a device as the bench file names it,
// since where its symbolic links lead may be another number after each time that it was plugged in.
std::string lasting_name(const drivers::LinkAddress& address);

class Lock {
 public:
  static drivers::Result<Lock> of_bench(const std::string& state_folder, const std::string& bench);
  static drivers::Result<Lock> of_link(const drivers::LinkAddress& address);
  ~Lock();
  Lock(Lock&& other) noexcept : fd_(other.fd_) { other.fd_ = -1; }
  Lock& operator=(Lock&& other) noexcept;
  // Held as long as any copy of it is open, in this process or one that was given it.
  [[nodiscard]] int descriptor() const { return fd_; }

 private:
  explicit Lock(int fd) : fd_(fd) {}
  int fd_ = -1;
};

// The bench and every link it uses, or the first that somebody else holds.
drivers::Result<std::vector<Lock>> lock_bench(const std::string& state_folder,
                                              const std::string& bench,
                                              const std::vector<drivers::LinkAddress>& links);

}  // namespace chargewright::daemon

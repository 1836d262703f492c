#pragma once
// The dead-man process, seen from the daemon: started before any thread and before anything is
// energised, and left in peace only when every output was verified off (S6). It holds the bench's
// locks too, so that no other daemon takes the bench before it has finished.

#include <sys/types.h>

#include <chrono>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "daemon/record/record.h"
#include "daemon/serve/daemon_files.h"
#include "drivers/failure.h"
#include "safety/dead_man/cut_sheet.h"
#include "safety/dead_man/pulse.h"

namespace chargewright::daemon {

// Host names are looked up now: when the daemon has died is no time for that.
safety::CutSheet cut_sheet_of(const DaemonFiles& files, std::string log,
                              std::chrono::milliseconds late_after);

// Beside this program, or in libexec beside its folder; nothing: not installed.
std::string find_dead_man();

class DeadMan {
 public:
  // `locks`: descriptors that it is to hold too.
  static drivers::Result<std::unique_ptr<DeadMan>> start(const std::string& program,
                                                         const safety::CutSheet& sheet,
                                                         const std::vector<int>& locks);
  // Closes the pipe: without a goodbye it cuts. Waits a moment for its end; one that was told
  // goodbye and does not go, since it hangs, is ended: it would keep the bench.
  ~DeadMan();
  DeadMan(const DeadMan&) = delete;
  DeadMan& operator=(const DeadMan&) = delete;

  // For the guard; valid as long as this.
  [[nodiscard]] std::shared_ptr<safety::DeadManSide> side() const { return pulse_; }
  [[nodiscard]] pid_t id() const { return id_; }

 private:
  DeadMan(int pipe, pid_t id, std::chrono::milliseconds patience);
  int pipe_;
  pid_t id_;
  std::shared_ptr<safety::Pulse> pulse_;
};

// When a dead-man said at last, as the end of its log, that every output was verified off, and
// doubted none.
struct ProvedOff {
  WallTime at{};
  double after_s = 0;  // since it began to cut
};
std::optional<ProvedOff> proved_off(const std::vector<std::string>& log);

// What a dead-man of a former life wrote, line by line, of a long log the first and the last; it is
// put aside, so that it is told once.
std::vector<std::string> take_dead_man_log(const std::string& path);

}  // namespace chargewright::daemon

#include "safety/dead_man/locks.h"

#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <utility>

#include "safety/dead_man/wire.h"

namespace chargewright::safety {
namespace {

// Nothing: it is no socket, but the file of the bench.
std::string address_of(int lock) {
  sockaddr_un name{};
  socklen_t size = sizeof name;
  if (::getsockname(lock, reinterpret_cast<sockaddr*>(&name), &size) != 0) return {};
  if (name.sun_family != AF_UNIX || size <= sizeof name.sun_family) return {};
  return {reinterpret_cast<const char*>(&name), std::min<std::size_t>(size, sizeof name)};
}

bool somebody_has(const std::string& address) {
  const int fd = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  if (fd < 0) return false;
  const bool found = ::connect(fd, reinterpret_cast<const sockaddr*>(address.data()),
                               static_cast<socklen_t>(address.size())) == 0;
  ::close(fd);
  return found;
}

// Until then the locks are its own still.
bool daemon_ended() {
  pollfd end{.fd = wire_daemon, .events = POLLIN, .revents = 0};
  return ::poll(&end, 1, 0) == 1;
}

}  // namespace

BenchLocks::BenchLocks(int count) : count_(count) {
  for (int i = 0; i < count; ++i) {
    if (auto address = address_of(wire_locks + i); !address.empty()) {
      links_.push_back(std::move(address));
    }
  }
}

void BenchLocks::release() {
  if (!released_ && count_ > 0) {
    ::close_range(wire_locks, static_cast<unsigned>(wire_locks + count_ - 1), 0);
  }
  released_ = true;
}

bool BenchLocks::taken_by_another() const {
  return released_ && !links_.empty() && daemon_ended() &&
         std::ranges::all_of(links_, somebody_has);
}

}  // namespace chargewright::safety

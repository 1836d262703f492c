#include "tests/dead_man/started.h"

#include <fcntl.h>
#include <poll.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/un.h>
#include <unistd.h>

#include <csignal>
#include <cstddef>
#include <cstring>
#include <stdexcept>
#include <utility>

#include "tests/support/places.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;

std::string lock_file(const Scratch& folder) { return folder.path() + "/lock"; }

int locked(const std::string& file) {
  const int fd = ::open(file.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0600);
  if (fd < 0) throw std::runtime_error("no lock file");
  if (::flock(fd, LOCK_EX | LOCK_NB) == 0) return fd;
  ::close(fd);
  return -1;
}

// A name that goes with whoever holds it (daemon/state/lock.h); -1: somebody does.
int linked(const Scratch& folder) {
  const std::string name = "chargewright-test/link" + folder.path();
  sockaddr_un at{};
  at.sun_family = AF_UNIX;
  if (name.size() >= sizeof at.sun_path) throw std::runtime_error("the folder's path is too long");
  std::memcpy(at.sun_path + 1, name.data(), name.size());
  const int fd = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  const auto size = static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + 1 + name.size());
  if (::bind(fd, reinterpret_cast<const sockaddr*>(&at), size) == 0) return fd;
  ::close(fd);
  return -1;
}

}  // namespace

StartedDeadMan::StartedDeadMan(const std::vector<std::string>& environment,
                               const std::vector<std::string>& words)
    : daemon_({"sleep", "600"}) {
  int pair[2];
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair) != 0) {
    throw std::runtime_error("no pipe");
  }
  pipe_ = pair[0];
  const auto daemon = static_cast<int>(::syscall(SYS_pidfd_open, daemon_.id(), 0));
  const int lock = locked(lock_file(folder_));
  const int link = linked(folder_);
  std::vector<std::string> command{test::in_build("daemon/chargewright-dead-man")};
  command.insert(command.end(), words.begin(), words.end());
  process_ = std::make_unique<Process>(command, environment,
                                       std::vector<int>{pair[1], daemon, lock, link});
  for (const int fd : {pair[1], daemon, lock, link}) ::close(fd);
}

StartedDeadMan::~StartedDeadMan() {
  hang_up();
  if (taken_ >= 0) ::close(taken_);
}

bool StartedDeadMan::say(std::string_view bytes) const {
  while (!bytes.empty()) {
    const auto count = ::send(pipe_, bytes.data(), bytes.size(), MSG_NOSIGNAL);
    if (count <= 0) return false;
    bytes.remove_prefix(static_cast<std::size_t>(count));
  }
  return true;
}

bool StartedDeadMan::introduce(std::string_view sheet) const {
  const std::uint64_t size = sheet.size();
  return say({reinterpret_cast<const char*>(&size), sizeof size}) && say(sheet);
}

std::string StartedDeadMan::hear(std::chrono::milliseconds bound) const {
  pollfd pipe{.fd = pipe_, .events = POLLIN, .revents = 0};
  if (::poll(&pipe, 1, static_cast<int>(bound.count())) <= 0) return {};
  char bytes[4096];
  const auto count = ::recv(pipe_, bytes, sizeof bytes, MSG_DONTWAIT);
  return count > 0 ? std::string(bytes, static_cast<std::size_t>(count)) : std::string{};
}

void StartedDeadMan::hang_up() {
  if (pipe_ >= 0) ::close(pipe_);
  pipe_ = -1;
}

bool StartedDeadMan::killed_the_daemon() {
  return !daemon_.running() && daemon_.wait(0ms).signal == SIGKILL;
}

bool StartedDeadMan::holds_the_lock() const {
  const int fd = locked(lock_file(folder_));
  if (fd >= 0) ::close(fd);
  return fd < 0;
}

bool StartedDeadMan::take_the_link() { return (taken_ = linked(folder_)) >= 0; }

void StartedDeadMan::free_the_link() { ::close(std::exchange(taken_, -1)); }

}  // namespace chargewright::test

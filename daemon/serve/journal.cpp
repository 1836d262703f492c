#include "daemon/serve/journal.h"

#include <fcntl.h>
#include <poll.h>
#include <spdlog/sinks/base_sink.h>
#include <spdlog/spdlog.h>
#include <termios.h>
#include <unistd.h>

#include <chrono>
#include <climits>
#include <cstdlib>
#include <mutex>

namespace chargewright::daemon {
namespace {

// The marks of sd-daemon(3) that the journal reads levels from.
std::string_view mark_of(LogLevel level) {
  switch (level) {
    case LogLevel::info:
      return "<6>";
    case LogLevel::warning:
      return "<4>";
    case LogLevel::critical:
      return "<2>";
  }
  return "<2>";
}

spdlog::level::level_enum level_of(LogLevel level) {
  switch (level) {
    case LogLevel::info:
      return spdlog::level::info;
    case LogLevel::warning:
      return spdlog::level::warn;
    case LogLevel::critical:
      return spdlog::level::critical;
  }
  return spdlog::level::critical;
}

// Opened anew, a terminal can be asked not to keep who writes more than it has room for; the
// shell's own is left as it is. Negative: it cannot be opened.
int opened_anew(int terminal) {
  constexpr int how = O_WRONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC;
  const std::string by_number = "/proc/self/fd/" + std::to_string(terminal);
  const int own = ::open(by_number.c_str(), how);
  if (own >= 0 || ::tcgetsid(terminal) != ::getsid(0)) return own;
  // Another user's, as after `sudo -u`; but the one that we were started from anybody may open.
  return ::open("/dev/tty", how);
}

class Unhurried : public spdlog::sinks::base_sink<std::mutex> {
 public:
  explicit Unhurried(int descriptor) : descriptor_(descriptor) {
    if (::isatty(descriptor) != 1) return;
    own_ = opened_anew(descriptor);
    if (own_ >= 0) {
      descriptor_ = own_;
    } else {
      piece_ = 1;
    }
  }
  ~Unhurried() override {
    if (own_ >= 0) ::close(own_);
  }
  Unhurried(const Unhurried&) = delete;
  Unhurried& operator=(const Unhurried&) = delete;

 protected:
  void sink_it_(const spdlog::details::log_msg& message) override {
    if (lost_ > 0 && !write(fmt::format("\n({} lines were lost: nobody read them)\n", lost_))) {
      ++lost_;
      return;
    }
    lost_ = 0;
    spdlog::memory_buf_t line;
    formatter_->format(message, line);
    if (!write({line.data(), line.size()})) ++lost_;
  }
  void flush_() override {}

 private:
  bool write(std::string_view text) {
    while (!text.empty()) {
      pollfd room{.fd = descriptor_, .events = POLLOUT, .revents = 0};
      const auto wait = lost_ > 0 ? std::chrono::milliseconds(0) : patience;
      if (::poll(&room, 1, static_cast<int>(wait.count())) != 1) return false;
      const ssize_t taken = ::write(descriptor_, text.data(), std::min(text.size(), piece_));
      if (taken <= 0) return false;
      text.remove_prefix(static_cast<std::size_t>(taken));
    }
    return true;
  }

  static constexpr std::chrono::milliseconds patience{50};
  int descriptor_;
  int own_ = -1;
  // A pipe that has room takes so many bytes whole (pipe(7)); a terminal may have room for one.
  std::size_t piece_ = PIPE_BUF;
  std::size_t lost_ = 0;
};

}  // namespace

Log open_journal(int descriptor) {
  const bool in_journal = std::getenv("JOURNAL_STREAM") != nullptr;
  auto logger =
      std::make_shared<spdlog::logger>("chargewrightd", std::make_shared<Unhurried>(descriptor));
  logger->set_pattern(in_journal ? "%v" : "%Y-%m-%d %H:%M:%S.%e %l %v");
  return [logger, in_journal](LogLevel level, const std::string& text) {
    logger->log(level_of(level), "{}{}", in_journal ? mark_of(level) : "", text);
  };
}

}  // namespace chargewright::daemon

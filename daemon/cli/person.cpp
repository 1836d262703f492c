#include "daemon/cli/person.h"

#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>

namespace chargewright::daemon {
namespace {

constexpr std::size_t line_most = 4096;  // bytes; a longer one is not from a hand
constexpr std::size_t lines_most = 1000;

sigset_t ends() {
  sigset_t set;
  sigemptyset(&set);
  for (const int number : {SIGINT, SIGQUIT, SIGTSTP, SIGTERM, SIGHUP}) sigaddset(&set, number);
  return set;
}

std::string trimmed(std::string_view text) {
  constexpr std::string_view blanks = " \t\r";
  const auto begin = text.find_first_not_of(blanks);
  if (begin == std::string_view::npos) return {};
  return std::string(text.substr(begin, text.find_last_not_of(blanks) - begin + 1));
}

}  // namespace

AskedPerson::AskedPerson(std::ostream& out) : out_(out) {
  const sigset_t set = ends();
  ::pthread_sigmask(SIG_BLOCK, &set, nullptr);
  signals_ = ::signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
  gone_ = signals_ < 0;  // who cannot be stopped is not begun
}

// The signals stay blocked: the program ends soon, in its own order.
AskedPerson::~AskedPerson() {
  if (signals_ >= 0) ::close(signals_);
}

void AskedPerson::take_in(std::chrono::milliseconds time) {
  pollfd waits[2] = {{.fd = signals_, .events = POLLIN, .revents = 0},
                     {.fd = ended_ ? -1 : STDIN_FILENO, .events = POLLIN, .revents = 0}};
  if (::poll(waits, 2, static_cast<int>(time.count())) <= 0) return;
  if (waits[0].revents != 0) {
    signalfd_siginfo taken;
    while (::read(signals_, &taken, sizeof taken) > 0) {
    }
    gone_ = true;
    return;
  }
  if (waits[1].revents == 0) return;
  char piece[1024];
  const ssize_t count = ::read(STDIN_FILENO, piece, sizeof piece);
  if (count < 0 && (errno == EINTR || errno == EAGAIN)) return;
  if (count <= 0) {
    ended_ = true;
    return;
  }
  bytes_.append(piece, static_cast<std::size_t>(count));
  for (auto end = bytes_.find('\n'); end != std::string::npos; end = bytes_.find('\n')) {
    lines_.push_back(trimmed(std::string_view(bytes_).substr(0, end)));
    bytes_.erase(0, end + 1);
  }
  if (bytes_.size() > line_most || lines_.size() > lines_most) ended_ = gone_ = true;
}

// An Enter too many must not stand for the next trial's "I stand ready". Through a pipe answers
// come ahead of their questions by nature.
void AskedPerson::forget_what_is_early() {
  if (::isatty(STDIN_FILENO) != 1) return;
  for (std::size_t known = lines_.size() + 1; known != lines_.size() && !gone_;) {
    known = lines_.size();
    take_in(std::chrono::milliseconds(0));
  }
  std::erase_if(lines_, [](const std::string& line) { return line != "stop"; });
}

std::optional<std::string> AskedPerson::ask(std::string_view question) {
  forget_what_is_early();
  out_ << question << std::flush;
  while (!gone_ && lines_.empty()) {
    if (ended_) gone_ = true;
    if (!gone_) take_in(std::chrono::seconds(1));
  }
  if (gone_) return {};
  std::string line = std::move(lines_.front());
  lines_.pop_front();
  return line;
}

std::optional<bool> AskedPerson::ask_yes_or_no(std::string_view question) {
  for (;;) {
    const auto line = ask(std::string(question) + " (yes or no) ");
    if (!line || *line == "stop") return {};
    if (*line == "yes" || *line == "y") return true;
    if (*line == "no" || *line == "n") return false;
  }
}

bool AskedPerson::typed(std::string_view line, std::chrono::milliseconds time) {
  const auto until = std::chrono::steady_clock::now() + time;
  for (;;) {
    const auto found = std::ranges::find(lines_, line);
    if (found != lines_.end()) {
      lines_.erase(found);
      return true;
    }
    // Input that ended while a deed is awaited: whoever was there has left the bench.
    if (ended_ && lines_.empty()) gone_ = true;
    const auto left =
        std::chrono::ceil<std::chrono::milliseconds>(until - std::chrono::steady_clock::now());
    if (gone_ || left.count() <= 0) return false;
    take_in(left);
  }
}

void AskedPerson::wait(std::chrono::milliseconds time) {
  const auto until = std::chrono::steady_clock::now() + time;
  for (auto left = time; left.count() > 0; left = std::chrono::ceil<std::chrono::milliseconds>(
                                               until - std::chrono::steady_clock::now())) {
    take_in(left);
  }
}

}  // namespace chargewright::daemon

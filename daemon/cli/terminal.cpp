#include "daemon/cli/terminal.h"

#include <poll.h>
#include <signal.h>
#include <sys/ioctl.h>
#include <sys/signalfd.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <iostream>

namespace chargewright::daemon {

bool standard_output_is_terminal() { return ::isatty(STDOUT_FILENO) == 1; }
bool standard_input_is_terminal() { return ::isatty(STDIN_FILENO) == 1; }

bool terminal_is_dumb() {
  const char* kind = std::getenv("TERM");
  return kind == nullptr || std::string_view{kind} == "dumb";
}

Look look_of_terminal() {
  Look look;
  winsize size{};
  if (::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 0) {
    look.width = std::clamp<int>(size.ws_col, 20, 400);
    if (size.ws_row > 0) look.height = std::clamp<int>(size.ws_row, 5, 400);
  }
  const char* no_colour = std::getenv("NO_COLOR");
  const bool unwelcome = no_colour != nullptr && *no_colour != '\0';
  look.colour = standard_output_is_terminal() && !terminal_is_dumb() && !unwelcome;
  return look;
}

std::optional<std::string> ask_on_terminal(std::string_view question) {
  std::cout << question << std::flush;
  std::string line;
  if (!std::getline(std::cin, line)) return {};
  return line;
}

struct Keys::State {
  int signals = -1;
  sigset_t before{};
  bool has_terminal = false;
  termios terminal{};
};

Keys::Keys() : state_(new State) {
  sigset_t ends;
  sigemptyset(&ends);
  sigaddset(&ends, SIGINT);
  sigaddset(&ends, SIGTERM);
  ::sigprocmask(SIG_BLOCK, &ends, &state_->before);
  state_->signals = ::signalfd(-1, &ends, SFD_CLOEXEC | SFD_NONBLOCK);
  if (standard_input_is_terminal() && ::tcgetattr(STDIN_FILENO, &state_->terminal) == 0) {
    termios raw = state_->terminal;
    raw.c_lflag &= static_cast<tcflag_t>(~(ICANON | ECHO));
    raw.c_cc[VMIN] = 0;
    raw.c_cc[VTIME] = 0;
    state_->has_terminal = ::tcsetattr(STDIN_FILENO, TCSANOW, &raw) == 0;
  }
}

Keys::~Keys() {
  if (state_->has_terminal) ::tcsetattr(STDIN_FILENO, TCSANOW, &state_->terminal);
  if (state_->signals >= 0) {
    signalfd_siginfo taken;  // what the view has answered must not end the program afterwards
    while (::read(state_->signals, &taken, sizeof taken) > 0) {
    }
    ::close(state_->signals);
  }
  ::sigprocmask(SIG_SETMASK, &state_->before, nullptr);
  delete state_;
}

std::optional<char> Keys::wait(std::chrono::milliseconds time) {
  pollfd ready[2] = {
      {.fd = state_->signals, .events = POLLIN, .revents = 0},
      {.fd = state_->has_terminal ? STDIN_FILENO : -1, .events = POLLIN, .revents = 0}};
  if (::poll(ready, 2, static_cast<int>(time.count())) <= 0) return {};
  if ((ready[0].revents & POLLIN) != 0) return 'q';
  char key = 0;
  if (::read(STDIN_FILENO, &key, 1) == 1) return key;
  state_->has_terminal = false;  // hung up: no keys any more
  return {};
}

}  // namespace chargewright::daemon

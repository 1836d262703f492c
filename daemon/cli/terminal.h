#pragma once
// The terminal as it is: whether there is one, how wide, whether colour is welcome (NO_COLOR), and
// single key presses while a view is shown. Restores what it changed, also when asked to end.

#include <chrono>
#include <optional>
#include <string>
#include <string_view>

#include "daemon/cli/look.h"

namespace chargewright::daemon {

bool standard_output_is_terminal();
bool standard_input_is_terminal();
bool terminal_is_dumb();  // or says nothing of itself: neither colours nor a cursor to move
Look look_of_terminal();

// A typed line, without its end; nothing at end of input.
std::optional<std::string> ask_on_terminal(std::string_view question);

// While one exists, keys come one by one and unechoed, and the interrupt key ends the view in good
// order instead of the program in the middle of a line.
class Keys {
 public:
  Keys();
  ~Keys();
  Keys(const Keys&) = delete;
  Keys& operator=(const Keys&) = delete;
  // The key pressed within this time; 'q' when the program was asked to end (SIGINT, SIGTERM).
  std::optional<char> wait(std::chrono::milliseconds time);

 private:
  struct State;
  State* state_;
};

}  // namespace chargewright::daemon

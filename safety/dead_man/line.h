#pragma once
// The dead-man's talk with one instrument: commands that leave at once, and questions one at a time
// whose answers are known to be theirs. Much less than drivers/scpi/conversation.h can, and not the
// same code on purpose: what killed the daemon should not kill this too. Plain code, fed bytes and
// time.
//
// An instrument may still be answering what the dead daemon asked. So two numbers are set and read
// back first; a stream keeps its order, so when the second comes back, all older answers have gone
// by. An instrument that has no such thing is asked after it was silent for its deadline.

#include <deque>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/scpi/message.h"
#include "drivers/scpi/reply.h"
#include "safety/dead_man/cut_sheet.h"

namespace chargewright::safety {

class CutLine {
 public:
  // `link` outlives the line.
  explicit CutLine(const CutLink& link);

  void link_up(drivers::Instant now);
  void link_down();
  void receive(std::string_view bytes, drivers::Instant now);
  void turn(drivers::Instant now);
  // What the link must send now; messages stand `between` apart where the instrument wants it.
  [[nodiscard]] std::string take_to_write(drivers::Instant now);
  [[nodiscard]] drivers::Instant wake() const;

  // Past every question. Its number, for has_sent(); nothing is said where the link is down.
  std::size_t say(std::string_view command);
  // That command has left, over the link over which it was said.
  [[nodiscard]] bool has_sent(std::size_t number) const { return sent_ >= number; }
  // Ends a line that the dead daemon may have begun.
  void say_nothing() { say(""); }

  [[nodiscard]] bool is_up() const { return state_ != State::down; }
  [[nodiscard]] bool can_ask() const { return state_ == State::idle; }
  void ask(const CutQuestion& question);  // only where can_ask()
  // Of the question asked; timed_out or link_down where none came.
  [[nodiscard]] std::optional<drivers::scpi::Meaning> take_answer();

 private:
  enum class State { down, quiet, first_nonce, second_nonce, idle, awaiting };

  void restart(drivers::Instant now);
  void ask_nonce(std::size_t which);
  void see(const drivers::scpi::Line& line, drivers::Instant now);
  void fail(drivers::Ending ending, drivers::Instant now);

  const CutLink& link_;
  drivers::scpi::LineReader reader_;
  State state_ = State::down;
  std::deque<std::string> commands_;
  std::size_t said_ = 0;               // commands
  std::size_t sent_ = 0;               // of them
  std::deque<std::string> questions_;  // what belongs to a question, behind every command
  drivers::Instant not_before_{};
  drivers::Instant deadline_ = drivers::never;  // from when the question has left
  std::optional<CutQuestion> asked_;
  std::optional<drivers::scpi::Meaning> answer_;
};

}  // namespace chargewright::safety

#pragma once
// A person who is asked and answers line by line, at a terminal or through a pipe, and who may end
// the whole at any moment: by the keys that interrupt, quit or suspend, by a signal (SIGTERM,
// SIGHUP), or by going away (end of input). While one exists those signals end nothing else, so
// that what must be brought to off still is.

#include <chrono>
#include <deque>
#include <optional>
#include <ostream>
#include <string>
#include <string_view>

namespace chargewright::daemon {

class AskedPerson {
 public:
  explicit AskedPerson(std::ostream& out);
  ~AskedPerson();
  AskedPerson(const AskedPerson&) = delete;
  AskedPerson& operator=(const AskedPerson&) = delete;

  // The line that answers, without blanks around it; nothing: the person is gone. At a terminal
  // what was typed before the question is forgotten, but for `stop`.
  std::optional<std::string> ask(std::string_view question);
  // yes or no, asked again until it is one of them; nothing: `stop`, or the person is gone.
  std::optional<bool> ask_yes_or_no(std::string_view question);
  // Waits, and answers true as soon as this line was typed meanwhile. Other lines wait for ask().
  bool typed(std::string_view line, std::chrono::milliseconds time);
  // Waits, and leaves what is typed meanwhile, or the end of it, to who asks next.
  void wait(std::chrono::milliseconds time);
  [[nodiscard]] bool gone() const { return gone_; }

 private:
  void take_in(std::chrono::milliseconds time);
  void forget_what_is_early();

  std::ostream& out_;
  int signals_ = -1;
  std::string bytes_;
  std::deque<std::string> lines_;
  bool ended_ = false;  // no more input
  bool gone_ = false;
};

}  // namespace chargewright::daemon

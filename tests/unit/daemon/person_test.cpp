// A person at a terminal: what they typed before they were asked is no answer.

#include <gtest/gtest.h>
#include <poll.h>
#include <pty.h>
#include <unistd.h>

#include <functional>
#include <sstream>
#include <thread>
#include <utility>

#include "daemon/cli/person.h"

namespace chargewright::daemon {
namespace {

using namespace std::chrono_literals;

// In the place of the test's standard input, while it exists.
class Keyboard {
 public:
  Keyboard() : before_(::dup(STDIN_FILENO)) {
    int terminal = -1;
    EXPECT_EQ(::openpty(&hand_, &terminal, nullptr, nullptr, nullptr), 0);
    ::dup2(terminal, STDIN_FILENO);
    ::close(terminal);
  }
  ~Keyboard() {
    ::dup2(before_, STDIN_FILENO);
    ::close(before_);
    ::close(hand_);
  }
  Keyboard(const Keyboard&) = delete;
  Keyboard& operator=(const Keyboard&) = delete;

  void type(std::string_view line) const {
    const std::string bytes = std::string(line) + '\n';
    EXPECT_EQ(::write(hand_, bytes.data(), bytes.size()), static_cast<ssize_t>(bytes.size()));
  }
  static void await_typed() {
    pollfd typed{.fd = STDIN_FILENO, .events = POLLIN, .revents = 0};
    EXPECT_EQ(::poll(&typed, 1, 10'000), 1);
  }

 private:
  int before_;
  int hand_ = -1;
};

// Does something whenever a question has been written.
class Screen : public std::stringbuf {
 public:
  explicit Screen(std::function<void()> when_asked) : when_asked_(std::move(when_asked)) {}

 protected:
  int sync() override {
    when_asked_();
    return 0;
  }

 private:
  std::function<void()> when_asked_;
};

// On a thread of its own: a person keeps that thread's signals from ending anything.
void with_person(const std::function<void()>& when_asked,
                 const std::function<void(AskedPerson&)>& act) {
  std::thread([&] {
    Screen screen{when_asked};
    std::ostream out{&screen};
    AskedPerson person{out};
    act(person);
  }).join();
}

TEST(APersonAtATerminal, is_not_taken_to_stand_ready_by_an_enter_too_many) {  // S1
  const Keyboard keyboard;
  keyboard.type("");
  keyboard.type("");
  Keyboard::await_typed();
  with_person(
      [&] { keyboard.type("skip"); },
      [](AskedPerson& person) { EXPECT_EQ(person.ask("Enter when you stand ready "), "skip"); });
}

TEST(APersonAtATerminal, may_say_stop_before_the_question_and_to_any) {  // S4
  const Keyboard keyboard;
  keyboard.type("stop");
  Keyboard::await_typed();
  with_person([] {}, [](AskedPerson& person) { EXPECT_EQ(person.ask("Enter "), "stop"); });
  bool said = false;
  with_person(
      [&] { keyboard.type(std::exchange(said, true) ? "no" : "stop"); },
      [](AskedPerson& person) { EXPECT_EQ(person.ask_yes_or_no("Is it off?"), std::nullopt); });
}

}  // namespace
}  // namespace chargewright::daemon

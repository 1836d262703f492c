// An honest instrument behind a link that delays, cuts into pieces, loses connections and answers:
// no answer is ever taken for that of another question (S3), and once the link behaves, question
// and answer are brought together again. Answers are small numbers, as the numbers of the resync
// are.

#include "drivers/scpi/conversation.h"

#include <deque>
#include <optional>
#include <vector>

#include "tests/fuzz/fuzz.h"
#include "tests/support/places.h"

namespace chargewright::fuzz {
namespace {

using drivers::Dialect;
using drivers::Instant;
using drivers::scpi::Answer;
using drivers::scpi::Conversation;

const Dialect& dialect() {
  static const Dialect shipped =
      drivers::load_dialect("ieee-488-2", {chargewright::test::in_source("drivers/dialects")})
          .value();
  return shipped;
}

constexpr int of_resync = -1;

class Story {
 public:
  void happens(Plan& plan) {
    switch (plan.up_to(9)) {
      case 0:
        now_ += std::chrono::milliseconds(plan.byte());
        conversation_.turn(now_);
        break;
      case 1:
        if (!conversation_.ready(now_)) break;
        asked_ = ++questions_;
        conversation_.ask(
            "Q" + std::to_string(questions_) + ' ' + std::to_string(plan.byte()) + '?', now_);
        break;
      case 2:
        carry(plan.byte());
        break;
      case 3:
        serve(plan.up_to(3), false);
        break;
      case 4:
        deliver(plan.byte());
        break;
      case 5:
        conversation_.link_down();
        // A new connection begins empty; a serial cable keeps what the instrument has still to say.
        if (plan.up_to(1) == 0) {
          input_.clear();
          output_.clear();
        }
        asked_.reset();
        conversation_.link_up(now_);
        break;
      case 6:
        conversation_.urgent("OFF", now_);
        break;
      case 7:
        serve(1, true);
        break;
      case 8:
        if (conversation_.ready(now_)) conversation_.say("SET", now_);
        break;
      case 9:
        if (plan.up_to(1) == 0) {
          if (conversation_.recall()) asked_.reset();
        } else if (!asked_) {
          conversation_.distrust(now_);  // of an answer that was just taken
        }
        break;
    }
    take({});
  }

  // From now on everything is carried at once.
  void calm() {
    for (int ms = 0; ms < 20'000 && !(conversation_.in_step() && !asked_); ++ms) {
      now_ += std::chrono::milliseconds(1);
      conversation_.turn(now_);
      carry(100'000);
      serve(1000, false);
      deliver(100'000);
      take({});
    }
    CLAIM(conversation_.in_step());
    CLAIM(!asked_);
  }

  Story() { conversation_.link_up(now_); }

 private:
  struct Byte {
    char c;
    int question;  // that this byte answers
  };

  void carry(std::size_t most) {
    const std::string_view bytes = conversation_.to_write().substr(0, most);
    input_ += bytes;
    conversation_.written(bytes.size());
    CLAIM(input_.size() < 100'000);
  }

  void serve(std::size_t messages, bool mute) {
    for (; messages > 0; --messages) {
      const auto end = input_.find('\n');
      if (end == std::string::npos) return;
      const std::string message = input_.substr(0, end);
      input_.erase(0, end + 1);
      if (message.starts_with("*ESE ")) enabled_ = message.substr(5);
      if (mute) continue;
      if (message == "*ESE?") say(enabled_, of_resync);
      if (message.starts_with('Q') && message.ends_with('?')) {
        const auto blank = message.find(' ');
        say(message.substr(blank + 1, message.size() - blank - 2),
            std::stoi(message.substr(1, blank)));
      }
    }
  }
  void say(const std::string& answer, int question) {
    for (const char c : answer + '\n') output_.push_back({c, question});
  }

  void deliver(std::size_t most) {
    std::string bytes;
    std::vector<int> answers;  // to which question, line by line
    while (!output_.empty() && bytes.size() < most) {
      bytes += output_.front().c;
      if (bytes.back() == '\n') answers.push_back(output_.front().question);
      output_.pop_front();
    }
    conversation_.receive(bytes, now_);
    take(answers);
  }

  // What came of the question, if anything; `answers` just arrived.
  void take(const std::vector<int>& answers) {
    Answer answer;
    if (!conversation_.take(answer)) return;
    CLAIM(asked_.has_value());
    if (answer.kind == Answer::Kind::line) {
      CLAIM(answers.size() == 1);
      CLAIM(answers.front() == *asked_);
    }
    asked_.reset();
    CLAIM(!conversation_.take(answer));
  }

  Conversation conversation_{dialect()};
  Instant now_{};
  std::string input_;        // of the instrument
  std::deque<Byte> output_;  // of the instrument
  std::string enabled_ = "0";
  int questions_ = 0;
  std::optional<int> asked_;
};

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  Plan plan(data, size);
  Story story;
  while (!plan.is_over()) story.happens(plan);
  story.calm();
  return 0;
}

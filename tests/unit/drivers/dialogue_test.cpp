// Every shipped dialect against its dialogue file: golden file and documentation at once. `?` an
// order, `>` a message sent, `<` a line received, `!` the outcome, `.` milliseconds that pass.

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

#include "drivers/instrument.h"
#include "drivers/scpi/conversation.h"
#include "tests/support/places.h"

namespace chargewright::drivers {
namespace {

const std::string dialects = test::in_source("drivers/dialects");
const std::string dialogues = test::in_source("tests/unit/drivers/dialects");

std::vector<std::string> names() {
  std::vector<std::string> found;
  for (const auto& entry : std::filesystem::directory_iterator(dialects)) {
    const std::string name = entry.path().stem().string();
    if (name != "ieee-488-2") found.push_back(name);
  }
  return found;
}

std::string key_of(Ending ending) {
  switch (ending) {
    case Ending::done:
      return "done";
    case Ending::absent:
      return "absent";
    case Ending::disproved:
      return "disproved";
    case Ending::device_error:
      return "device-error";
    case Ending::unparsable:
      return "unparsable";
    case Ending::not_a_number:
      return "not-a-number";
    case Ending::infinite:
      return "infinite";
    case Ending::timed_out:
      return "timed-out";
    case Ending::link_down:
      return "link-down";
    case Ending::refused:
      return "refused";
  }
  return "";
}

class Dialogue {
 public:
  explicit Dialogue(const std::string& name)
      : instrument_({.name = name,
                     .id = 0,
                     .identity = "",
                     .dialect = load_dialect(name, {dialects}).value()}) {}

  void play(const std::string& line) {
    if (line.empty() || line[0] == '#') return;
    ASSERT_GE(line.size(), 3U) << line;
    const std::string rest = line.substr(2);
    collect();
    switch (line[0]) {
      case '?':
        ASSERT_EQ(sent_, "") << "before " << line;
        return give(rest);
      case '>':
        return expect_sent(rest);
      case '<':
        ASSERT_EQ(sent_, "") << "before " << line;
        return instrument_.receive(rest + "\n", now_);
      case '!':
        return expect_outcome(rest);
      case '.':
        ASSERT_EQ(sent_, "") << "before " << line;
        now_ += std::chrono::milliseconds(std::stoi(rest));
        return instrument_.turn(now_);
      default:
        FAIL() << "not a line of a dialogue: " << line;
    }
  }
  void finish() {
    collect();
    EXPECT_EQ(sent_, "");
    Outcome outcome;
    EXPECT_FALSE(instrument_.take(outcome));
  }

 private:
  void collect() {
    for (int i = 0; i < 4; ++i) {
      sent_ += instrument_.to_write();
      instrument_.written(instrument_.to_write().size());
      instrument_.turn(now_);
    }
  }
  void give(const std::string& text) {
    if (text == "link up") return instrument_.link_up(now_);
    std::istringstream words(text);
    std::string key;
    Order order;
    words >> key >> order.value;
    words.clear();
    for (std::string word; words >> word;) {
      int channel = 0;
      if (word == "urgent") order.urgent = true;
      if (word == "channel" && words >> channel) order.channel = static_cast<std::uint8_t>(channel);
    }
    for (std::uint8_t verb = 0; verb < verb_count; ++verb) {
      order.verb = static_cast<Verb>(verb);
      if (drivers::key_of(order.verb) == key) return instrument_.order(order, now_);
    }
    FAIL() << "no verb " << key;
  }
  void expect_sent(const std::string& message) {
    ASSERT_EQ(sent_.substr(0, sent_.find('\n')), message);
    sent_.erase(0, message.size() + 1);
  }
  void expect_outcome(const std::string& text) {
    std::istringstream words(text);
    std::string ending;
    double value = 0;
    words >> ending >> value;
    Outcome outcome;
    ASSERT_TRUE(instrument_.take(outcome)) << text;
    EXPECT_EQ(key_of(outcome.ending), ending);
    EXPECT_NEAR(outcome.value, value, 1e-9);
  }

  Instrument instrument_;
  Instant now_{};
  std::string sent_;
};

class Dialogues : public testing::TestWithParam<std::string> {};

TEST_P(Dialogues, go_as_written) {
  std::ifstream file(dialogues + "/" + GetParam() + ".dialogue");
  ASSERT_TRUE(file) << "a dialect needs a dialogue: " << GetParam();
  Dialogue dialogue(GetParam());
  int number = 0;
  for (std::string line; std::getline(file, line);) {
    SCOPED_TRACE(GetParam() + ".dialogue:" + std::to_string(++number));
    dialogue.play(line);
    if (HasFatalFailure()) return;
  }
  EXPECT_GT(number, 0);
  dialogue.finish();
}

INSTANTIATE_TEST_SUITE_P(Shipped, Dialogues, testing::ValuesIn(names()), [](const auto& shipped) {
  std::string name = shipped.param;
  for (char& c : name) c = c == '-' ? '_' : c;
  return name;
});

}  // namespace
}  // namespace chargewright::drivers

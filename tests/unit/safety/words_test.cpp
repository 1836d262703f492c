// Everything that stands in a record, an answer or a log has a word of its own; what came out of
// damaged memory is named as such, and never as something else.
#include <gtest/gtest.h>

#include <set>

#include "safety/cut_chain.h"
#include "safety/guard.h"
#include "safety/run_transitions.h"

namespace chargewright::safety {
namespace {

template <class Enum>
void expect_words(Enum last, std::string_view damaged) {
  std::set<std::string_view> words;
  for (int k = 0; k <= static_cast<int>(last); ++k) {
    EXPECT_TRUE(words.insert(key_of(static_cast<Enum>(k))).second) << k;
  }
  EXPECT_FALSE(words.contains(damaged));
  EXPECT_EQ(key_of(static_cast<Enum>(0xEE)), damaged);
}

TEST(Words, are_there_for_everything_and_name_what_is_damaged) {
  expect_words(State::tripped, "invalid");
  expect_words(Transition::acknowledge, "invalid");
  expect_words(Action::clear, "invalid");
  expect_words(Needs::condition_gone, "invalid");
  expect_words(Phase::interrupted, "invalid");
  expect_words(RunEvent::die, "invalid");
  expect_words(CutStage::verified_by_contactor, "invalid");
  expect_words(Origin::profile, "unknown");
  EXPECT_EQ(key_of(static_cast<Refusal>(0xEE)), "invalid");
  EXPECT_EQ(describe(static_cast<Refusal>(0xEE)), "not a refusal");
}

TEST(Words, name_the_sensor_that_a_fault_is_about) {
  const std::pair<Subject, std::string_view> named[] = {
      {Subject::cell_voltage, "cell voltage"},
      {Subject::cell_current, "cell current"},
      {Subject::source_voltage, "source voltage"},
      {Subject::source_current, "source current"},
      {Subject::voltage_setpoint, "voltage setpoint"},
      {Subject::current_setpoint, "current setpoint"},
      {Subject::output, "output state"},
      {Subject::protection, "protection"},
      {Subject::contactor, "contactor"},
      {Subject::pair, "voltage and current"}};
  for (const auto& [subject, name] : named) {
    const std::string text =
        describe({.cause = Cause::reading_stale, .sensor = static_cast<std::uint8_t>(subject)});
    EXPECT_TRUE(text.starts_with(std::string(name) + ": ")) << text;
  }
}

TEST(Words, give_a_disagreement_in_the_unit_of_what_disagrees) {
  const auto text = [](Cause cause, Subject subject) {
    return describe({.cause = cause,
                     .sensor = static_cast<std::uint8_t>(subject),
                     .measured = 1.5,
                     .limit = 2.5});
  };
  EXPECT_EQ(text(Cause::setpoint_changed, Subject::protection),
            "protection: the setpoint read back differs from the one written");
  EXPECT_NE(text(Cause::setpoint_changed, Subject::voltage_setpoint).find(" V against "),
            std::string::npos);
  EXPECT_NE(text(Cause::setpoint_changed, Subject::current_setpoint).find(" A against "),
            std::string::npos);
  EXPECT_NE(text(Cause::readings_disagree, Subject::cell_current).find(" A against "),
            std::string::npos);
  EXPECT_NE(text(Cause::readings_disagree, Subject::source_voltage).find(" V against "),
            std::string::npos);
}

TEST(Words, has_no_advice_where_nothing_is_wrong) { EXPECT_EQ(advice_on(Cause::none), ""); }

}  // namespace
}  // namespace chargewright::safety

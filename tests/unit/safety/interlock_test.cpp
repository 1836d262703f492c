// The verdict of one channel as a whole: which of its causes it names, and what it shows of them
// (S2, S5, S8). Cause by cause: the files rules_*_test.cpp.
#include "safety/interlock.h"

#include <gtest/gtest.h>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

TEST_F(Energised, is_within_while_all_is_good) {
  EXPECT_TRUE(judge().within());
  pass(60s, [] {});
  EXPECT_TRUE(last.within()) << describe(last.worst);
}

TEST_F(Energised, names_value_limit_origin_and_sensor_of_what_it_finds) {  // S5
  see(thermometer, 2, Verb::measure_temperature, 50.5);
  const Fault fault = judge().worst;
  EXPECT_EQ(fault.cause, Cause::temperature_high);
  EXPECT_EQ(fault.sensor, 1);
  EXPECT_EQ(fault.measured, 50.5);
  EXPECT_EQ(fault.limit, 48.0);
  EXPECT_EQ(fault.origin, static_cast<std::uint8_t>(Origin::profile));
  EXPECT_EQ(fault.at, now);
}

TEST_F(Energised, ranks_several_causes_by_severity_and_shows_them_all) {
  see(thermometer, 1, Verb::measure_temperature, 50);
  see(ammeter, 0, Verb::measure_current, 8);
  see(supply, 0, Verb::read_protection, 1);
  const Verdict verdict = judge();
  EXPECT_EQ(verdict.worst.cause, Cause::temperature_high);
  for (const Cause cause :
       {Cause::temperature_high, Cause::current_high, Cause::protection_tripped}) {
    EXPECT_TRUE(names(verdict, cause)) << key_of(cause);
  }
  interlock.operator_wants_cut(now);
  EXPECT_EQ(worst(), Cause::operator_cut);
}

TEST_F(Energised, of_two_reported_causes_names_the_worse) {  // S4
  interlock.internal_fault(now);
  interlock.operator_wants_cut(now);
  const Verdict verdict = judge();
  EXPECT_EQ(verdict.worst.cause, Cause::operator_cut);
  EXPECT_TRUE(names(verdict, Cause::guard_internal));
}

TEST_F(Energised, keeps_the_first_of_a_cause_reported_twice_and_none_for_none) {
  interlock.report({.cause = Cause::none, .at = now});
  EXPECT_TRUE(judge().within());
  interlock.report({.cause = Cause::setpoint_changed, .measured = 1, .at = now});
  interlock.report({.cause = Cause::setpoint_changed, .measured = 2, .at = now});
  EXPECT_EQ(judge().worst.measured, 1);
}

TEST(Interlock, names_its_own_channel_in_what_is_reported_to_it) {  // S5
  Interlock third(plan_of(), 3);
  third.report({.cause = Cause::setpoint_changed, .measured = 1, .at = at(0s)});
  EXPECT_EQ(third.judge(at(0s)).worst.channel, 3);
}

TEST_F(Energised, takes_only_the_terminals_of_its_channel) {
  see(thermometer, 3, Verb::measure_temperature, 90);
  see(voltmeter, 2, Verb::measure_voltage, 9);
  see(supply, 1, Verb::measure_current, 19);
  see(contactor, 0, Verb::measure_voltage, 9);
  EXPECT_TRUE(judge().within());
}

TEST_F(Energised, watches_only_temperature_and_output_after_the_run) {  // S8
  interlock.watch_only(now);
  Expected off;
  off.output_on = false;
  off.since = now;
  interlock.expect(off);
  now += 60s;
  see(thermometer, 1, Verb::measure_temperature, 25);
  see(thermometer, 2, Verb::measure_temperature, 0);  // cold is no danger once it is off
  see(supply, 0, Verb::read_output, 0);
  EXPECT_TRUE(judge().within()) << describe(judge().worst);  // voltage unread, sequencer gone
  see(thermometer, 2, Verb::measure_temperature, 49);
  EXPECT_EQ(worst(), Cause::temperature_high);
  see(thermometer, 2, Verb::measure_temperature, 40);
  see(supply, 0, Verb::read_output, 1);
  EXPECT_EQ(worst(), Cause::output_on_unbidden);
  see(supply, 0, Verb::read_output, 0);
  now += 4s;  // five times slower readings, and so five times their age
  EXPECT_EQ(worst(), Cause::reading_stale);
}

}  // namespace
}  // namespace chargewright::safety::testing

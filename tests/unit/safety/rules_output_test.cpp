// What the source says of itself against what was ordered: its own protection, its output on or
// off, its setpoints (S3).
#include <gtest/gtest.h>

#include <limits>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();
constexpr double inf = std::numeric_limits<double>::infinity();

TEST_F(Energised, trips_when_the_instruments_own_protection_has) {  // S3
  for (const double bits : {1.0, 2.0, 4.0}) {
    see(supply, 0, Verb::read_protection, bits);
    EXPECT_EQ(worst(), Cause::protection_tripped);
    see(supply, 0, Verb::read_protection, 0);
    EXPECT_TRUE(judge().within());
  }
}

TEST_F(Energised, names_the_protection_when_it_switched_the_output_off) {  // S3
  see(supply, 0, Verb::read_output, 0);
  EXPECT_TRUE(judge().within());  // off is no danger: wait for the protection's answer
  now += 100ms;
  see(supply, 0, Verb::read_protection, 1);
  EXPECT_EQ(worst(), Cause::protection_tripped);
}

TEST_F(Rules, take_no_protection_that_was_read_before_the_run_for_tripped) {  // S3
  see(supply, 0, Verb::read_protection, 1);
  now += 1ns;
  enforce(at(0s));
  see(supply, 0, Verb::read_protection, 0);
  now += 100ms;
  interlock.enforce(limits, now);
  interlock.see(outcome(supply, 0, Verb::read_protection, 1, now - 1ns));
  EXPECT_FALSE(present(Cause::protection_tripped));
  interlock.see(outcome(supply, 0, Verb::read_protection, 1, now));
  EXPECT_TRUE(present(Cause::protection_tripped));
  EXPECT_EQ(found(Cause::protection_tripped).measured, 1);
}

// ---- the output ---------------------------------------------------------------------------------

TEST_F(Energised, trips_when_the_output_went_off_by_itself) {  // S3
  pass(900ms, [&] { see(supply, 0, Verb::read_output, 0); });
  EXPECT_EQ(last.worst.cause, Cause::output_off_unbidden);
}

TEST_F(Rules, find_an_output_off_by_a_readback_that_was_asked_since_it_went_on) {  // S3
  Expected on = interlock.facts().expected;
  on.since = now;
  interlock.expect(on);
  interlock.see(outcome(supply, 0, Verb::read_output, 0, now - 1ns));
  judge();
  now += 10s;
  EXPECT_FALSE(present(Cause::output_off_unbidden));
  interlock.see(outcome(supply, 0, Verb::read_output, 0, on.since));
  EXPECT_FALSE(present(Cause::output_off_unbidden));
  now += Ages(plan).protection_first - 1ns;
  EXPECT_FALSE(present(Cause::output_off_unbidden));
  now += 1ns;
  EXPECT_TRUE(present(Cause::output_off_unbidden));
  EXPECT_EQ(Ages(plan).protection_first, Duration{800ms});
}

TEST_F(Energised, trips_when_the_output_is_on_though_it_was_ordered_off) {  // S3
  Expected off;
  off.output_on = false;
  off.since = now + 50ms;
  interlock.expect(off);
  see(supply, 0, Verb::read_output, 1);  // asked before it was proved off: not judged
  EXPECT_FALSE(present(Cause::output_on_unbidden));
  now += 50ms;
  see(supply, 0, Verb::read_output, 1);
  EXPECT_TRUE(present(Cause::output_on_unbidden));
  see(supply, 0, Verb::read_output, 0);
  EXPECT_FALSE(present(Cause::output_on_unbidden));
}

TEST_F(Energised, trips_when_current_flows_though_the_output_says_off) {  // S3
  Expected off;
  off.output_on = false;
  off.since = now;
  interlock.expect(off);
  const auto readings = [&](double amperes) {
    see(supply, 0, Verb::read_output, 0);
    see(ammeter, 0, Verb::measure_current, amperes);
  };
  pass(2s, [&] { readings(0.020); });
  EXPECT_TRUE(last.within()) << describe(last.worst);
  pass(1s, [&] { readings(0.021); });
  EXPECT_EQ(last.worst.cause, Cause::output_on_unbidden);
}

TEST_F(Rules, give_a_current_the_time_to_fall_and_one_garbled_reading_after_the_off) {  // S3 S4
  const Instant off = now;
  expect_off(off);
  see(supply, 0, Verb::read_output, 0);
  const auto flows_at = [&](Duration since_off, double amps) {
    now = off + since_off;
    see(ammeter, 0, Verb::measure_current, amps);
    return present(Cause::output_on_unbidden);
  };
  EXPECT_FALSE(flows_at(499ms, 1.0));
  EXPECT_FALSE(flows_at(500ms, 1.0));  // from here it should have stopped; for 250 ms longer:
  EXPECT_FALSE(flows_at(749ms, 1.0));
  EXPECT_TRUE(flows_at(750ms, 1.0));
  EXPECT_FALSE(flows_at(800ms, 0.020));
  EXPECT_FALSE(flows_at(900ms, -1.0));  // out of the cell is current_reverse's
  EXPECT_FALSE(flows_at(5s, -1.0));
}

TEST_F(Rules, know_nothing_of_an_output_whose_state_is_under_way) {  // S3
  Expected off;
  off.output_on = false;
  off.since = drivers::never;
  interlock.expect(off);
  now += 10s;
  see(supply, 0, Verb::read_output, 1);
  see(ammeter, 0, Verb::measure_current, 1);
  EXPECT_FALSE(present(Cause::output_on_unbidden));
}

// A bench of which the output is never read back.
TEST(AnOutputThatWasNeverRead, is_neither_on_nor_off_unbidden) {  // S3
  Interlock interlock(plan_of(), 0);
  interlock.enforce(cell_limits(), at(0s));
  for (const bool on : {false, true}) {
    Expected expected;
    expected.output_on = on;
    expected.since = at(0s);
    interlock.expect(expected);
    const Verdict verdict = interlock.judge(at(1ms));
    EXPECT_FALSE(names(verdict, Cause::output_on_unbidden));
    EXPECT_FALSE(names(verdict, Cause::output_off_unbidden));
  }
}

// ---- the setpoints ------------------------------------------------------------------------------

TEST_F(Energised, trips_when_someone_turns_a_knob) {  // S3
  struct {
    Verb verb;
    double value;
    bool changed;
  } const cases[] = {
      {Verb::read_voltage_setpoint, 4.2049, false}, {Verb::read_voltage_setpoint, 4.2051, true},
      {Verb::read_voltage_setpoint, 4.1951, false}, {Verb::read_voltage_setpoint, 4.1949, true},
      {Verb::read_voltage_setpoint, nan, true},     {Verb::read_current_setpoint, 2.4049, false},
      {Verb::read_current_setpoint, 2.4051, true},  {Verb::read_current_setpoint, inf, true}};
  for (const auto& c : cases) {
    good_readings();
    see(supply, 0, c.verb, c.value);
    EXPECT_EQ(present(Cause::setpoint_changed), c.changed) << c.value;
  }
}

TEST_F(Energised, judges_no_readback_while_a_change_is_under_way) {  // S3
  Expected changing;
  changing.output_on = true;
  changing.since = drivers::never;
  changing.setpoints_since = drivers::never;
  interlock.expect(changing);
  see(supply, 0, Verb::read_output, 0);
  see(supply, 0, Verb::read_voltage_setpoint, 1.0);
  now += 2s;
  EXPECT_FALSE(present(Cause::output_off_unbidden));
  EXPECT_FALSE(present(Cause::setpoint_changed));
}

TEST_F(Rules, judge_a_setpoint_by_a_readback_that_was_asked_since_it_was_written) {  // S3
  Expected written = interlock.facts().expected;
  written.setpoints_since = now;
  interlock.expect(written);
  interlock.see(outcome(supply, 0, Verb::read_current_setpoint, 9, now - 1ns));
  interlock.see(outcome(supply, 0, Verb::read_voltage_setpoint, 9, now - 1ns));
  EXPECT_FALSE(present(Cause::setpoint_changed));
  interlock.see(outcome(supply, 0, Verb::read_current_setpoint, 2.405, now));
  EXPECT_FALSE(present(Cause::setpoint_changed));
  interlock.see(outcome(supply, 0, Verb::read_current_setpoint, 9, now));
  EXPECT_TRUE(present(Cause::setpoint_changed));
  EXPECT_EQ(found(Cause::setpoint_changed).sensor, subject(Subject::current_setpoint));
  EXPECT_EQ(found(Cause::setpoint_changed).measured, 9);
  EXPECT_EQ(found(Cause::setpoint_changed).limit, 2.4);
}

}  // namespace
}  // namespace chargewright::safety::testing

// What a run, an output or a setpoint begins with, and what is kept from before (S1, S3, S5).
#include <gtest/gtest.h>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

TEST_F(Rules, begin_a_run_with_nothing_that_was_reported_or_begun_before) {  // S5
  interlock.operator_wants_cut(now);
  see(voltmeter, 0, Verb::measure_voltage, 0, Ending::unparsable);
  judge();
  now += 200ms;
  interlock.enforce(limits, now);
  enforce();
  see(voltmeter, 0, Verb::measure_voltage, 0, Ending::unparsable);
  EXPECT_TRUE(judge().within());
  now += 249ms;
  EXPECT_FALSE(present(Cause::reading_unusable));
  now += 1ms;
  EXPECT_TRUE(present(Cause::reading_unusable));
}

TEST_F(Rules, begin_a_run_with_no_current_that_broke_off_before) {  // S3
  pass(300ms, [] {});
  see(ammeter, 0, Verb::measure_current, 2.4);
  now += 100ms;
  see(ammeter, 0, Verb::measure_current, 0);
  ASSERT_TRUE(interlock.facts().flow.broke_off());
  interlock.enforce(limits, now);
  EXPECT_FALSE(interlock.facts().flow.broke_off());
}

TEST_F(Rules, begin_a_run_with_leads_that_never_agreed_yet) {  // S3
  pass(300ms, [] {});
  const auto apart = [&] { see(voltmeter, 0, Verb::measure_voltage, cell_volts - 0.2); };
  apart();
  see(ammeter, 0, Verb::measure_current, amperes);
  ASSERT_EQ(interlock.facts().leads.moved, LeadsWitness::Moved::meter);
  interlock.enforce(limits, now);
  EXPECT_EQ(interlock.facts().leads.moved, LeadsWitness::Moved::nothing_at_once);
  EXPECT_FALSE(interlock.facts().leads.ever);
}

TEST_F(Rules, begin_a_run_with_the_cell_that_is_there_now) {  // S1
  const auto rest_at = [&](double volts) {
    expect_off(now - 1s);
    for (int k = 0; k < 5; ++k) {
      now += 100ms;
      see(voltmeter, 0, Verb::measure_voltage, volts);
    }
    return interlock.facts().resting.leapt();
  };
  enforce();
  EXPECT_FALSE(rest_at(3.70));
  EXPECT_TRUE(rest_at(3.90));
  enforce();
  EXPECT_FALSE(rest_at(3.90));
  interlock.enforce(limits, now);  // while the output stays off
  EXPECT_FALSE(rest_at(3.70));
}

TEST_F(Rules, begin_a_run_with_thermometers_that_follow) {  // S3
  const Body body{.resistance_least = drivers::ohms(0.03),
                  .heat_capacity_most = drivers::joules_per_kelvin(70)};
  interlock.enforce(limits, body, now);
  for (const double shown : {40.0, 40.0, 20.0}) {  // faster than a cell can cool
    now += 1s;
    see(thermometer, 1, Verb::measure_temperature, shown);
  }
  ASSERT_TRUE(interlock.facts().followed[0].behind());
  interlock.enforce(limits, body, now);
  EXPECT_FALSE(interlock.facts().followed[0].behind());
}

// ---- the current --------------------------------------------------------------------------------

TEST_F(Rules, take_no_current_from_before_the_output_went_on_for_one_that_flowed) {  // S3
  expect_off(now);
  now += 1s;
  Expected on = interlock.facts().expected;
  on.output_on = true;
  on.since = now + 100ms;
  on.setpoints_since = now;
  interlock.expect(on);
  see(ammeter, 0, Verb::measure_current, 2.4);
  now += 200ms;
  see(ammeter, 0, Verb::measure_current, 0);
  EXPECT_FALSE(interlock.facts().flow.ever());
  EXPECT_FALSE(interlock.in_doubt());  // as nothing has broken off
}

TEST_F(Rules, take_a_current_for_one_of_the_present_output_from_its_very_moment_on) {  // S3
  interlock.enforce(limits, now);
  Expected on = interlock.facts().expected;
  on.since = on.setpoints_since = now;
  interlock.expect(on);
  EXPECT_FALSE(interlock.facts().flow.ever());
  see(ammeter, 0, Verb::measure_current, 2.4);
  EXPECT_TRUE(interlock.facts().flow.ever());
}

TEST_F(Rules, keep_what_they_know_of_the_current_when_a_setpoint_changes) {  // S3
  pass(300ms, [] {});
  ASSERT_TRUE(interlock.facts().flow.ever());
  Expected lowered = interlock.facts().expected;
  lowered.current_setpoint = 2.0_A;
  lowered.setpoints_since = now;
  interlock.expect(lowered);
  EXPECT_TRUE(interlock.facts().flow.ever());
}

TEST_F(Rules, know_a_capacitor_that_may_be_full_between_two_readings) {  // S3
  for (const bool fast : {false, true}) {
    Body body;
    if (fast) body.fall_time = 10ms;
    interlock = Interlock(plan, 0);
    interlock.enforce(limits, body, now);
    interlock.expect(charging_since(now));
    for (const double current : {2.4, 2.4, 0.0}) {
      now += 100ms;
      see(ammeter, 0, Verb::measure_current, current);
    }
    EXPECT_EQ(interlock.facts().flow.broke_off(), !fast);
  }
}

TEST_F(Rules, take_a_garbled_current_for_no_pause_in_its_fall) {  // S3
  enforce();
  for (const double current : {0.320, 0.159}) {
    now += 100ms;
    see(ammeter, 0, Verb::measure_current, current);
  }
  see(ammeter, 0, Verb::measure_current, 0, Ending::unparsable);
  now += 100ms;
  see(ammeter, 0, Verb::measure_current, 0);
  EXPECT_FALSE(interlock.facts().flow.broke_off());  // 79 mA were due: not clearly there
}

}  // namespace
}  // namespace chargewright::safety::testing

// What a run may take in all: time, charge and energy, and how they are counted (S2). The counting
// by itself: tally_test.cpp.
#include <gtest/gtest.h>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

TEST_F(Energised, trips_on_time_charge_and_energy_beyond_their_limits) {  // S2
  Limits limits = cell_limits();
  limits.run_time = limit(Duration{10s});
  begin_run(limits);
  pass(10s, [] {});
  EXPECT_TRUE(last.within());
  now += 1ns;
  EXPECT_EQ(worst(), Cause::run_time);

  limits = cell_limits();
  limits.step_time = limit(Duration{10s});
  begin_run(limits);
  pass(9s, [] {});
  interlock.step_began(1, now);
  pass(10s, [] {});
  EXPECT_TRUE(last.within());
  pass(100ms, [] {});
  EXPECT_EQ(last.worst.cause, Cause::step_time);
  interlock.step_began(1, now);  // the same step: no new time
  EXPECT_EQ(worst(), Cause::step_time);
  interlock.step_began(2, now);
  EXPECT_TRUE(judge().within());

  limits = cell_limits();
  limits.charge_above = limit(drivers::coulombs(2.4 * 10 + 0.1));
  begin_run(limits);
  pass(10s, [] {});
  EXPECT_TRUE(last.within()) << describe(last.worst);
  pass(200ms, [] {});
  EXPECT_EQ(last.worst.cause, Cause::charge_high);

  limits = cell_limits();
  limits.energy_above = limit(drivers::joules(2.4 * 3.76 * 10 + 0.1));
  begin_run(limits);
  pass(10s, [] {});
  EXPECT_TRUE(last.within()) << describe(last.worst);
  pass(200ms, [] {});
  EXPECT_EQ(last.worst.cause, Cause::energy_high);
}

// Readings and heartbeats that may be an hour old.
class Patient : public Rules {
 protected:
  static ChannelPlan patient() {
    ChannelPlan plan = plan_of({.ammeter = true, .thermometers = 2});
    plan.allowed_age = plan.heartbeat = 10h;
    return plan;
  }
  Patient() : Rules(patient()) {
    limits.run_time = limit(Duration{10s});
    limits.step_time = limit(Duration{8s});
    enforce();
  }
};

TEST_F(Patient, wakes_in_time_for_the_run_and_for_the_step) {  // S2
  judge();
  EXPECT_EQ(interlock.wake(), now + 8s + 1ns);
  now += 3s;
  judge();
  EXPECT_EQ(interlock.wake(), now + 5s + 1ns);
  interlock.step_began(2, now);
  judge();
  EXPECT_EQ(interlock.wake(), now + 7s + 1ns);  // of the run
  now += 7s;
  EXPECT_FALSE(present(Cause::run_time));
  now += 1ns;
  EXPECT_TRUE(present(Cause::run_time));
  EXPECT_NEAR(found(Cause::run_time).measured, 10.0, 1e-6);
}

TEST_F(Patient, counts_no_time_of_the_run_while_the_output_is_off) {  // S2
  now += 3s;
  expect_off(now);
  interlock.step_began(2, now);
  judge();
  EXPECT_EQ(interlock.wake(), now + 8s + 1ns);  // of the step alone
  now += 9s;
  EXPECT_FALSE(present(Cause::run_time));
  EXPECT_TRUE(present(Cause::step_time));
}

TEST_F(Energised, counts_the_time_of_the_run_until_it_is_only_watched) {  // S2 S8
  now += 10s;
  interlock.watch_only(now);
  const Duration counted = interlock.tally().on_time(now);
  EXPECT_GT(counted, 9s);
  EXPECT_EQ(interlock.tally().on_time(now + 1h), counted);
}

TEST_F(Rules, let_a_charge_and_an_energy_stand_that_are_just_their_limits) {  // S2
  limits.charge_above = limit(drivers::coulombs(20));
  limits.energy_above = limit(drivers::joules(80));
  amperes = 2.0;
  cell_volts = 4.0;
  enforce();
  now += 10s;
  good_readings();
  EXPECT_FALSE(present(Cause::charge_high));
  EXPECT_FALSE(present(Cause::energy_high));
  now += 1ms;
  good_readings();
  EXPECT_TRUE(present(Cause::charge_high));
  EXPECT_TRUE(present(Cause::energy_high));
}

TEST_F(Rules, count_charge_and_energy_across_a_gap_as_passed) {  // S2
  limits.charge_above = limit(drivers::coulombs(170));
  limits.energy_above = limit(drivers::joules(620));
  enforce();
  now += 61s;  // 2.4 A: 146.4 C of which nobody knows; at 3.76 V: 550 J
  good_readings();
  EXPECT_FALSE(present(Cause::charge_high));
  EXPECT_FALSE(present(Cause::energy_high));
  now += 11s;  // and 26.4 C that are known; 650 J in all
  good_readings();
  EXPECT_TRUE(present(Cause::charge_high));
  EXPECT_NEAR(found(Cause::charge_high).measured, 172.8, 1e-9);
  EXPECT_TRUE(present(Cause::energy_high));
  EXPECT_NEAR(found(Cause::energy_high).measured, 172.8 * 3.76, 1e-9);
}

// Read once a minute, as a bench may be: two readings are a little more than that apart, and one
// that is garbled doubles it. What flowed is known as long as no reading was too old.
class Slow : public Rules {
 protected:
  static ChannelPlan slow() {
    ChannelPlan plan = plan_of({.ammeter = true, .thermometers = 2});
    plan.every = 60s;
    plan.allowed_age = 5min;
    return plan;
  }
  Slow() : Rules(slow()) {
    amperes = 2.0;
    enforce();
  }
};

TEST_F(Slow, count_what_flows_between_readings_that_are_a_minute_apart) {  // S2
  for (const Duration between : {Duration{61s}, Duration{121s}, Duration{5min}}) {
    const double before = interlock.tally().charge_in().value();
    now += between;
    good_readings();
    const double seconds = drivers::in_seconds(between);
    EXPECT_NEAR(interlock.tally().charge_in().value() - before, 2.0 * seconds, 1e-6);
    EXPECT_EQ(interlock.tally().uncertain().value(), 0);
  }
  now += 5min + 1s;  // and nothing cut
  good_readings();
  EXPECT_NEAR(interlock.tally().uncertain().value(), 2.0 * 301, 1e-6);
}

// 146.4 C that nobody saw, into a capacitor that is nearly empty: 73.2 J.
TEST_F(Rules, take_what_passed_across_a_gap_at_the_voltage_that_the_cell_has) {  // S2
  limits.energy_above = limit(drivers::joules(100));
  cell_volts = 0.5;
  enforce();
  now += 61s;
  good_readings();
  EXPECT_FALSE(present(Cause::energy_high));
}

TEST_F(Rules, lay_no_slope_across_a_setpoint_that_changed) {  // S2
  amperes = 2.0;
  enforce();
  const double before = interlock.tally().charge_in().value();
  Expected lowered = interlock.facts().expected;
  lowered.current_setpoint = 1.0_A;
  lowered.setpoints_since = now + 100ms;
  interlock.expect(lowered);
  interlock.expect(lowered);  // told twice, changed once
  now += 1s;
  see(ammeter, 0, Verb::measure_current, 1.0);
  EXPECT_NEAR(interlock.tally().charge_in().value() - before, 2.0 * 0.1 + 1.0 * 0.9, 1e-9);
  interlock.expect(lowered);
  now += 1s;
  see(ammeter, 0, Verb::measure_current, 1.0);
  EXPECT_NEAR(interlock.tally().charge_in().value() - before, 2.0 * 0.1 + 1.0 * 1.9, 1e-9);
}

TEST_F(Rules, count_no_charge_without_a_voltage_nor_what_a_meter_shows_of_none) {  // S2
  enforce();
  now += 100ms;
  good_readings();
  const double counted = interlock.tally().charge_in().value();
  now += 100ms;
  see(voltmeter, 0, Verb::measure_voltage, 0, Ending::unparsable);
  see(ammeter, 0, Verb::measure_current, 2.4);
  EXPECT_EQ(interlock.tally().charge_in().value(), counted);
  enforce();
  expect_off(now);
  const auto show = [&](double current) {
    for (int k = 0; k < 100; ++k) {
      now += 100ms;
      see(voltmeter, 0, Verb::measure_voltage, cell_volts);
      see(ammeter, 0, Verb::measure_current, current);
    }
    return interlock.tally().charge_in().value();
  };
  EXPECT_EQ(show(0.010), 0);  // its offset
  interlock.watch_only(now);
  EXPECT_EQ(show(1.0), 0);  // of no run
}

// A slow link: what was measured before the output went off is answered after it.
TEST_F(Rules, hold_no_last_sample_through_a_rest) {  // S2
  enforce();
  now += 100ms;
  good_readings();
  expect_off(now);
  now += 100ms;
  see(ammeter, 0, Verb::measure_current, 2.4);
  const double counted = interlock.tally().charge_in().value();
  for (int second = 0; second < 58; ++second) {
    now += 1s;
    see(voltmeter, 0, Verb::measure_voltage, cell_volts);
    see(ammeter, 0, Verb::measure_current, 0);
  }
  Expected on = interlock.facts().expected;  // ordered, not proved yet
  on.output_on = true;
  on.since = drivers::never;
  interlock.expect(on);
  now += 100ms;
  see(ammeter, 0, Verb::measure_current, 0);
  EXPECT_NEAR(interlock.tally().charge_in().value() - counted, 2.4 / 2 * 1, 1e-9);
}

}  // namespace
}  // namespace chargewright::safety::testing

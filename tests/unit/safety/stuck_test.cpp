// Sensors that do not change while power flows (S3): a pair, a thermometer, and what the rule makes
// of them.
#include "safety/stuck.h"

#include <gtest/gtest.h>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

TEST(StuckPair, is_unchanged_since_the_last_digit_of_either_moved_while_current_flowed) {  // S3
  StuckPair pair;
  pair.see(3.70, 2.0, 10, true, at(0s));
  pair.see(3.70, 2.0, 30, true, at(10s));
  EXPECT_EQ(pair.unchanged(), Duration{10s});
  EXPECT_EQ(pair.charge(), 20);
  pair.see(3.71, 2.0, 32, true, at(11s));
  EXPECT_EQ(pair.unchanged(), Duration::zero());
  EXPECT_EQ(pair.charge(), 0);
  pair.see(3.71, 2.0, 34, true, at(12s));
  pair.see(3.71, 2.1, 36, true, at(13s));
  EXPECT_EQ(pair.unchanged(), Duration::zero());
  pair.see(3.71, 2.1, 38, true, at(14s));
  EXPECT_EQ(pair.unchanged(), Duration{1s});
  pair.see(3.71, 2.1, 38, false, at(15s));  // at rest the same digits mean nothing
  EXPECT_EQ(pair.unchanged(), Duration::zero());
  EXPECT_EQ(pair.charge(), 0);
}

TEST(StuckThermometer, is_convicted_when_the_heating_changed_and_it_did_not_move) {  // S3
  StuckThermometer stuck;
  Instant now = at(0s);
  const auto pass = [&](Duration time, double celsius, double amperes) {
    for (const Instant end = now + time; now < end; now += 1s) {
      stuck.see(celsius, amperes, 3.6, 3min, now);
    }
  };
  pass(60min, 25.0, 0);  // an hour of rest: nothing to conclude
  EXPECT_EQ(stuck.unmoved(), Duration::zero());
  pass(31min, 25.0, 7.0);
  EXPECT_GT(stuck.unmoved(), Duration{27min});
  pass(5s, 25.1, 7.0);
  EXPECT_EQ(stuck.unmoved(), Duration::zero());
  pass(5h, 25.1, 7.0);  // steady heat, steady temperature
  EXPECT_EQ(stuck.unmoved(), Duration::zero());
  pass(31min, 25.1, 3.0);  // half the current, a quarter of the heat
  EXPECT_GT(stuck.unmoved(), Duration{30min});
}

TEST(StuckThermometer, is_not_judged_at_currents_that_hardly_warm_a_cell) {  // S3
  StuckThermometer stuck;
  for (int k = 0; k < 20'000; ++k) stuck.see(25.0, k < 1000 ? 0.0 : 1.0, 3.6, 3min, at(k * 1s));
  EXPECT_EQ(stuck.unmoved(), Duration::zero());
}

// Three minutes at 3.6 A or more, and a current that changed by half.
class Heating : public ::testing::Test {
 protected:
  Duration unmoved_after(std::initializer_list<std::pair<Duration, double>> phases) {
    StuckThermometer stuck;
    Instant now = at(0s);
    for (const auto& [length, amperes] : phases) {
      for (const Instant end = now + length; now < end; now += 1s) {
        stuck.see(25, amperes, 3.6, 3min, now);
      }
    }
    return stuck.unmoved();
  }
};

TEST_F(Heating, that_began_and_lasted_makes_a_contrast) {  // S3
  EXPECT_EQ(unmoved_after({{1min, 0}, {3min, 3.6}}), Duration::zero());
  EXPECT_EQ(unmoved_after({{1min, 0}, {3min + 1s, 3.6}}), Duration{1s});
  EXPECT_EQ(unmoved_after({{1min, 0}, {3min + 11s, -3.6}}), Duration{11s});  // discharged
  EXPECT_EQ(unmoved_after({{1min, 0}, {10min, 3.59}}), Duration::zero());
}

TEST_F(Heating, that_fell_by_half_makes_a_contrast_and_by_less_none) {  // S3
  EXPECT_EQ(unmoved_after({{5min, 4.0}, {11s, 2.0}}), Duration{10s});
  EXPECT_EQ(unmoved_after({{5min, 4.0}, {11s, 2.01}}), Duration::zero());
  EXPECT_EQ(unmoved_after({{5min, 4.0}}), Duration::zero());
}

TEST_F(Heating, counts_from_the_thermometers_last_digit) {  // S3
  StuckThermometer stuck;
  for (int k = 0; k < 60; ++k) stuck.see(25, 0, 3.6, 3min, at(1s * k));
  for (int k = 60; k < 300; ++k) stuck.see(25, 4, 3.6, 3min, at(1s * k));
  EXPECT_GT(stuck.unmoved(), Duration::zero());
  stuck.see(25.1, 4, 3.6, 3min, at(300s));
  EXPECT_EQ(stuck.unmoved(), Duration::zero());
  for (int k = 301; k < 900; ++k) stuck.see(25.1, 4, 3.6, 3min, at(1s * k));
  EXPECT_EQ(stuck.unmoved(), Duration::zero());  // no contrast since that digit
}

// ---- the rule: a pair ---------------------------------------------------------------------------

TEST_F(Energised, trips_on_readings_without_one_digit_of_change) {  // S3
  double charge = 0;
  pass(plan.stuck_after, [&] { charge += 0.24; });
  EXPECT_TRUE(last.within());
  // 4 % of 2.64 Ah is 380 C: at 2.4 A it passes within the three minutes.
  pass(1s, [] {});
  EXPECT_EQ(last.worst.cause, Cause::sensor_stuck);
}

TEST_F(Energised, does_not_call_a_constant_current_or_a_constant_voltage_stuck) {  // S3
  pass(400s, [&] {
    cell_volts += 0.00001;
    source_volts += 0.00001;
  });
  EXPECT_TRUE(last.within()) << describe(last.worst);
  pass(400s, [&] { amperes -= 0.0001; });
  EXPECT_TRUE(last.within()) << describe(last.worst);
}

TEST_F(Energised, gives_a_slow_charge_the_time_that_its_voltage_needs_to_move) {  // S3
  amperes = 0.12;  // C/20: 72 C in ten minutes
  source_volts = 3.765;
  pass(600s, [] {});
  EXPECT_TRUE(last.within()) << describe(last.worst);
  pass(3000s, [] {});
  EXPECT_EQ(last.worst.cause, Cause::sensor_stuck);
}

TEST_F(Rules, convict_a_source_that_shows_the_same_digits_beside_a_meter_that_lives) {  // S3
  limits.charge_above.reset();
  enforce();
  pass(plan.stuck_after + 1s, [&] { cell_volts += 1e-5; });
  EXPECT_TRUE(present(Cause::sensor_stuck));
  EXPECT_EQ(found(Cause::sensor_stuck).sensor, subject(Subject::source_voltage));
  enforce();
  pass(plan.stuck_after + 1s, [&] { source_volts += 1e-5; });
  EXPECT_TRUE(present(Cause::sensor_stuck));
  EXPECT_EQ(found(Cause::sensor_stuck).sensor, subject(Subject::pair));
}

class SourceAlone : public Energised {
 protected:
  SourceAlone() : Energised(plan_of({.voltmeter = false, .ammeter = true, .thermometers = 2})) {}
};

TEST_F(SourceAlone, is_stuck_by_its_own_pair_while_the_ammeter_moves) {  // S3
  int k = 0;
  pass(plan.stuck_after + 10min, [&] {
    amperes = 2.4;  // at the source; the ammeter's last digit moves
    see(ammeter, 0, Verb::measure_current, 2.4 + (++k % 2 == 0 ? 0.001 : 0.0));
    celsius = 26 + (k % 3) * 0.1;
    see(thermometer, 1, Verb::measure_temperature, celsius);
    see(thermometer, 2, Verb::measure_temperature, celsius);
  });
  EXPECT_TRUE(names(last, Cause::sensor_stuck));
  EXPECT_EQ(interlock.found(Cause::sensor_stuck).sensor, subject(Subject::source_voltage));
}

TEST_F(Rules, call_a_pair_stuck_that_shows_the_same_current_out_of_the_cell) {  // S3
  limits.charge_above.reset();
  amperes = -0.3;
  source_volts = cell_volts;
  enforce();
  pass(plan.stuck_after + 1s, [] {});
  EXPECT_TRUE(present(Cause::sensor_stuck));
}

// A meter's last digit stands still where there is nothing to show.
TEST_F(Rules, call_nothing_stuck_while_the_current_is_none) {  // S3
  limits.charge_above.reset();
  amperes = 0.020;
  source_volts = cell_volts = 4.18;  // full: the source holds its voltage
  enforce();
  pass(plan.stuck_after + 1s, [] {});
  EXPECT_FALSE(present(Cause::sensor_stuck));
  amperes = 0.0201;
  pass(plan.stuck_after + 1s, [] {});
  EXPECT_TRUE(present(Cause::sensor_stuck));
}

// Below its voltage a source gives the current that it was set to: what reads none is not read.
TEST_F(Rules, call_a_source_stuck_that_shows_no_current_and_not_its_voltage) {  // S2 S3
  limits.charge_above.reset();
  const auto shows = [&](double volts, bool same_digits) {
    enforce();
    amperes = 0;
    source_volts = volts;
    double moves = 0;
    pass(plan.stuck_after + 1s, [&] {
      if (!same_digits) see(supply, 0, Verb::measure_voltage, volts + (moves += 1e-5));
    });
    const bool found = present(Cause::sensor_stuck);
    EXPECT_TRUE(interlock.in_doubt());
    source_volts = 3.80;
    amperes = 2.4;
    return found;
  };
  EXPECT_TRUE(shows(3.78, true));
  // Setpoints that move, and an answer that cannot be read, keep it from nothing.
  enforce();
  amperes = 0;
  source_volts = 3.78;
  for (Duration passed{}; passed < plan.stuck_after + 1s; passed += 10s) {
    pass(10s, [] {});
    Expected moved = interlock.facts().expected;
    now += 1ms;
    moved.setpoints_since = now;
    interlock.expect(moved);
    see(supply, 0, Verb::measure_voltage, source_volts);
    judge();  // the current has yet to come
    see(supply, 0, Verb::measure_current, 0, Ending::unparsable);
    judge();
  }
  pass(100ms, [] {});
  EXPECT_TRUE(present(Cause::sensor_stuck));
  EXPECT_TRUE(shows(3.78, false));
  EXPECT_FALSE(shows(4.18, true));
  // Where hardly any is asked for, none is what there is.
  Expected folded = interlock.facts().expected;
  folded.current_setpoint = 4.0 * plan.off_current;
  enforce();
  interlock.expect(folded);
  amperes = 0;
  pass(plan.stuck_after + 1s, [] {});
  EXPECT_FALSE(present(Cause::sensor_stuck));
}

TEST_F(Rules, call_nothing_stuck_while_the_output_is_off) {  // S3
  limits.charge_above.reset();
  enforce();
  expect_off(now);
  for (int k = 0; k < 3000; ++k) {
    now += 100ms;
    good_readings();
  }
  EXPECT_FALSE(present(Cause::sensor_stuck));
}

TEST_F(Rules, count_the_time_without_a_digit_from_when_the_output_is_on) {  // S3
  limits.charge_above.reset();
  enforce();
  expect_off(now);
  pass(plan.stuck_after + 1s, [] {});  // what flows is not the source's
  Expected on = interlock.facts().expected;
  on.output_on = true;
  on.since = on.setpoints_since = now;
  interlock.expect(on);
  pass(1s, [] {});
  EXPECT_FALSE(present(Cause::sensor_stuck));
}

TEST_F(Rules, begin_the_time_without_a_digit_anew_with_each_run) {  // S3
  limits.charge_above.reset();
  enforce();
  pass(plan.stuck_after - 10s, [] {});
  enforce();
  pass(plan.stuck_after - 10s, [] {});
  EXPECT_FALSE(present(Cause::sensor_stuck));
  pass(11s, [] {});
  EXPECT_TRUE(present(Cause::sensor_stuck));
}

// ---- the rule: a thermometer --------------------------------------------------------------------

TEST_F(Rules, convict_a_thermometer_that_stands_still_ten_times_as_long_as_a_pair) {  // S3
  plan.stuck_after = 10s;
  limits.current_above = limit(4.0_A);
  limits.charge_above.reset();
  interlock = Interlock(plan, 0);
  amperes = 0.1;
  enforce();
  const auto alive = [&] {
    cell_volts += 1e-6;
    source_volts += 1e-6;
    celsius += 0.0001;  // the second one lives
  };
  pass(5s, alive);
  amperes = 2.4;  // more than half of what is allowed
  pass(10s, alive);
  const Instant contrast = now;
  pass(99s, alive);
  EXPECT_FALSE(present(Cause::sensor_stuck));
  pass(3s, alive);
  EXPECT_TRUE(present(Cause::sensor_stuck));
  EXPECT_EQ(found(Cause::sensor_stuck).sensor, 0);
  EXPECT_EQ(found(Cause::sensor_stuck).limit, 100);
  EXPECT_LE(now - contrast, 103s);
}

TEST_F(Rules, convict_no_thermometer_below_half_of_the_current_that_is_allowed) {  // S3
  plan.stuck_after = 10s;
  limits.current_above = limit(4.0_A);
  limits.charge_above.reset();
  const auto stuck_at = [&](double rest, double heavy) {
    interlock = Interlock(plan, 0);
    const auto alive = [&] {
      cell_volts += 1e-6;
      source_volts += 1e-6;
      celsius += 0.0001;
    };
    amperes = rest;
    enforce();
    if (rest == 0) expect_off(now);
    pass(5s, alive);
    amperes = heavy;
    if (rest == 0) {
      Expected on = interlock.facts().expected;
      on.output_on = true;
      on.since = on.setpoints_since = now;
      interlock.expect(on);
    }
    pass(115s, alive);
    return present(Cause::sensor_stuck);
  };
  EXPECT_FALSE(stuck_at(0.1, 1.9));
  EXPECT_TRUE(stuck_at(0.1, 2.1));
  enforce();  // and of the run before nothing is held against it
  EXPECT_FALSE(present(Cause::sensor_stuck));
  limits.current_above = limit(3.0_A);
  EXPECT_TRUE(stuck_at(0, 1.9));  // nothing flowed while the output was off
}

// By 0.2 K it takes 5.8 A in the end, and 1.1 A.
TEST_F(Rules, convict_no_thermometer_of_a_cell_that_its_current_hardly_warms) {  // S3
  plan.stuck_after = 10s;
  limits.current_above = limit(4.0_A);
  limits.charge_above.reset();
  const auto stuck_on = [&](const Body& body) {
    interlock = Interlock(plan, 0);
    const auto alive = [&] {
      cell_volts += 1e-6;
      source_volts += 1e-6;
      celsius += 0.0001;
    };
    amperes = 0.1;
    interlock.enforce(limits, body, now);
    interlock.expect(charging_since(now));
    pass(5s, alive);
    amperes = 2.4;
    pass(115s, alive);
    return present(Cause::sensor_stuck);
  };
  EXPECT_FALSE(stuck_on({3.0_mohm, drivers::joules_per_kelvin(150)}));
  EXPECT_TRUE(stuck_on({30.0_mohm, drivers::joules_per_kelvin(50)}));
  EXPECT_TRUE(stuck_on({}));  // not known: it may
}

}  // namespace
}  // namespace chargewright::safety::testing

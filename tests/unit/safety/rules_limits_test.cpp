// Voltage, current, power and temperature beyond their limits: just outside, at which of two
// places, and after which on-delay (S2). What passed in all and how long it took:
// rules_totals_test.cpp.
#include <gtest/gtest.h>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

struct Boundary {
  drivers::InstrumentId instrument;
  std::uint8_t channel;
  Verb verb;
  double inside, on, outside;
  Cause cause;
};

TEST_F(Energised, trips_just_outside_each_limit_and_neither_on_it_nor_inside) {  // S2
  const Boundary cases[] = {
      {voltmeter, 0, Verb::measure_voltage, 4.2499, 4.25, 4.2501, Cause::voltage_high},
      {voltmeter, 0, Verb::measure_voltage, 2.5001, 2.50, 2.4999, Cause::voltage_low},
      // At the source: limit + what the leads drop (2.4 A * 20 mohm) + 30 mV.
      {supply, 0, Verb::measure_voltage, 4.3279, 4.328, 4.3281, Cause::voltage_high},
      {ammeter, 0, Verb::measure_current, 7.1999, 7.2, 7.2001, Cause::current_high},
      {supply, 0, Verb::measure_current, 7.1999, 7.2, 7.2001, Cause::current_high},
      {ammeter, 0, Verb::measure_current, -0.4999, -0.5, -0.5001, Cause::current_reverse},
      {supply, 0, Verb::measure_current, -0.4999, -0.5, -0.5001, Cause::current_reverse},
      {thermometer, 1, Verb::measure_temperature, 47.9, 48.0, 48.1, Cause::temperature_high},
      {thermometer, 2, Verb::measure_temperature, 47.9, 48.0, 48.1, Cause::temperature_high},
      {thermometer, 1, Verb::measure_temperature, 5.1, 5.0, 4.9, Cause::temperature_low},
      {thermometer, 2, Verb::measure_temperature, 5.1, 5.0, 4.9, Cause::temperature_low},
  };
  for (const Boundary& c : cases) {
    see(c.instrument, c.channel, c.verb, c.inside);
    EXPECT_FALSE(present(c.cause)) << key_of(c.cause) << " inside";
    see(c.instrument, c.channel, c.verb, c.on);
    EXPECT_FALSE(present(c.cause)) << key_of(c.cause) << " on " << c.on;
    see(c.instrument, c.channel, c.verb, c.outside);
    EXPECT_TRUE(present(c.cause)) << key_of(c.cause) << " outside";
    good_readings();
    EXPECT_FALSE(present(c.cause));
  }
}

TEST_F(Rules, judge_nothing_that_has_no_limit) {  // S2
  limits = Limits{};
  limits.voltage_above = limit(100.0_V);
  enforce();
  see(voltmeter, 0, Verb::measure_voltage, 0.5);
  see(ammeter, 0, Verb::measure_current, 90);
  see(supply, 0, Verb::measure_current, -90);
  see(thermometer, 1, Verb::measure_temperature, -60);
  see(thermometer, 2, Verb::measure_temperature, 300);
  for (const Cause cause : {Cause::voltage_low, Cause::current_high, Cause::current_reverse,
                            Cause::power_high, Cause::temperature_high, Cause::temperature_low}) {
    EXPECT_FALSE(present(cause)) << key_of(cause);
  }
  now += 100h;
  for (const Cause cause : {Cause::run_time, Cause::step_time}) EXPECT_FALSE(present(cause));
}

TEST_F(Rules, judge_no_reading_that_the_newest_answer_made_unusable) {  // S2
  const struct {
    drivers::InstrumentId instrument;
    std::uint8_t channel;
    Verb verb;
    double beyond;
    Cause cause;
  } cases[] = {{voltmeter, 0, Verb::measure_voltage, 4.3, Cause::voltage_high},
               {voltmeter, 0, Verb::measure_voltage, 2.4, Cause::voltage_low},
               {voltmeter, 0, Verb::measure_voltage, -0.2, Cause::polarity_reversed},
               {ammeter, 0, Verb::measure_current, 7.3, Cause::current_high},
               {supply, 0, Verb::measure_current, 7.3, Cause::current_high},
               {ammeter, 0, Verb::measure_current, -0.6, Cause::current_reverse},
               {supply, 0, Verb::measure_current, -0.6, Cause::current_reverse},
               {voltmeter, 0, Verb::measure_voltage, 20, Cause::power_high},
               {ammeter, 0, Verb::measure_current, 9, Cause::power_high},
               {thermometer, 2, Verb::measure_temperature, 60, Cause::temperature_high},
               {thermometer, 2, Verb::measure_temperature, 0, Cause::temperature_low}};
  for (const auto& c : cases) {
    see(c.instrument, c.channel, c.verb, c.beyond);
    EXPECT_TRUE(present(c.cause)) << key_of(c.cause);
    see(c.instrument, c.channel, c.verb, 0, Ending::unparsable);
    EXPECT_FALSE(present(c.cause)) << key_of(c.cause);
    good_readings();
  }
}

TEST_F(Rules, take_a_cell_for_reversed_below_what_its_limits_bear) {  // S1
  const auto reversed_at = [&](double volts) {
    see(voltmeter, 0, Verb::measure_voltage, volts);
    return present(Cause::polarity_reversed);
  };
  EXPECT_FALSE(reversed_at(-0.1));  // an empty capacitor may read some millivolts either side
  EXPECT_TRUE(reversed_at(-0.1001));
  EXPECT_EQ(found(Cause::polarity_reversed).limit, -0.1);
  EXPECT_EQ(found(Cause::polarity_reversed).measured, -0.1001);
  limits.voltage_below.reset();
  enforce();
  EXPECT_FALSE(reversed_at(-0.1));
  EXPECT_TRUE(reversed_at(-0.1001));
  limits.voltage_below = limit(drivers::volts(-0.5));
  enforce();
  EXPECT_FALSE(reversed_at(-0.5));
  EXPECT_TRUE(reversed_at(-0.5001));
}

TEST_F(Energised, judges_the_power_of_the_latest_pair) {  // S2
  see(voltmeter, 0, Verb::measure_voltage, 4.2);
  see(ammeter, 0, Verb::measure_current, 7.14);  // 29.99 W
  EXPECT_FALSE(present(Cause::power_high));
  see(ammeter, 0, Verb::measure_current, 7.15);  // 30.03 W
  EXPECT_TRUE(present(Cause::power_high));
}

TEST_F(Rules, let_a_power_stand_that_is_just_its_limit) {  // S2
  limits.power_above = limit(8.0_W);
  enforce();
  see(voltmeter, 0, Verb::measure_voltage, 4.0);
  see(ammeter, 0, Verb::measure_current, 2.0);
  EXPECT_FALSE(present(Cause::power_high));
  see(ammeter, 0, Verb::measure_current, 2.0001);
  EXPECT_TRUE(present(Cause::power_high));
  EXPECT_EQ(found(Cause::power_high).sensor, subject(Subject::pair));
}

// ---- at which of two places ---------------------------------------------------------------------

// A supply alone: its reading is the cell's.
class SupplyAlone : public Energised {
 protected:
  SupplyAlone() : Energised(plan_of({.voltmeter = false, .thermometers = 0})) {}
};

TEST_F(SupplyAlone, judges_the_sources_reading_as_the_cells) {  // S2
  EXPECT_TRUE(judge().within());
  see(supply, 0, Verb::measure_voltage, 4.26);
  EXPECT_EQ(worst(), Cause::voltage_high);
}

TEST_F(Rules, bear_at_the_source_what_the_leads_drop_and_nothing_where_current_flows_out) {  // S2
  amperes = 0.5;  // 10 mV
  good_readings();
  see(supply, 0, Verb::measure_voltage, 4.2899);
  EXPECT_FALSE(present(Cause::voltage_high));
  see(supply, 0, Verb::measure_voltage, 4.2901);
  EXPECT_TRUE(present(Cause::voltage_high));
  EXPECT_NEAR(found(Cause::voltage_high).limit, 4.25 + 0.010 + 0.030, 1e-12);
  amperes = -0.4;
  good_readings();
  see(supply, 0, Verb::measure_voltage, 4.2799);
  EXPECT_FALSE(present(Cause::voltage_high));
  see(supply, 0, Verb::measure_voltage, 4.2801);
  EXPECT_TRUE(present(Cause::voltage_high));
}

TEST_F(Rules, judge_the_source_by_readings_of_the_present_output_and_setpoints_only) {  // S2
  see(supply, 0, Verb::measure_voltage, 4.6);
  EXPECT_TRUE(present(Cause::voltage_high));
  Expected expected = interlock.facts().expected;
  expected.setpoints_since = now + 1ns;
  interlock.expect(expected);
  EXPECT_FALSE(present(Cause::voltage_high));
  expected.setpoints_since = now;
  interlock.expect(expected);
  EXPECT_TRUE(present(Cause::voltage_high));
  expected.since = now + 1ns;
  interlock.expect(expected);
  EXPECT_FALSE(present(Cause::voltage_high));
  see(supply, 0, Verb::measure_voltage, 0, Ending::unparsable);
  expected.since = now;
  interlock.expect(expected);
  EXPECT_FALSE(present(Cause::voltage_high));
  good_readings();
  see(supply, 0, Verb::measure_voltage, 4.6);
  expect_off(now);
  EXPECT_FALSE(present(Cause::voltage_high));
}

TEST_F(Energised, names_the_cells_own_voltage_where_both_places_are_beyond) {  // S2
  cell_volts = 4.31;
  source_volts = 4.50;
  pass(100ms, [] {});
  EXPECT_EQ(last.worst.cause, Cause::voltage_high);
  EXPECT_EQ(last.worst.sensor, subject(Subject::cell_voltage));
}

TEST_F(Rules, name_the_place_that_trips_sooner) {  // S5
  Limits profile;
  profile.voltage_above = limit(4.22_V, Origin::profile, 1s);
  profile.current_above = limit(6.0_A, Origin::profile, 1s);
  profile.current_reverse = limit(0.1_A, Origin::profile, 1s);
  tighten(limits, profile);
  enforce();
  see(voltmeter, 0, Verb::measure_voltage, 4.23);
  see(supply, 0, Verb::measure_voltage, 4.33);
  EXPECT_TRUE(present(Cause::voltage_high));
  EXPECT_EQ(found(Cause::voltage_high).sensor, subject(Subject::source_voltage));
  see(ammeter, 0, Verb::measure_current, 6.1);
  see(supply, 0, Verb::measure_current, 7.3);
  EXPECT_TRUE(present(Cause::current_high));
  EXPECT_EQ(found(Cause::current_high).sensor, subject(Subject::source_current));
  EXPECT_EQ(found(Cause::current_high).measured, 7.3);
  see(ammeter, 0, Verb::measure_current, -0.2);
  see(supply, 0, Verb::measure_current, -0.6);
  EXPECT_TRUE(present(Cause::current_reverse));
  EXPECT_EQ(found(Cause::current_reverse).sensor, subject(Subject::source_current));
  EXPECT_EQ(found(Cause::current_reverse).measured, 0.6);
  see(ammeter, 0, Verb::measure_current, -0.7);
  EXPECT_TRUE(present(Cause::current_reverse));
  EXPECT_EQ(found(Cause::current_reverse).sensor, subject(Subject::cell_current));
  EXPECT_EQ(found(Cause::current_reverse).measured, 0.7);
  // Equally soon: the cell's own.
  see(ammeter, 0, Verb::measure_current, 7.3);
  see(supply, 0, Verb::measure_current, 7.4);
  EXPECT_EQ(found(Cause::current_high).sensor, subject(Subject::cell_current));
}

TEST_F(Rules, name_the_thermometer_that_is_worst) {  // S5
  const auto worst_of = [&](Cause cause, double first, double second) {
    see(thermometer, 1, Verb::measure_temperature, first);
    see(thermometer, 2, Verb::measure_temperature, second);
    return found(cause).sensor;
  };
  EXPECT_EQ(worst_of(Cause::temperature_high, 49, 50), 1);
  EXPECT_EQ(worst_of(Cause::temperature_high, 50, 49), 0);
  EXPECT_EQ(worst_of(Cause::temperature_high, 50, 50), 0);
  EXPECT_EQ(worst_of(Cause::temperature_low, 4, 3), 1);
  EXPECT_EQ(worst_of(Cause::temperature_low, 3, 4), 0);
  EXPECT_EQ(worst_of(Cause::temperature_low, 3, 3), 0);
}

TEST_F(Rules, name_the_thermometer_that_rises_fastest) {  // S5
  const auto fastest = [&](double first, double second) {
    enforce();
    double warm = 20, warmer = 20;
    interlock = Interlock(plan, 0);
    enforce();
    for (int k = 0; k < 400; ++k) {
      now += 100ms;
      see(thermometer, 1, Verb::measure_temperature, warm += first / 600);
      see(thermometer, 2, Verb::measure_temperature, warmer += second / 600);
    }
    EXPECT_TRUE(present(Cause::temperature_rising));
    return found(Cause::temperature_rising).sensor;
  };
  EXPECT_EQ(fastest(5, 6), 1);
  EXPECT_EQ(fastest(6, 5), 0);
  EXPECT_EQ(fastest(5, 5), 0);
  limits.temperature_rising->value =
      drivers::kelvins_per_second(interlock.facts().rises[0].kelvins_per_second());
  interlock.enforce(limits, now);
  EXPECT_FALSE(present(Cause::temperature_rising));  // just its limit
}

TEST_F(Energised, trips_on_a_temperature_that_rises_too_fast) {  // S2
  pass(70s, [&] {
    celsius += 1.9 / 600;  // 1.9 K/min
    cell_volts += 0.00001;
  });
  EXPECT_TRUE(last.within()) << describe(last.worst);
  pass(70s, [&] { celsius += 2.6 / 600; });
  EXPECT_EQ(last.worst.cause, Cause::temperature_rising);
  EXPECT_EQ(last.worst.sensor, 1);
}

// ---- after which on-delay -----------------------------------------------------------------------

TEST_F(Energised, waits_the_on_delay_of_a_limit) {  // S2
  Limits limits = cell_limits();
  limits.voltage_above->on_delay = 1s;
  begin_run(limits);
  const auto high = [&] {
    see(voltmeter, 0, Verb::measure_voltage, 4.3);
    see(supply, 0, Verb::measure_voltage, 4.3);
  };
  pass(1s, high);
  EXPECT_TRUE(last.within());
  pass(100ms, high);
  EXPECT_EQ(last.worst.cause, Cause::voltage_high);
}

TEST_F(Rules, bear_what_stands_just_on_the_limit_behind_an_on_delay) {  // S2
  Limits profile;
  profile.voltage_above = limit(4.22_V, Origin::profile, 1s);
  profile.voltage_below = limit(3.00_V, Origin::profile, 1s);
  tighten(limits, profile);
  enforce();
  for (const double volts : {4.25, 2.50}) {
    see(voltmeter, 0, Verb::measure_voltage, volts);
    EXPECT_TRUE(judge().within()) << volts;
    good_readings();
    judge();
  }
  see(voltmeter, 0, Verb::measure_voltage, 4.2501);
  EXPECT_TRUE(present(Cause::voltage_high));
  see(voltmeter, 0, Verb::measure_voltage, 2.4999);
  EXPECT_TRUE(present(Cause::voltage_low));
}

TEST_F(Energised, does_not_bear_for_an_on_delay_what_another_limit_forbids_at_once) {  // S2
  Limits limits = cell_limits();
  Limits profile;
  profile.voltage_above = limit(4.22_V, Origin::profile, 1s);
  tighten(limits, profile);
  begin_run(limits);
  const auto stands_at = [&](double volts) {
    return [&, volts] {
      see(voltmeter, 0, Verb::measure_voltage, volts);
      see(supply, 0, Verb::measure_voltage, volts);
    };
  };
  pass(500ms, stands_at(4.24));
  EXPECT_TRUE(last.within());
  pass(100ms, stands_at(4.26));
  EXPECT_EQ(last.worst.cause, Cause::voltage_high);
  EXPECT_DOUBLE_EQ(last.worst.limit, 4.25);
  EXPECT_EQ(last.worst.origin, static_cast<std::uint8_t>(Origin::cell));
}

TEST_F(Rules, hold_at_the_source_too_what_trips_at_once_behind_an_on_delay) {  // S2
  Limits profile;
  profile.voltage_above = limit(4.22_V, Origin::profile, 1s);
  tighten(limits, profile);
  enforce();
  // 2.4 A through 20 mohm, and 30 mV: 78 mV more at the source.
  see(supply, 0, Verb::measure_voltage, 4.327);
  EXPECT_FALSE(present(Cause::voltage_high));
  EXPECT_EQ(interlock.wake(), now + 500ms + 1ns);  // nothing sooner than a reading's age
  see(supply, 0, Verb::measure_voltage, 4.329);
  EXPECT_TRUE(present(Cause::voltage_high));
  EXPECT_NEAR(found(Cause::voltage_high).limit, 4.328, 1e-12);
  EXPECT_EQ(found(Cause::voltage_high).origin, static_cast<std::uint8_t>(Origin::cell));
}

class Below : public Energised {
 protected:
  static Limits limits() {
    Limits limits = cell_limits();
    limits.voltage_below = limit(2.50_V, Origin::profile, 5s);
    limits.voltage_below->at_once = AtOnce<drivers::Volts>{2.00_V, Origin::cell};
    return limits;
  }
  Below() : Energised(plan_of({.ammeter = true, .thermometers = 2}), limits()) {}
};

TEST_F(Below, trips_at_once_by_the_outer_limit_and_by_the_inner_one_after_its_time) {  // S2
  cell_volts = source_volts = 2.30;
  pass(4s, [] {});
  EXPECT_FALSE(names(last, Cause::voltage_low));
  cell_volts = source_volts = 1.99;
  pass(100ms, [] {});
  EXPECT_TRUE(names(last, Cause::voltage_low));
  EXPECT_EQ(interlock.found(Cause::voltage_low).limit, 2.00);
}

}  // namespace
}  // namespace chargewright::safety::testing

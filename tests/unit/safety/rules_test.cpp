// The rules of an interlock where they are easily got wrong: which of two places has the word, what
// counts as read, and when it would find something new by itself (S2, S3, S6).
#include "safety/rules.h"

#include <gtest/gtest.h>

#include <cmath>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

class Rules : public Energised {
 protected:
  Rules() : Rules(plan_of({.ammeter = true, .thermometers = 2})) {}
  explicit Rules(const ChannelPlan& p, const Limits& l = cell_limits())
      : Energised(p, l), limits(l) {}
  // Begins anew with the limits as they are now.
  void enforce(Instant since) {
    interlock.enforce(limits, now);
    interlock.expect(charging_since(since));
    good_readings();
  }
  void enforce() { enforce(now); }
  void expect_off(Instant since) {
    Expected off;
    off.output_on = false;
    off.since = since;
    interlock.expect(off);
  }
  Fault found(Cause cause) {
    judge();
    return interlock.found(cause);
  }
  Limits limits;
};

// ---- limits -------------------------------------------------------------------------------------

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

TEST_F(Energised, names_the_cells_own_voltage_where_both_places_are_beyond) {  // S2
  cell_volts = 4.31;
  source_volts = 4.50;
  pass(100ms, [] {});
  EXPECT_EQ(last.worst.cause, Cause::voltage_high);
  EXPECT_EQ(last.worst.sensor, subject(Subject::cell_voltage));
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

// 146.4 C that nobody saw, into a capacitor that is nearly empty: 73.2 J.
TEST_F(Rules, take_what_passed_across_a_gap_at_the_voltage_that_the_cell_has) {  // S2
  limits.energy_above = limit(drivers::joules(100));
  cell_volts = 0.5;
  enforce();
  now += 61s;
  good_readings();
  EXPECT_FALSE(present(Cause::energy_high));
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

// ---- when it would find something by itself -----------------------------------------------------

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

TEST_F(Rules, wake_when_the_sequencer_would_be_late) {  // S6
  const Instant alive = now;
  now += 700ms;
  good_readings();
  // What else is due has been renewed; this has not.
  Interlock late(plan, 0);
  late.enforce(limits, alive);
  EXPECT_FALSE(names(late.judge(alive + plan.heartbeat), Cause::sequencer_late));
  EXPECT_TRUE(names(late.judge(alive + plan.heartbeat + 1ns), Cause::sequencer_late));
  ChannelPlan slow = plan;
  slow.allowed_age = 10h;
  Interlock waiting(slow, 0);
  waiting.enforce(limits, alive);
  Expected none;
  waiting.expect(none);
  for (const auto& [id, channel, verb] :
       {std::tuple{supply, 0, Verb::measure_voltage},
        std::tuple{voltmeter, 0, Verb::measure_voltage},
        std::tuple{supply, 0, Verb::measure_current}, std::tuple{ammeter, 0, Verb::measure_current},
        std::tuple{thermometer, 1, Verb::measure_temperature},
        std::tuple{thermometer, 2, Verb::measure_temperature}}) {
    waiting.see(outcome(id, static_cast<std::uint8_t>(channel), verb, 3, alive));
  }
  waiting.judge(alive + 100ms);
  EXPECT_EQ(waiting.wake(), alive + plan.heartbeat + 1ns);
}

// ---- unknown is not safe ------------------------------------------------------------------------

TEST_F(Rules, name_what_is_no_number_before_what_may_be_the_line) {  // S3
  see(voltmeter, 0, Verb::measure_voltage, 0, Ending::unparsable);
  see(thermometer, 2, Verb::measure_temperature, 0, Ending::not_a_number);
  EXPECT_TRUE(present(Cause::reading_unusable));
  EXPECT_EQ(found(Cause::reading_unusable).sensor, 1);
  good_readings();
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::unparsable);
  see(supply, 0, Verb::measure_current, 0, Ending::infinite);
  EXPECT_TRUE(present(Cause::reading_unusable));
  EXPECT_EQ(found(Cause::reading_unusable).sensor, subject(Subject::source_current));
  good_readings();
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::not_a_number);
  see(supply, 0, Verb::measure_current, 0, Ending::infinite);
  EXPECT_EQ(found(Cause::reading_unusable).sensor, 0);  // equally bad: the first
}

TEST_F(Rules, name_the_oldest_of_what_is_stale) {  // S3
  const Instant seen = now;
  now = seen + 100ms;
  see(voltmeter, 0, Verb::measure_voltage, 3.76);
  now = seen + 200ms;
  see(thermometer, 1, Verb::measure_temperature, 25);
  now = seen + 650ms;
  EXPECT_TRUE(present(Cause::reading_stale));
  const Fault stale = found(Cause::reading_stale);
  EXPECT_EQ(stale.sensor, 1);  // the second thermometer: the first of those last read at `seen`
  EXPECT_NEAR(stale.measured, 0.65, 1e-9);
  now = seen + 1s;
  good_readings();
  const Instant again = now;
  now = again + 100ms;
  see(thermometer, 1, Verb::measure_temperature, 25);
  see(thermometer, 2, Verb::measure_temperature, 25);
  now = again + 650ms;
  EXPECT_EQ(found(Cause::reading_stale).sensor, subject(Subject::cell_voltage));
}

TEST_F(Rules, demand_each_readback_that_the_source_has) {  // S3
  const struct {
    Verb verb;
    Subject subject;
  } cases[] = {{Verb::read_output, Subject::output},
               {Verb::read_protection, Subject::protection},
               {Verb::read_voltage_setpoint, Subject::voltage_setpoint},
               {Verb::read_current_setpoint, Subject::current_setpoint}};
  const Ages ages(plan);
  EXPECT_EQ(ages.readback, Duration{5 * 500ms + 8 * 100ms});
  const auto renew_but = [&](std::optional<Verb> but) {
    measured_readings();
    const double values[] = {1, 0, 4.20, 2.4};
    for (std::size_t k = 0; k < 4; ++k) {
      if (cases[k].verb != but) see(supply, 0, cases[k].verb, values[k]);
    }
    interlock.sequencer_alive(now);
  };
  for (const auto& c : cases) {
    good_readings();
    const Instant seen = now;
    now = seen + ages.readback;
    renew_but(c.verb);
    EXPECT_TRUE(judge().within()) << describe(judge().worst);
    EXPECT_EQ(interlock.wake(), now + 1ns);
    now += 1ns;
    EXPECT_EQ(worst(), Cause::reading_stale);
    EXPECT_EQ(found(Cause::reading_stale).sensor, subject(c.subject));
  }
}

TEST_F(Rules, take_a_readback_from_before_the_run_for_one_from_its_beginning) {  // S3
  now += 10s;
  interlock.enforce(limits, now);
  good_readings();
  now += 10s;
  interlock.enforce(limits, now);  // the readbacks are ten seconds old
  const Instant began = now;
  now = began + Ages(plan).readback;
  EXPECT_FALSE(found(Cause::reading_stale).sensor == subject(Subject::output));
  now += 1h;
  // Everything is stale by now; of nothing is more than the time of this run told.
  judge();
  EXPECT_LE(found(Cause::reading_stale).measured, 3600 + 20.0);
}

TEST_F(Rules, demand_no_readback_that_the_source_lacks) {  // S3
  plan.abilities.reads_output = false;
  plan.abilities.reads_protection = false;
  plan.abilities.reads_setpoints = false;
  interlock = Interlock(plan, 0);
  enforce();
  for (int k = 0; k < 200; ++k) {
    now += 100ms;
    measured_readings();
    interlock.sequencer_alive(now);
    ASSERT_TRUE(judge().within()) << describe(judge().worst);
  }
}

// ---- health -------------------------------------------------------------------------------------

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

// A line that garbles every third answer, and an on-delay of a second.
TEST_F(Rules, let_no_garbled_answer_begin_an_on_delay_anew) {  // S2 S3
  limits.temperature_below->value = 5.0_degC;
  const auto delayed = [](auto& limit) { limit->on_delay = 1s; };
  delayed(limits.voltage_above);
  delayed(limits.voltage_below);
  delayed(limits.current_above);
  delayed(limits.current_reverse);
  delayed(limits.power_above);
  delayed(limits.temperature_above);
  delayed(limits.temperature_below);
  const struct {
    Cause cause;
    drivers::InstrumentId instrument;
    std::uint8_t channel;
    Verb verb;
    double beyond;
    double inside;
  } cases[] = {
      {Cause::voltage_high, voltmeter, 0, Verb::measure_voltage, 4.3, 3.76},
      {Cause::voltage_high, supply, 0, Verb::measure_voltage, 4.6, 3.8},
      {Cause::voltage_low, voltmeter, 0, Verb::measure_voltage, 2.4, 3.76},
      {Cause::current_high, ammeter, 0, Verb::measure_current, 7.3, 2.4},
      {Cause::current_high, supply, 0, Verb::measure_current, 7.3, 2.4},
      {Cause::current_reverse, ammeter, 0, Verb::measure_current, -0.6, 2.4},
      {Cause::current_reverse, supply, 0, Verb::measure_current, -0.6, 2.4},
      {Cause::power_high, ammeter, 0, Verb::measure_current, 8.1, 2.4},
      {Cause::power_high, voltmeter, 0, Verb::measure_voltage, 13.0, 3.76},
      {Cause::temperature_high, thermometer, 1, Verb::measure_temperature, 49, 25},
      {Cause::temperature_high, thermometer, 2, Verb::measure_temperature, 49, 25},
      {Cause::temperature_low, thermometer, 2, Verb::measure_temperature, 4, 25},
  };
  for (const auto& c : cases) {
    enforce();
    int reading = 0;
    bool tripped = false;
    const auto garbled_now_and_then = [&](double value) {
      return [&, value] {
        const bool garbled = ++reading % 3 == 0;
        see(c.instrument, c.channel, c.verb, value, garbled ? Ending::unparsable : Ending::done);
      };
    };
    const auto trips_within = [&](Duration time, double value) {
      for (const Instant end = now + time; now < end && !tripped;) {
        pass(100ms, garbled_now_and_then(value));
        tripped = last.present.test(static_cast<std::size_t>(c.cause));
      }
      return tripped;
    };
    const int line = static_cast<int>(&c - cases);
    EXPECT_FALSE(trips_within(1s, c.beyond)) << key_of(c.cause) << line;
    EXPECT_FALSE(trips_within(300ms, c.inside)) << key_of(c.cause) << line;
    EXPECT_FALSE(trips_within(1s, c.beyond)) << key_of(c.cause) << line;  // begun anew
    EXPECT_TRUE(trips_within(300ms, c.beyond)) << key_of(c.cause) << line;
  }
}

// Every second answer: a good one comes well within the time that one garbled answer is borne.
TEST_F(Rules, let_no_garbled_answer_begin_anew_what_health_waits_for) {  // S3
  int reading = 0;
  const auto see_every_second = [&](drivers::InstrumentId instrument, std::uint8_t channel,
                                    Verb verb, double value) {
    const bool garbled = ++reading % 2 == 0;
    see(instrument, channel, verb, value, garbled ? Ending::unparsable : Ending::done);
  };
  const auto trips = [&](Cause cause, drivers::InstrumentId instrument, std::uint8_t channel,
                         Verb verb, double value) {
    bool tripped = false;
    for (int k = 0; k < 7 && !tripped; ++k) {
      pass(100ms, [&] { see_every_second(instrument, channel, verb, value); });
      tripped = last.present.test(static_cast<std::size_t>(cause));
    }
    return tripped;
  };
  celsius = 10;  // from 26, at once
  EXPECT_TRUE(trips(Cause::sensor_off_cell, thermometer, 2, Verb::measure_temperature, 10));

  // A lead is off: the source stands at its voltage, and there is no current.
  source_volts = 4.20;
  cell_volts = 3.5;
  amperes = 0;
  enforce();
  EXPECT_TRUE(trips(Cause::circuit_open, ammeter, 0, Verb::measure_current, 0));
  enforce();
  EXPECT_TRUE(trips(Cause::circuit_open, supply, 0, Verb::measure_voltage, 4.20));
  enforce();
  EXPECT_TRUE(trips(Cause::circuit_open, voltmeter, 0, Verb::measure_voltage, 3.5));

  expect_off(now - 600ms);
  see(supply, 0, Verb::read_output, 0);
  bool unbidden = false;
  for (int k = 0; k < 7; ++k) {
    now += 100ms;
    see_every_second(ammeter, 0, Verb::measure_current, 1);
    unbidden = unbidden || present(Cause::output_on_unbidden);
  }
  EXPECT_TRUE(unbidden);
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

TEST_F(Rules, find_two_ammeters_apart_by_fresh_readings_of_the_present_setpoints) {  // S3
  const auto apart = [&] {
    pass(2100ms, [&] { see(ammeter, 0, Verb::measure_current, 2.3); });
    return names(last, Cause::readings_disagree);
  };
  EXPECT_TRUE(apart());
  EXPECT_EQ(found(Cause::readings_disagree).measured, 2.4);
  EXPECT_EQ(found(Cause::readings_disagree).limit, 2.3);
  EXPECT_EQ(found(Cause::readings_disagree).sensor, subject(Subject::cell_current));
  pass(100ms, [] {});
  EXPECT_FALSE(present(Cause::readings_disagree));
}

// A doubt that began is over when the output is off: what is apart then says nothing of leads.
TEST_F(Rules, doubt_no_readings_of_an_output_that_is_off) {  // S3
  for (const bool meter : {true, false}) {
    enforce();
    pass(500ms, [] {});
    EXPECT_FALSE(interlock.in_doubt());
    pass(500ms, [&] {
      if (meter) see(voltmeter, 0, Verb::measure_voltage, cell_volts - 0.2);
      if (!meter) see(supply, 0, Verb::measure_voltage, source_volts + 0.2);
    });
    EXPECT_TRUE(interlock.in_doubt());
    expect_off(now);
    judge();
    EXPECT_FALSE(interlock.in_doubt());
  }
}

// The plan's voltmeters may disagree by 31.25 mV, and there is no lead to speak of.
class Exactly : public Rules {
 protected:
  static ChannelPlan exact() {
    ChannelPlan plan = plan_of({.ammeter = true, .thermometers = 2});
    plan.loop_resistance = drivers::ohms(0);
    plan.voltage_disagreement = drivers::volts(0.03125);
    plan.current_disagreement = drivers::amperes(0.125);
    return plan;
  }
  Exactly() : Rules(exact()) {}
  bool doubted() {
    good_readings();
    judge();
    return interlock.in_doubt();
  }
};

TEST_F(Exactly, bear_a_setpoint_that_reads_as_far_off_as_it_may) {  // S3
  plan.setpoint_voltage_tolerance = drivers::volts(0.0625);
  interlock = Interlock(plan, 0);
  enforce();
  Expected written = interlock.facts().expected;
  written.voltage_setpoint = 4.25_V;
  interlock.expect(written);
  see(supply, 0, Verb::read_voltage_setpoint, 4.3125);
  EXPECT_FALSE(present(Cause::setpoint_changed));
  see(supply, 0, Verb::read_voltage_setpoint, 4.3126);
  EXPECT_TRUE(present(Cause::setpoint_changed));
}

TEST_F(Exactly, take_a_full_cell_for_connected_as_long_as_its_meter_may_agree) {  // S3
  amperes = 0;
  cell_volts = 4.1875;
  source_volts = 4.21875;
  enforce();
  EXPECT_FALSE(doubted());
  source_volts = 4.22;
  EXPECT_TRUE(doubted());
}

TEST_F(Exactly, bear_meters_that_are_as_far_apart_as_they_may_be) {  // S3
  cell_volts = 3.75;
  amperes = 2.5;
  for (const double apart : {0.03125, -0.03125}) {
    source_volts = cell_volts + apart;
    EXPECT_FALSE(doubted()) << apart;
    source_volts = cell_volts + 1.01 * apart;
    EXPECT_TRUE(doubted()) << apart;
  }
  source_volts = cell_volts;
  for (const double apart : {0.125, -0.125}) {
    good_readings();
    see(ammeter, 0, Verb::measure_current, amperes + apart);
    judge();
    EXPECT_FALSE(interlock.in_doubt()) << apart;
    see(ammeter, 0, Verb::measure_current, amperes + 1.01 * apart);
    judge();
    EXPECT_TRUE(interlock.in_doubt()) << apart;
  }
}

// ---- one run after the other, one setpoint after the other
// ----------------------------------------

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

TEST_F(Rules, keep_what_they_know_of_the_current_when_a_setpoint_changes) {  // S3
  pass(300ms, [] {});
  ASSERT_TRUE(interlock.facts().flow.ever());
  Expected lowered = interlock.facts().expected;
  lowered.current_setpoint = 2.0_A;
  lowered.setpoints_since = now;
  interlock.expect(lowered);
  EXPECT_TRUE(interlock.facts().flow.ever());
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

// ---- a cell that rests --------------------------------------------------------------------------

// Readings of a cell at rest: two at 3.70 V, then one that differs by so much.
class Resting : public Rules {
 protected:
  explicit Resting(drivers::Volts disagreement = 30.0_mV) {
    plan.voltage_disagreement = disagreement;
  }
  bool leaps(double by, drivers::Volts disagreement, Duration first = 500ms) {
    plan.voltage_disagreement = disagreement;
    interlock = Interlock(plan, 0);
    interlock.enforce(limits, now);
    expect_off(now);
    const Instant off = now;
    for (const auto& reading : {std::pair{0ms, 3.70}, {100ms, 3.70}, {200ms, 3.70 + by}}) {
      now = off + first + reading.first;
      see(voltmeter, 0, Verb::measure_voltage, reading.second);
    }
    return interlock.facts().resting.leapt();
  }
};

TEST_F(Resting, is_one_from_half_a_second_after_the_off_on) {  // S1
  EXPECT_TRUE(leaps(0.1, 30.0_mV, 500ms));
  EXPECT_FALSE(leaps(0.1, 30.0_mV, 500ms - 1ns));  // only two readings are of its rest
}

TEST_F(Resting, may_wander_by_what_meters_disagree_by_and_by_20_mV_at_the_least) {  // S1
  EXPECT_FALSE(leaps(0.029, 30.0_mV));
  EXPECT_TRUE(leaps(0.031, 30.0_mV));
  EXPECT_FALSE(leaps(0.019, 5.0_mV));
  EXPECT_TRUE(leaps(0.021, 5.0_mV));
}

TEST_F(Resting, is_compared_with_its_own_rest_before_and_with_no_charge) {  // S1
  const auto show = [&](double volts) {
    now += 100ms;
    see(voltmeter, 0, Verb::measure_voltage, volts);
    return interlock.facts().resting.leapt();
  };
  EXPECT_FALSE(leaps(0, 30.0_mV));
  expect_off(now - 1s);  // told again: it rests on
  EXPECT_TRUE(show(3.90));
  EXPECT_FALSE(show(3.70));
  Expected on;
  on.output_on = true;
  on.since = on.setpoints_since = now - 1s;
  interlock.expect(on);
  for (const double volts : {3.70, 3.70, 3.95, 3.95}) EXPECT_FALSE(show(volts));
  expect_off(now - 1s);
  for (const double volts : {3.90, 3.90}) EXPECT_FALSE(show(volts));
  EXPECT_TRUE(show(3.70));
}

// ---- thermometers that do not follow
// --------------------------------------------------------------

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

// A meter's last digit stands still where there is nothing to show.
TEST_F(Rules, call_nothing_stuck_while_the_current_is_none) {  // S3
  limits.charge_above.reset();
  amperes = 0.020;
  source_volts = cell_volts = 4.0;  // no open circuit either: it is far from the setpoint
  enforce();
  pass(plan.stuck_after + 1s, [] {});
  EXPECT_FALSE(present(Cause::sensor_stuck));
  amperes = 0.0201;
  pass(plan.stuck_after + 1s, [] {});
  EXPECT_TRUE(present(Cause::sensor_stuck));
}

TEST_F(Rules, call_a_pair_stuck_that_shows_the_same_current_out_of_the_cell) {  // S3
  limits.charge_above.reset();
  amperes = -0.3;
  source_volts = cell_volts;
  enforce();
  pass(plan.stuck_after + 1s, [] {});
  EXPECT_TRUE(present(Cause::sensor_stuck));
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

}  // namespace
}  // namespace chargewright::safety::testing

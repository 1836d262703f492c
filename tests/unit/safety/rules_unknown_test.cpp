// Unknown is not safe: readings that are no number, that are too old, or that never came (S2, S3).
#include <gtest/gtest.h>

#include <limits>
#include <optional>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();
constexpr double inf = std::numeric_limits<double>::infinity();

TEST_F(Energised, judges_every_reading_that_is_no_number_before_any_limit) {  // S2
  struct {
    drivers::InstrumentId instrument;
    std::uint8_t channel;
    Verb verb;
    double good;
  } const sensors[] = {{voltmeter, 0, Verb::measure_voltage, 3.76},
                       {supply, 0, Verb::measure_voltage, 3.80},
                       {ammeter, 0, Verb::measure_current, 2.4},
                       {supply, 0, Verb::measure_current, 2.4},
                       {thermometer, 1, Verb::measure_temperature, 25},
                       {thermometer, 2, Verb::measure_temperature, 25}};
  for (const auto& s : sensors) {
    for (const double bad : {nan, inf, -inf, 1e9, -1e9}) {
      see(s.instrument, s.channel, s.verb, bad);
      EXPECT_EQ(worst(), Cause::reading_unusable) << bad;
      see(s.instrument, s.channel, s.verb, s.good);
      EXPECT_TRUE(judge().within());
    }
    for (const Ending ending : {Ending::not_a_number, Ending::infinite}) {
      see(s.instrument, s.channel, s.verb, 0, ending);
      EXPECT_EQ(worst(), Cause::reading_unusable);
      see(s.instrument, s.channel, s.verb, s.good);
      EXPECT_TRUE(judge().within());
    }
  }
}

TEST_F(Energised, shows_what_a_value_that_is_no_measurement_is) {  // S2
  for (const auto& [value, validity] : {std::pair{nan, drivers::Validity::not_a_number},
                                        {inf, drivers::Validity::infinite},
                                        {-inf, drivers::Validity::infinite},
                                        {1e9, drivers::Validity::infinite}}) {
    see(voltmeter, 0, Verb::measure_voltage, value);
    EXPECT_EQ(interlock.voltage().validity, validity) << value;
    EXPECT_EQ(interlock.voltage().value, cell_volts);
  }
  see(voltmeter, 0, Verb::measure_voltage, 1e9, Ending::unparsable);
  EXPECT_EQ(interlock.voltage().validity, drivers::Validity::unparsable);
}

TEST_F(Energised, takes_a_value_that_no_bench_can_show_for_an_open_sensor) {  // S2
  const struct {
    drivers::InstrumentId instrument;
    std::uint8_t channel;
    Verb verb;
    double last, beyond;
  } cases[] = {{voltmeter, 0, Verb::measure_voltage, 2000, 2000.1},
               {voltmeter, 0, Verb::measure_voltage, -2000, -2000.1},
               {ammeter, 0, Verb::measure_current, 5000, 5000.1},
               {ammeter, 0, Verb::measure_current, -5000, -5000.1},
               {thermometer, 1, Verb::measure_temperature, 500, 500.1},
               {thermometer, 1, Verb::measure_temperature, -100, -100.1}};
  for (const auto& c : cases) {
    see(c.instrument, c.channel, c.verb, c.last);
    EXPECT_FALSE(present(Cause::reading_unusable)) << c.last;
    see(c.instrument, c.channel, c.verb, c.beyond);
    EXPECT_TRUE(present(Cause::reading_unusable)) << c.beyond;
    good_readings();
  }
}

TEST_F(Energised, takes_one_garbled_answer_for_the_line_and_more_for_a_fault) {  // S3
  see(voltmeter, 0, Verb::measure_voltage, 0, Ending::unparsable);
  EXPECT_TRUE(judge().within());
  EXPECT_EQ(interlock.wake(), now + 250ms);  // half of the allowed age
  now += 249ms;
  EXPECT_FALSE(present(Cause::reading_unusable));
  now += 1ms;
  EXPECT_TRUE(present(Cause::reading_unusable));
}

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

// ---- too old ------------------------------------------------------------------------------------

TEST_F(Energised, trips_on_each_reading_older_than_its_allowed_age) {  // S3
  const auto all_but = [&](int skipped) {
    int k = 0;
    const auto see_unless = [&](drivers::InstrumentId i, std::uint8_t c, Verb v, double value) {
      if (k++ != skipped) see(i, c, v, value);
    };
    see_unless(voltmeter, 0, Verb::measure_voltage, 3.76);
    see_unless(supply, 0, Verb::measure_voltage, 3.80);
    see_unless(ammeter, 0, Verb::measure_current, 2.4);
    see_unless(supply, 0, Verb::measure_current, 2.4);
    see_unless(thermometer, 1, Verb::measure_temperature, 25);
    see_unless(thermometer, 2, Verb::measure_temperature, 26);
    interlock.sequencer_alive(now);
  };
  const std::uint8_t subjects[] = {subject(Subject::cell_voltage),
                                   subject(Subject::source_voltage),
                                   subject(Subject::cell_current),
                                   subject(Subject::source_current),
                                   0,
                                   1};
  for (int skipped = 0; skipped < 6; ++skipped) {
    good_readings();
    const Instant seen = now;
    now = seen + 400ms;
    all_but(skipped);
    now = seen + plan.allowed_age;
    EXPECT_TRUE(judge().within()) << skipped;
    EXPECT_EQ(interlock.wake(), now + 1ns);
    now += 1ns;
    const Fault fault = judge().worst;
    EXPECT_EQ(fault.cause, Cause::reading_stale) << skipped;
    EXPECT_EQ(fault.sensor, subjects[skipped]);
    EXPECT_NEAR(fault.limit, 0.5, 1e-12);
  }
}

TEST_F(Energised, trips_on_a_sensor_that_was_never_seen) {  // S3
  Interlock fresh(plan, 0);
  fresh.enforce(cell_limits(), now);
  EXPECT_EQ(fresh.judge(now).worst.cause, Cause::reading_stale);
}

TEST_F(Energised, does_not_take_an_answer_that_never_came_for_a_reading) {  // S3
  for (const Ending ending : {Ending::timed_out, Ending::link_down, Ending::device_error,
                              Ending::absent, Ending::refused, Ending::disproved}) {
    good_readings();
    const Instant seen = now;
    now += 400ms;
    good_readings();
    for (; now < seen + 1s; now += 100ms) {
      see(voltmeter, 0, Verb::measure_voltage, 3.7, ending);
      see(supply, 0, Verb::measure_voltage, 3.80);
      see(ammeter, 0, Verb::measure_current, 2.4);
      see(supply, 0, Verb::measure_current, 2.4);
      see(thermometer, 1, Verb::measure_temperature, 25);
      see(thermometer, 2, Verb::measure_temperature, 26);
    }
    EXPECT_FALSE(judge().within()) << static_cast<int>(ending);
    good_readings();
  }
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

// ---- readbacks ----------------------------------------------------------------------------------

TEST_F(Energised, trips_on_a_readback_that_is_not_renewed) {  // S3
  const Instant seen = now;
  const Ages ages(plan);
  while (now <= seen + ages.readback) {
    EXPECT_TRUE(judge().within());
    now += 100ms;
    measured_readings();
    see(supply, 0, Verb::read_output, 1, Ending::timed_out);
    see(supply, 0, Verb::read_output, 1, Ending::unparsable);
    interlock.sequencer_alive(now);
  }
  EXPECT_EQ(worst(), Cause::reading_stale);
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

}  // namespace
}  // namespace chargewright::safety::testing

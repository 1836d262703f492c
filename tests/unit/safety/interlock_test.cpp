// One channel's verdicts (S2, S3, S6): every cause by boundary tables and by its own story.
#include "safety/interlock.h"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();
constexpr double inf = std::numeric_limits<double>::infinity();

TEST_F(Energised, is_within_while_all_is_good) {
  EXPECT_TRUE(judge().within());
  pass(60s, [] {});
  EXPECT_TRUE(last.within()) << describe(last.worst);
}

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

TEST_F(Energised, judges_the_power_of_the_latest_pair) {  // S2
  see(voltmeter, 0, Verb::measure_voltage, 4.2);
  see(ammeter, 0, Verb::measure_current, 7.14);  // 29.99 W
  EXPECT_FALSE(present(Cause::power_high));
  see(ammeter, 0, Verb::measure_current, 7.15);  // 30.03 W
  EXPECT_TRUE(present(Cause::power_high));
}

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

TEST_F(Energised, finds_a_conversation_failing_at_the_third_time_out_in_a_row) {  // S3
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  EXPECT_TRUE(judge().within());
  see(thermometer, 1, Verb::measure_temperature, 25);
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  EXPECT_TRUE(judge().within());
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  EXPECT_EQ(worst(), Cause::conversation_failing);
  EXPECT_EQ(judge().worst.limit, 3);
}

TEST_F(Energised, finds_a_conversation_failing_however_long_it_has) {  // S3
  for (int k = 1; k < 600; ++k) {
    see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
    ASSERT_EQ(present(Cause::conversation_failing), k >= 3) << k;
  }
}

TEST_F(Energised, takes_any_answer_for_a_conversation_and_no_word_of_its_own_for_one) {  // S3
  const auto after = [&](Ending ending) {
    for (int k = 0; k < 3; ++k) {
      see(supply, 0, Verb::read_regulation, 0, Ending::timed_out);
    }
    interlock.link(supply, false);
    EXPECT_TRUE(present(Cause::conversation_failing));
    see(supply, 0, Verb::read_regulation, 0, ending);
    return present(Cause::conversation_failing);
  };
  for (const Ending answered : {Ending::done, Ending::disproved, Ending::device_error,
                                Ending::unparsable, Ending::not_a_number, Ending::infinite}) {
    EXPECT_FALSE(after(answered)) << static_cast<int>(answered);
    now += 250ms;  // and the link counts as up
    EXPECT_FALSE(present(Cause::conversation_failing)) << static_cast<int>(answered);
  }
  for (const Ending ours : {Ending::refused, Ending::absent}) {
    EXPECT_TRUE(after(ours)) << static_cast<int>(ours);
  }
}

TEST_F(Energised, takes_a_link_for_down_by_the_first_order_that_finds_it_so) {  // S3
  see(supply, 0, Verb::read_regulation, 0, Ending::link_down);
  EXPECT_FALSE(present(Cause::conversation_failing));
  EXPECT_EQ(interlock.wake(), now + 250ms);
  now += 250ms;
  EXPECT_TRUE(present(Cause::conversation_failing));
  EXPECT_EQ(interlock.found(Cause::conversation_failing).measured, supply);
  interlock.link(voltmeter, true);  // of another
  EXPECT_TRUE(present(Cause::conversation_failing));
  interlock.link(supply, true);
  EXPECT_FALSE(present(Cause::conversation_failing));
}

TEST_F(Energised, begins_a_conversation_anew_where_its_link_comes_up) {  // S3
  see(supply, 0, Verb::read_regulation, 0, Ending::timed_out);
  see(supply, 0, Verb::read_regulation, 0, Ending::timed_out);
  interlock.link(supply, true);
  see(supply, 0, Verb::read_regulation, 0, Ending::timed_out);
  EXPECT_TRUE(judge().within());
}

TEST_F(Energised, names_a_lost_link_before_its_readings_are_stale) {  // S3
  interlock.link(voltmeter, false);
  EXPECT_TRUE(judge().within());
  now += 249ms;
  EXPECT_TRUE(judge().within());
  now += 1ms;
  EXPECT_EQ(worst(), Cause::conversation_failing);
  interlock.link(voltmeter, true);
  EXPECT_TRUE(judge().within());
}

TEST(EveryInstrument, of_a_channel_is_missed_when_its_link_is_lost) {  // S3
  const ChannelPlan plan = plan_of({.ammeter = true, .contactor = true});
  for (const auto instrument : {supply, voltmeter, thermometer, ammeter, contactor}) {
    Interlock interlock(plan, 0);
    interlock.enforce(cell_limits(), at(0s));
    interlock.link(instrument, false);
    interlock.judge(at(1ms));
    const Verdict verdict = interlock.judge(at(300ms));
    EXPECT_TRUE(names(verdict, Cause::conversation_failing));
    EXPECT_EQ(interlock.found(Cause::conversation_failing).measured, instrument);
  }
}

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

TEST_F(Energised, trips_when_the_output_went_off_by_itself) {  // S3
  pass(900ms, [&] { see(supply, 0, Verb::read_output, 0); });
  EXPECT_EQ(last.worst.cause, Cause::output_off_unbidden);
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

TEST_F(Energised, trips_when_source_and_meter_disagree_for_longer_than_the_delay) {  // S3
  // 2.4 A * 20 mohm * 1.5 + 30 mV = 102 mV
  pass(10s, [&] { see(supply, 0, Verb::measure_voltage, 3.76 + 0.101); });
  EXPECT_TRUE(last.within()) << describe(last.worst);
  pass(1900ms, [&] { see(supply, 0, Verb::measure_voltage, 3.76 + 0.103); });
  EXPECT_TRUE(last.within());
  pass(300ms, [&] { see(supply, 0, Verb::measure_voltage, 3.76 + 0.103); });
  EXPECT_EQ(last.worst.cause, Cause::readings_disagree);
}

TEST_F(Energised, trips_when_the_source_reads_less_than_the_cell) {  // S3
  pass(3s, [&] { see(supply, 0, Verb::measure_voltage, 3.76 - 0.029); });
  EXPECT_TRUE(last.within());
  pass(3s, [&] { see(supply, 0, Verb::measure_voltage, 3.76 - 0.031); });
  EXPECT_EQ(last.worst.cause, Cause::readings_disagree);
}

TEST_F(Energised, trips_on_disagreement_though_its_setpoints_move_all_the_time) {  // S3
  const auto off = [&] { see(supply, 0, Verb::measure_voltage, 3.76 + 0.2); };
  pass(3s, [] {});
  Expected expected = interlock.facts().expected;
  for (int k = 0; k < 6; ++k) {
    pass(200ms, off);
    EXPECT_TRUE(last.within());
    expected.setpoints_since = drivers::never;
    interlock.expect(expected);
    pass(100ms, off);
    expected.setpoints_since = now;
    interlock.expect(expected);
  }
  pass(400ms, off);
  EXPECT_EQ(last.worst.cause, Cause::readings_disagree);
}

TEST_F(Energised, trips_when_two_ammeters_disagree) {  // S3
  pass(3s, [&] { see(ammeter, 0, Verb::measure_current, 2.449); });
  EXPECT_TRUE(last.within());
  pass(3s, [&] { see(ammeter, 0, Verb::measure_current, 2.451); });
  EXPECT_EQ(last.worst.cause, Cause::readings_disagree);
}

TEST_F(Energised, starts_the_delay_anew_when_the_condition_was_gone_between) {
  for (int k = 0; k < 5; ++k) {
    pass(1500ms, [&] { see(supply, 0, Verb::measure_voltage, 4.1); });
    pass(100ms, [] {});
    EXPECT_TRUE(last.within());
  }
}

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

TEST_F(Energised, trips_when_the_sequencer_is_late) {  // S6
  const Instant alive = now;
  for (; now <= alive + plan.heartbeat; now += 100ms) {
    measured_readings();
    EXPECT_TRUE(judge().within());
  }
  EXPECT_EQ(worst(), Cause::sequencer_late);
}

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

TEST_F(Energised, holds_a_rise_that_is_not_known_for_still_there) {  // S5
  Interlock next_life(plan, 0);
  const Fault trip{.cause = Cause::temperature_rising, .limit = 2.0 / 60};
  next_life.watch_only(now);
  const auto watch = [&](Duration time) {
    for (const Instant end = now + time; now < end; now += 500ms) {
      next_life.see(outcome(thermometer, 1, Verb::measure_temperature, 25, now));
      next_life.see(outcome(thermometer, 2, Verb::measure_temperature, 26, now));
    }
  };
  watch(10s);
  EXPECT_FALSE(next_life.condition_gone(trip, now));
  watch(40s);
  EXPECT_TRUE(next_life.condition_gone(trip, now));
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

TEST_F(Energised, holds_a_voltage_seen_at_the_source_alone_against_the_source) {  // S5
  source_volts = 4.60;  // the meter's leads came off: it goes on reading 3.76 V
  good_readings();
  const Verdict verdict = judge();
  ASSERT_EQ(verdict.worst.cause, Cause::voltage_high);
  ASSERT_EQ(verdict.worst.sensor, subject(Subject::source_voltage));
  interlock.watch_only(now);
  EXPECT_FALSE(interlock.condition_gone(verdict.worst, now));
  now += 100ms;
  source_volts = 4.10;
  good_readings();
  EXPECT_TRUE(interlock.condition_gone(verdict.worst, now));
  now += 60s;  // and then nobody knows
  see(voltmeter, 0, Verb::measure_voltage, cell_volts);
  EXPECT_FALSE(interlock.condition_gone(verdict.worst, now));
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

TEST_F(Energised, counts_the_time_of_the_run_until_it_is_only_watched) {  // S2 S8
  now += 10s;
  interlock.watch_only(now);
  const Duration counted = interlock.tally().on_time(now);
  EXPECT_GT(counted, 9s);
  EXPECT_EQ(interlock.tally().on_time(now + 1h), counted);
}

TEST_F(Energised, doubts_nothing_while_it_only_watches) {  // S3 S8
  see(voltmeter, 0, Verb::measure_voltage, 3.0);
  judge();
  ASSERT_TRUE(interlock.in_doubt());
  interlock.watch_only(now);
  EXPECT_FALSE(interlock.in_doubt());
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

}  // namespace
}  // namespace chargewright::safety::testing

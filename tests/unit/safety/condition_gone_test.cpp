// What an acknowledgement needs besides the person, cause by cause (S5): known to be gone, and
// every thermometer within its limit. What can be measured but is not known counts as present.
#include <gtest/gtest.h>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

Fault trip_of(Cause cause, std::uint8_t sensor = subject(Subject::none), double limit = 0) {
  return {.cause = cause, .sensor = sensor, .limit = limit};
}

// A channel with everything apart, that has tripped and is watched.
class Gone : public ::testing::Test {
 protected:
  Gone() { make({.ammeter = true, .contactor = true, .thermometers = 2}); }
  void make(const Fittings& fittings, SourceAbilities abilities = {}) {
    ChannelPlan plan = plan_of(fittings);
    plan.abilities = abilities;
    interlock.emplace(plan, 0);
    interlock->enforce(cell_limits(), now);
    interlock->watch_only(now);
  }
  void read(drivers::InstrumentId instrument, Verb verb, double value, std::uint8_t channel = 0,
            Ending ending = Ending::done) {
    interlock->see(outcome(instrument, channel, verb, value, now, ending));
  }
  void read_temperatures(double first, double second) {
    read(thermometer, Verb::measure_temperature, first, 1);
    read(thermometer, Verb::measure_temperature, second, 2);
  }
  bool gone(const Fault& trip) const { return interlock->condition_gone(trip, now); }
  // Until every reading is too old.
  void pass() { now += 1h; }

  Instant now = at(0s);
  std::optional<Interlock> interlock;
};

// Nothing of the bench has read yet, nor has the output been read back: a person's word is enough.
TEST_F(Gone, is_a_cause_that_cannot_last_with_the_output_off) {  // S5
  for (const Cause cause :
       {Cause::operator_cut,      Cause::guard_internal,     Cause::dead_man_lost,
        Cause::polarity_reversed, Cause::cell_changed,       Cause::current_high,
        Cause::current_reverse,   Cause::power_high,         Cause::voltage_low,
        Cause::charge_high,       Cause::energy_high,        Cause::run_time,
        Cause::step_time,         Cause::protection_tripped, Cause::output_off_unbidden,
        Cause::setpoint_changed,  Cause::circuit_open,       Cause::leads_loose,
        Cause::readings_disagree, Cause::sensor_off_cell,    Cause::sensor_stuck,
        Cause::sequencer_late}) {
    EXPECT_TRUE(gone(trip_of(cause))) << key_of(cause);
  }
  EXPECT_TRUE(gone(trip_of(Cause::none)));  // of a former life whose cause is not known any more
}

TEST_F(Gone, is_a_temperature_when_every_thermometer_is_fresh_and_inside) {
  const Fault high = trip_of(Cause::temperature_high, 0, 48);
  EXPECT_FALSE(gone(high));  // none has read
  read_temperatures(30, 49);
  EXPECT_FALSE(gone(high));
  read_temperatures(30, 47);
  EXPECT_TRUE(gone(high));
  const Fault low = trip_of(Cause::temperature_low, 0, 5);
  EXPECT_TRUE(gone(low));
  read_temperatures(30, 4);
  EXPECT_FALSE(gone(low));
  read_temperatures(30, 6);
  pass();
  EXPECT_FALSE(gone(low));
}

TEST_F(Gone, is_what_stands_just_on_its_limit) {  // S5
  read_temperatures(30, 48);                      // the limit of the run, too
  EXPECT_TRUE(gone(trip_of(Cause::temperature_high, 0, 48)));
  EXPECT_TRUE(gone(trip_of(Cause::operator_cut)));
  read_temperatures(30, 5);
  EXPECT_TRUE(gone(trip_of(Cause::temperature_low, 0, 5)));
  for (int k = 0; k < 120; ++k) {
    now += 500ms;
    read_temperatures(30, 30 + 0.01 * k);
  }
  const double rise = interlock->facts().rises[1].kelvins_per_second();
  ASSERT_GT(rise, 0);
  EXPECT_TRUE(gone(trip_of(Cause::temperature_rising, 1, rise)));
  make({});
  read(thermometer, Verb::measure_temperature, 30, 1);
  read(voltmeter, Verb::measure_voltage, 4.0);
  read(supply, Verb::measure_voltage, 4.30);
  EXPECT_TRUE(gone(trip_of(Cause::voltage_high, subject(Subject::source_voltage), 4.30)));
}

TEST_F(Gone, is_a_high_voltage_at_the_cell_whatever_the_source_reads) {  // S5
  make({});
  read(voltmeter, Verb::measure_voltage, 4.0);  // and the source has not read
  EXPECT_TRUE(gone(trip_of(Cause::voltage_high, subject(Subject::cell_voltage), 4.25)));
}

// A trip of a former life, whose bench had one thermometer more.
TEST_F(Gone, is_a_failed_sensor_that_is_not_there_any_more_when_every_instrument_answers) {  // S5
  read_temperatures(30, 30);
  EXPECT_TRUE(gone(trip_of(Cause::reading_stale, 2)));
  interlock->link(thermometer, false);
  EXPECT_FALSE(gone(trip_of(Cause::reading_stale, 2)));
}

TEST_F(Gone, is_nothing_while_any_thermometer_reads_above_its_limit) {
  read_temperatures(30, 49);
  EXPECT_FALSE(gone(trip_of(Cause::operator_cut)));
  read(thermometer, Verb::measure_temperature, 0, 2, Ending::not_a_number);
  EXPECT_TRUE(gone(trip_of(Cause::operator_cut)));  // unknown is not above, and not this cause
}

TEST_F(Gone, is_a_rise_when_each_is_known_to_rise_no_faster) {
  const Fault rising = trip_of(Cause::temperature_rising, 0, 1.0 / 60);
  read_temperatures(30, 30);
  EXPECT_FALSE(gone(rising));  // one reading is no rise
  for (int k = 0; k < 120; ++k) {
    now += 500ms;
    read_temperatures(30, 30 + 0.05 * k);
  }
  EXPECT_FALSE(gone(rising));  // 6 K a minute
  for (int k = 0; k < 240; ++k) {
    now += 500ms;
    read_temperatures(30, 36);
  }
  EXPECT_TRUE(gone(rising));
}

TEST_F(Gone, is_a_high_voltage_when_the_cell_reads_inside) {
  const Fault high = trip_of(Cause::voltage_high, subject(Subject::cell_voltage), 4.25);
  EXPECT_FALSE(gone(high));  // a meter at the cell that has not read: not known
  read(voltmeter, Verb::measure_voltage, 4.26);
  EXPECT_FALSE(gone(high));
  read(voltmeter, Verb::measure_voltage, 4.25);
  EXPECT_TRUE(gone(high));
  pass();
  EXPECT_FALSE(gone(high));
}

// Beyond what stands behind an on-delay, or what the source is allowed for its leads: back inside
// that, a cell is not back inside its limit.
TEST_F(Gone, is_what_tripped_beyond_a_looser_bound_when_it_is_inside_the_limit_itself) {  // S5
  make({});
  read(supply, Verb::measure_voltage, 3.7);
  for (const auto sensor : {Subject::cell_voltage, Subject::source_voltage}) {
    const Fault high = trip_of(Cause::voltage_high, subject(sensor), 4.40);
    read(voltmeter, Verb::measure_voltage, 4.26);  // of 4.25 V
    EXPECT_FALSE(gone(high));
    read(voltmeter, Verb::measure_voltage, 4.25);
    EXPECT_TRUE(gone(high));
  }
  const Fault low = trip_of(Cause::temperature_low, 0, 2);  // of 5 degC
  read(thermometer, Verb::measure_temperature, 4.9, 1);
  EXPECT_FALSE(gone(low));
  read(thermometer, Verb::measure_temperature, 5, 1);
  EXPECT_TRUE(gone(low));
  const Fault rising = trip_of(Cause::temperature_rising, 0, 1);  // of 2 K a minute
  for (int k = 0; k < 120; ++k) {
    now += 500ms;
    read(thermometer, Verb::measure_temperature, 5 + 0.02 * k, 1);
  }
  EXPECT_FALSE(gone(rising));
  for (int k = 0; k < 120; ++k) {
    now += 500ms;
    read(thermometer, Verb::measure_temperature, 7.4 + 0.01 * k, 1);
  }
  EXPECT_TRUE(gone(rising));
}

TEST(GoneUnlimited, is_by_the_trips_own_limit_where_no_other_is_known) {  // S5
  Interlock interlock(plan_of(), 0);                                      // no run yet in this life
  interlock.watch_only(at(0s));
  const auto gone = [&](Cause cause, double limit) {
    return interlock.condition_gone(trip_of(cause, 0, limit), at(0s));
  };
  interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 20, at(0s)));
  EXPECT_FALSE(gone(Cause::temperature_low, 21));
  EXPECT_TRUE(gone(Cause::temperature_low, 20));
  interlock.see(outcome(voltmeter, 0, Verb::measure_voltage, 4.3, at(0s)));
  EXPECT_FALSE(gone(Cause::voltage_high, 4.29));
  EXPECT_TRUE(gone(Cause::voltage_high, 4.3));
  interlock = Interlock(plan_of(), 0);
  for (int s = -60; s <= 0; ++s) {  // 3 K a minute
    interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 20 + 0.05 * s,
                          at(std::chrono::seconds(s))));
  }
  EXPECT_FALSE(gone(Cause::temperature_rising, 0.04));
  EXPECT_TRUE(gone(Cause::temperature_rising, 0.06));
}

TEST_F(Gone, is_a_high_voltage_that_cannot_be_measured_through_an_open_contactor) {
  const Fault high = trip_of(Cause::voltage_high, subject(Subject::cell_voltage), 4.25);
  make({.voltmeter = false, .contactor = true});
  EXPECT_TRUE(gone(high));
  make({.voltmeter = false});
  EXPECT_FALSE(gone(high));
}

TEST_F(Gone, is_a_high_voltage_of_the_source_when_source_and_cell_read_inside) {
  const Fault high = trip_of(Cause::voltage_high, subject(Subject::source_voltage), 4.30);
  make({});
  read(voltmeter, Verb::measure_voltage, 3.7);
  EXPECT_FALSE(gone(high));  // the source has not read
  read(supply, Verb::measure_voltage, 4.31);
  EXPECT_FALSE(gone(high));
  read(supply, Verb::measure_voltage, 3.7);
  EXPECT_TRUE(gone(high));
  make({.contactor = true});  // open: the source sees no cell
  read(voltmeter, Verb::measure_voltage, 3.7);
  EXPECT_TRUE(gone(high));
  make({.voltmeter = false});  // the source is the only meter, and has not read
  EXPECT_FALSE(gone(high));
}

TEST_F(Gone, is_a_failed_sensor_when_that_sensor_reads_again) {
  const Cause cause = Cause::reading_stale;
  read_temperatures(30, 30);
  EXPECT_TRUE(gone(trip_of(cause, 1)));
  const struct {
    Subject sensor;
    drivers::InstrumentId instrument;
    Verb verb;
  } sensors[] = {{Subject::cell_voltage, voltmeter, Verb::measure_voltage},
                 {Subject::cell_current, ammeter, Verb::measure_current},
                 {Subject::source_voltage, supply, Verb::measure_voltage},
                 {Subject::source_current, supply, Verb::measure_current}};
  for (const auto& s : sensors) {
    EXPECT_FALSE(gone(trip_of(cause, subject(s.sensor)))) << static_cast<int>(s.sensor);
    read(s.instrument, s.verb, 1);
    EXPECT_TRUE(gone(trip_of(cause, subject(s.sensor)))) << static_cast<int>(s.sensor);
  }
  pass();
  EXPECT_FALSE(gone(trip_of(cause, 1)));
}

TEST_F(Gone, is_no_failed_sensor_that_was_last_read_before_it_failed) {  // S5
  for (const Cause cause : {Cause::reading_stale, Cause::reading_unusable}) {
    make({.thermometers = 2});
    read_temperatures(30, 30);
    read(voltmeter, Verb::measure_voltage, 3.7);
    Fault cold = trip_of(cause, 1), blind = trip_of(cause, subject(Subject::cell_voltage));
    cold.at = blind.at = now;
    EXPECT_FALSE(gone(cold)) << key_of(cause);
    EXPECT_FALSE(gone(blind)) << key_of(cause);
    now += 1ms;
    read_temperatures(30, 30);
    EXPECT_TRUE(gone(cold)) << key_of(cause);
    EXPECT_FALSE(gone(blind)) << key_of(cause);
    read(voltmeter, Verb::measure_voltage, 3.7);
    EXPECT_TRUE(gone(blind)) << key_of(cause);
  }
}

TEST_F(Gone, is_a_failed_reading_of_a_source_that_is_the_only_meter_when_it_reads_again) {
  make({.voltmeter = false});
  for (const auto& [sensor, verb] : {std::pair{Subject::source_voltage, Verb::measure_voltage},
                                     std::pair{Subject::source_current, Verb::measure_current}}) {
    EXPECT_FALSE(gone(trip_of(Cause::reading_unusable, subject(sensor))));
    read(supply, verb, 1);
    EXPECT_TRUE(gone(trip_of(Cause::reading_unusable, subject(sensor))));
  }
}

TEST_F(Gone, is_a_failed_readback_or_conversation_when_every_instrument_answers) {
  const Fault readback = trip_of(Cause::reading_stale, subject(Subject::output));
  const Fault talk = trip_of(Cause::conversation_failing);
  EXPECT_TRUE(gone(readback) && gone(talk));
  interlock->link(thermometer, false);
  EXPECT_FALSE(gone(readback) || gone(talk));
  interlock->link(thermometer, true);
  EXPECT_TRUE(gone(readback) && gone(talk));
  read(supply, Verb::read_output, 0, 0, Ending::timed_out);
  EXPECT_FALSE(gone(readback) || gone(talk));
  read(supply, Verb::read_output, 0);
  EXPECT_TRUE(gone(readback) && gone(talk));
}

TEST_F(Gone, is_an_output_that_was_on_when_it_reads_back_off) {
  const Fault on = trip_of(Cause::output_on_unbidden, subject(Subject::output));
  EXPECT_FALSE(gone(on));
  read(supply, Verb::read_output, 1);
  EXPECT_FALSE(gone(on));
  read(supply, Verb::read_output, 0);
  EXPECT_TRUE(gone(on));
  make({}, {.reads_output = false});  // nothing to read: the cut chain's proof has to do
  EXPECT_TRUE(gone(on));
}

TEST(GoneUnlimited, is_a_temperature_of_a_bench_without_limits_by_the_trips_own_limit) {
  Interlock interlock(plan_of(), 0);  // no run yet in this life
  interlock.watch_only(at(0s));
  interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 50, at(0s)));
  EXPECT_FALSE(interlock.condition_gone(trip_of(Cause::temperature_high, 0, 48), at(0s)));
  EXPECT_TRUE(interlock.condition_gone(trip_of(Cause::operator_cut), at(0s)));
  Limits without = cell_limits();
  without.temperature_above.reset();
  interlock.enforce(without, at(0s));
  EXPECT_TRUE(interlock.condition_gone(trip_of(Cause::operator_cut), at(0s)));
}

// Readings a minute apart never make a rise (safety/rise.h): to wait for one would be for ever.
TEST(GoneSlowly, is_a_rise_where_the_watch_is_too_slow_to_know_one) {  // S5
  for (const bool slow : {true, false}) {
    ChannelPlan plan = plan_of();
    plan.every = slow ? Duration{12s} : Duration{12s - 1ns};  // while tripped, five times slower
    Interlock interlock(plan, 0);
    interlock.enforce(cell_limits(), at(0s));
    interlock.watch_only(at(0s));
    interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 30, at(0s)));
    const Fault rising = trip_of(Cause::temperature_rising, 0, 1.0 / 60);
    EXPECT_EQ(interlock.condition_gone(rising, at(0s)), slow);
  }
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

}  // namespace
}  // namespace chargewright::safety::testing

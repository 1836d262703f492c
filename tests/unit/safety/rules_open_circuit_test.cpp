// An open circuit told from a cell that is full, by the readings of its channel (S3). With a guard:
// wrong_connection_test.cpp.
#include <gtest/gtest.h>

#include <optional>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

enum class Output { reads_on, reads_off, cannot_be_read };

// What a supply that is every meter says, while thermometer and sequencer are well.
void show(Interlock& interlock, double volts, double amperes, Output output, Instant when) {
  interlock.see(outcome(supply, 0, Verb::measure_voltage, volts, when));
  interlock.see(outcome(supply, 0, Verb::measure_current, amperes, when));
  if (output != Output::cannot_be_read) {
    const double on = output == Output::reads_on ? 1 : 0;
    interlock.see(outcome(supply, 0, Verb::read_output, on, when));
  }
  interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 25, when));
  interlock.sequencer_alive(when);
}

// A supply alone, at 4.20 V, that feeds nothing.
bool open_after_resting_at(std::optional<double> volts, Output output = Output::reads_on,
                           double now_at = 4.20) {
  ChannelPlan plan = plan_of({.voltmeter = false});
  plan.abilities.reads_output = output != Output::cannot_be_read;
  Interlock interlock(plan, 0);
  interlock.enforce(cell_limits(), at(0s));
  if (volts) interlock.see(outcome(supply, 0, Verb::measure_voltage, *volts, at(100ms)));
  interlock.expect(charging_since(at(200ms)));
  for (Duration t = 300ms; t < 10s; t += 100ms) {
    show(interlock, now_at, 0, output, at(t));
    if (names(interlock.judge(at(t)), Cause::circuit_open)) {
      return true;
    }
  }
  return false;
}

TEST(ACellThatTakesNothing, is_full_where_it_rested_at_the_setpoint_and_else_not_connected) {  // S3
  EXPECT_FALSE(open_after_resting_at(4.19));
  EXPECT_TRUE(open_after_resting_at(3.70));
  EXPECT_FALSE(open_after_resting_at({}));  // where it rested is not known
  // An output that someone switched off looks the same; what cannot be read back is decided.
  EXPECT_FALSE(open_after_resting_at(3.70, Output::reads_off));
  EXPECT_TRUE(open_after_resting_at(3.70, Output::cannot_be_read));
}

// Within what voltmeters may disagree by, 30 mV, the source stands at its setpoint.
TEST(ACellThatTakesNothing, is_not_connected_where_the_source_stands_at_its_setpoint) {  // S3
  EXPECT_TRUE(open_after_resting_at(3.70, Output::reads_on, 4.171));
  EXPECT_FALSE(open_after_resting_at(3.70, Output::reads_on, 4.169));
  EXPECT_TRUE(open_after_resting_at(3.70, Output::reads_on, 4.20 - 0.03));
  // And it rested elsewhere where that was twice as far off.
  EXPECT_TRUE(open_after_resting_at(4.139));
  EXPECT_FALSE(open_after_resting_at(4.20 - 2 * 0.03));
}

TEST(ACellThatTakesNothing, is_full_where_its_current_died_away_wherever_it_rested_before) {  // S3
  Interlock interlock(plan_of({.voltmeter = false}), 0);
  interlock.enforce(cell_limits(), at(0s));
  interlock.see(outcome(supply, 0, Verb::measure_voltage, 3.70, at(100ms)));
  interlock.expect(charging_since(at(200ms)));
  double amperes = 0.3;
  for (Duration t = 300ms; t < 20s; t += 100ms) {
    show(interlock, 4.20, amperes *= 0.95, Output::reads_on, at(t));
    EXPECT_FALSE(names(interlock.judge(at(t)), Cause::circuit_open));
  }
  EXPECT_LT(amperes, 0.001);
}

// The pace at which it dies away is that of the readings, not of the answers that never came.
TEST(ACellThatTakesNothing, is_full_where_an_answer_was_lost_as_its_current_died_away) {  // S3
  Interlock interlock(plan_of({.voltmeter = false}), 0);
  interlock.enforce(cell_limits(), at(0s));
  interlock.expect(charging_since(at(0s)));
  double amperes = 1.9;
  for (Duration t = 100ms; t < 5s; t += 100ms, amperes *= 0.4) {
    show(interlock, 4.20, amperes, Output::reads_on, at(t));
    if (amperes > 0.1 && amperes < 0.2) {  // 122 mA; and then 19 mA
      t += 100ms;
      amperes *= 0.4;
      interlock.see(outcome(supply, 0, Verb::measure_current, 0, at(t), Ending::timed_out));
    }
    EXPECT_FALSE(names(interlock.judge(at(t)), Cause::circuit_open));
  }
}

// A charge at its setpoint whose current is gone from one reading to the next.
class Broken : public Energised {
 protected:
  Broken() {
    source_volts = 4.20;
    cell_volts = 4.18;
    amperes = 1.0;
    pass(2s, [] {});
    now += 50ms;
    stands_at(0);
    see(voltmeter, 0, Verb::measure_voltage, 3.90);
    see(supply, 0, Verb::read_output, 1);
    judge();
  }
  void stands_at(double current) {
    see(supply, 0, Verb::measure_voltage, 4.20);
    see(supply, 0, Verb::measure_current, current);
    see(ammeter, 0, Verb::measure_current, current);
  }
  bool open() { return present(Cause::circuit_open); }
};

TEST_F(Broken,
       is_an_open_circuit_when_the_cells_meter_was_read_after_it_and_a_glitch_passed) {  // S3
  for (int k = 0; k < 6; ++k) {
    now += 50ms;
    stands_at(0.020);  // none
    EXPECT_FALSE(open());
  }
  see(voltmeter, 0, Verb::measure_voltage, 3.90);
  EXPECT_TRUE(open());  // the output read on in the very moment of the break
}

TEST_F(Broken, is_none_by_a_source_or_a_current_that_cannot_be_read) {  // S3
  for (const bool source : {true, false}) {
    for (int k = 0; k < 8; ++k) {
      now += 50ms;
      stands_at(0);
      see(voltmeter, 0, Verb::measure_voltage, 3.90);
      if (source) see(supply, 0, Verb::measure_voltage, 0, Ending::unparsable);
      if (!source) see(ammeter, 0, Verb::measure_current, 0, Ending::unparsable);
      EXPECT_FALSE(open()) << source;
    }
  }
}

// A foldback moves them for minutes; each time there is a moment in which nothing can be judged.
TEST_F(Broken, is_an_open_circuit_though_its_setpoints_move_all_the_time) {  // S3
  Expected expected = interlock.facts().expected;
  bool is_open = false;
  for (int k = 0; k < 10 && !is_open; ++k) {
    for (int reading = 0; reading < 2; ++reading) {
      now += 100ms;
      stands_at(0);
      see(voltmeter, 0, Verb::measure_voltage, 3.90);
      see(supply, 0, Verb::read_output, 1);
      is_open |= open();
    }
    expected.setpoints_since = drivers::never;
    interlock.expect(expected);
    is_open |= open();
    now += 50ms;
    expected.setpoints_since = now;
    interlock.expect(expected);
    is_open |= open();
  }
  EXPECT_TRUE(is_open);
}

TEST_F(Broken, is_none_where_current_flows_again_under_setpoints_that_moved) {  // S3
  Expected expected = interlock.facts().expected;
  expected.setpoints_since = now + 1ns;
  interlock.expect(expected);
  EXPECT_FALSE(open());
  pass(2s, [] {});
  EXPECT_TRUE(last.within()) << describe(last.worst);
  stands_at(0);
  see(voltmeter, 0, Verb::measure_voltage, 3.90);
  EXPECT_FALSE(open());
}

TEST_F(Energised, calls_no_circuit_open_before_the_cells_own_meter_was_read_again) {  // S3
  source_volts = 4.20;
  cell_volts = 4.18;
  amperes = 1.0;
  pass(2s, [] {});
  ASSERT_TRUE(last.within()) << describe(last.worst);
  const auto stopped = [&](Duration time, bool meter) {
    bool open = false;
    for (const Instant end = now + time; now < end;) {
      now += 50ms;
      see(supply, 0, Verb::measure_voltage, 4.20);
      if (meter) see(voltmeter, 0, Verb::measure_voltage, 3.90);
      see(supply, 0, Verb::measure_current, 0);
      see(ammeter, 0, Verb::measure_current, 0);
      see(supply, 0, Verb::read_output, 1);
      open |= names(judge(), Cause::circuit_open);
    }
    return open;
  };
  EXPECT_FALSE(stopped(plan.allowed_age, false));
  EXPECT_TRUE(stopped(3s, true));
}

}  // namespace
}  // namespace chargewright::safety::testing

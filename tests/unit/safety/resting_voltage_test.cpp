// The voltage of a cell that rests: how far it may move by itself, and when it is another cell (S1,
// S3).
#include "safety/resting_voltage.h"

#include <gtest/gtest.h>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

RestingVoltage resting_of(std::initializer_list<std::pair<Duration, double>> readings) {
  RestingVoltage resting;
  for (const auto& [when, volts] : readings) resting.see(volts, 0.020, at(when));
  return resting;
}

TEST(ARestingCell, moves_as_fast_as_before_and_by_the_meters_unrest_besides) {  // S1 S3
  // 10 mV in the second before; two seconds later 20 mV, and 20 mV of unrest.
  EXPECT_FALSE(resting_of({{0s, 3.700}, {1s, 3.690}, {3s, 3.651}}).leapt());
  EXPECT_TRUE(resting_of({{0s, 3.700}, {1s, 3.690}, {3s, 3.649}}).leapt());
  EXPECT_TRUE(resting_of({{0s, 3.700}, {1s, 3.690}, {3s, 3.731}}).leapt());
  EXPECT_FALSE(resting_of({{0s, 3.700}, {1s, 3.690}, {3s, 3.729}}).leapt());
}

TEST(ARestingCell, moves_by_its_pace_in_volts_per_second_and_its_unrest_and_no_less) {  // S1 S3
  // 20 mV a second; a second later 20 mV, and 20 mV of unrest.
  EXPECT_FALSE(resting_of({{0s, 3.700}, {500ms, 3.690}, {1500ms, 3.651}}).leapt());
  EXPECT_TRUE(resting_of({{0s, 3.700}, {500ms, 3.690}, {1500ms, 3.649}}).leapt());
  EXPECT_FALSE(resting_of({{0s, 0}, {1s, 0}, {2s, 0.020}}).leapt());  // just its unrest
  // A second reading of the same moment tells no pace.
  EXPECT_TRUE(resting_of({{0s, 3.7}, {0s, 3.9}, {1s, 3.7}, {2s, 3.85}}).leapt());
}

TEST(ARestingCell, is_not_judged_before_its_pace_is_known) {
  EXPECT_FALSE(resting_of({{0s, 3.7}}).leapt());
  EXPECT_FALSE(resting_of({{0s, 3.7}, {1s, 2.7}}).leapt());
  RestingVoltage resting = resting_of({{0s, 3.7}, {1s, 3.7}, {2s, 2.7}});
  EXPECT_TRUE(resting.leapt());
  resting.forget();
  EXPECT_FALSE(resting.leapt());
  resting.see(2.7, 0.02, at(3s));
  EXPECT_FALSE(resting.leapt());
}

TEST(ARestingCell, that_was_changed_stays_changed_and_where_it_was_is_known) {  // S1
  RestingVoltage resting = resting_of({{0s, 3.70}, {1s, 3.69}, {2s, 4.10}});
  for (int second = 3; second < 20; ++second) {
    resting.see(4.10, 0.02, at(1s * second));
    EXPECT_TRUE(resting.leapt());
    EXPECT_EQ(resting.before(), 3.69);
  }
}

TEST(ARestingCell, keeps_its_pace_over_a_single_wild_reading) {  // S3
  RestingVoltage resting = resting_of({{0s, 3.70}, {1s, 3.70}, {2s, 4.10}, {3s, 3.70}});
  EXPECT_FALSE(resting.leapt());
  resting.see(3.75, 0.02, at(4s));
  EXPECT_TRUE(resting.leapt());  // 50 mV: the wild reading lent it no pace
}

TEST(ARestingCell, is_judged_by_readings_of_later_moments_only) {  // S3
  RestingVoltage resting = resting_of({{0s, 3.7}, {1s, 3.7}, {1s, 4.1}});
  EXPECT_FALSE(resting.leapt());
  resting.see(4.1, 0.02, at(500ms));
  EXPECT_FALSE(resting.leapt());
  resting.see(4.1, 0.02, at(2s));
  EXPECT_TRUE(resting.leapt());
}

// ---- as the rule takes it -----------------------------------------------------------------------

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

TEST(AVoltageThatCannotBeRead, is_no_other_cell) {  // S3
  Interlock interlock(plan_of(), 0);
  interlock.enforce(cell_limits(), at(0s));
  Expected expected;
  expected.since = at(0s);
  interlock.expect(expected);
  const auto read = [&](double volts, Instant when, Ending ending = Ending::done) {
    interlock.see(outcome(voltmeter, 0, Verb::measure_voltage, volts, when, ending));
  };
  for (Duration t = 2s; t < 4s; t += 100ms) read(3.70, at(t));
  read(9.9e37, at(4s), Ending::not_a_number);
  for (Duration t = 4100ms; t < 6s; t += 100ms) read(3.70, at(t));
  EXPECT_FALSE(names(interlock.judge(at(6s)), Cause::cell_changed));
  for (Duration t = 6s; t < 8s; t += 100ms) {
    read(3.20, at(t));
    interlock.judge(at(t));
  }
  EXPECT_TRUE(names(interlock.judge(at(8s)), Cause::cell_changed));
}

}  // namespace
}  // namespace chargewright::safety::testing

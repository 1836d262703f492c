// No setpoint reaches an output without passing the gate (S2).
#include "safety/gate.h"

#include <gtest/gtest.h>

#include <limits>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();
constexpr double inf = std::numeric_limits<double>::infinity();

Refusal gate(double volts, double amperes, State state = State::energised,
             const RunPlan& run = run_plan(), const ChannelPlan& channel = plan_of()) {
  return pass_gate(state, run, channel, drivers::volts(volts), drivers::amperes(amperes)).refusal;
}

TEST(Gate, refuses_what_is_beyond_a_bound_and_passes_what_is_on_it) {  // S2
  struct {
    double volts;
    double amperes;
    Refusal expected;
  } const cases[] = {
      {4.20, 2.4, Refusal::none},
      {4.29, 2.4, Refusal::none},
      {4.30, 2.4, Refusal::none},  // full 4.20 V + 0.10 V compensation
      {4.3001, 2.4, Refusal::voltage_beyond_limit},
      {5.0, 2.4, Refusal::voltage_beyond_limit},
      {0.0, 0.0, Refusal::none},
      {4.20, 7.19, Refusal::none},
      {4.20, 7.20, Refusal::none},
      {4.20, 7.2001, Refusal::current_beyond_limit},
      {-0.001, 1.0, Refusal::not_a_number},
      {4.20, -0.001, Refusal::not_a_number},
      {nan, 1.0, Refusal::not_a_number},
      {4.20, nan, Refusal::not_a_number},
      {inf, 1.0, Refusal::not_a_number},
      {4.20, inf, Refusal::not_a_number},
      {-inf, 1.0, Refusal::not_a_number},
  };
  for (const auto& c : cases) {
    EXPECT_EQ(gate(c.volts, c.amperes), c.expected) << c.volts << " V " << c.amperes << " A";
  }
}

TEST(Gate, takes_the_least_of_cell_limit_and_rating_as_its_bound) {  // S2
  RunPlan run = run_plan();
  run.full = 4.25_V;
  run.limits.voltage_above = limit(4.10_V);
  EXPECT_DOUBLE_EQ(voltage_bound(run, plan_of()).value(), 4.20);
  ChannelPlan channel = plan_of();
  channel.source_voltage_max = 3.0_V;
  EXPECT_DOUBLE_EQ(voltage_bound(run_plan(), channel).value(), 3.0);
  channel.source_current_max = 1.0_A;
  EXPECT_DOUBLE_EQ(current_bound(run_plan(), channel).value(), 1.0);
  EXPECT_EQ(gate(2.9, 1.1, State::ready, run_plan(), channel), Refusal::current_beyond_limit);
}

TEST(Gate, without_a_limit_on_voltage_has_the_full_one_for_its_bound) {  // S2
  RunPlan run = run_plan();
  run.limits.voltage_above.reset();
  EXPECT_EQ(voltage_bound(run, plan_of()), 4.30_V);
}

TEST(Gate, lets_nothing_pass_a_rating_that_is_not_known) {
  ChannelPlan channel = plan_of();
  channel.source_voltage_max = drivers::volts(0);
  EXPECT_EQ(gate(4.2, 1.0, State::ready, run_plan(), channel), Refusal::voltage_beyond_limit);
  channel = plan_of();
  channel.source_current_max = drivers::amperes(nan);
  RunPlan run = run_plan();
  run.limits.current_above.reset();
  EXPECT_EQ(gate(4.2, 1.0, State::ready, run, channel), Refusal::current_beyond_limit);
}

TEST(Gate, is_closed_in_every_state_but_ready_and_energised) {  // S1
  for (const State state :
       {State::unknown, State::off, State::arming, State::cutting, State::tripped}) {
    EXPECT_EQ(gate(4.2, 1.0, state), Refusal::wrong_state) << key_of(state);
  }
  EXPECT_EQ(gate(4.2, 1.0, State::ready), Refusal::none);
  EXPECT_EQ(gate(4.2, 1.0, State::energised), Refusal::none);
}

TEST(Gate, refuses_a_current_that_exceeds_the_power_limit_at_any_voltage_of_the_cell) {  // S2
  RunPlan run = run_plan();
  run.limits.power_above = limit(10.0_W);  // lowest voltage 2.5 V: at most 4 A
  EXPECT_EQ(gate(4.2, 4.0, State::ready, run), Refusal::none);
  EXPECT_EQ(gate(4.2, 4.01, State::ready, run), Refusal::power_beyond_limit);
  run.limits.voltage_below.reset();
  run.open_circuit_min = drivers::volts(-0.05);  // a capacitor: may be empty
  EXPECT_EQ(gate(4.2, 7.0, State::ready, run), Refusal::none);
  run.limits.power_above = limit(5.0_W);  // and at 0 V takes any current
  EXPECT_EQ(gate(4.2, 7.0, State::ready, run), Refusal::none);
}

// A setpoint computed as its own bound may be off by rounding, a part in 10^9, and by no more.
TEST(Gate, bears_the_rounding_of_a_setpoint_that_is_its_bound) {  // S2
  const auto bound = [](double value) { return value * (1.0 + 1e-9); };
  const auto beyond = [](double value) { return value * (1.0 + 2e-9); };
  const double volts = voltage_bound(run_plan(), plan_of()).value();
  EXPECT_EQ(gate(bound(volts), 1.0), Refusal::none);
  EXPECT_EQ(gate(beyond(volts), 1.0), Refusal::voltage_beyond_limit);
  EXPECT_EQ(gate(4.0, bound(7.2)), Refusal::none);
  EXPECT_EQ(gate(4.0, beyond(7.2)), Refusal::current_beyond_limit);
  RunPlan run = run_plan();
  run.limits.voltage_below = limit(1.0_V);
  run.limits.power_above = limit(4.0_W);
  EXPECT_EQ(gate(4.0, bound(4.0), State::ready, run), Refusal::none);
  EXPECT_EQ(gate(4.0, beyond(4.0), State::ready, run), Refusal::power_beyond_limit);
}

}  // namespace
}  // namespace chargewright::safety::testing

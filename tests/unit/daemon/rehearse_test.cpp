#include "daemon/plan/rehearse.h"

#include <gtest/gtest.h>

#include <numeric>

#include "tests/support/places.h"
#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;

Rehearsal rehearsed(const profiles::Procedure& steps, const safety::RunPlan& run_plan = plan(),
                    CellStart start = {}) {
  const profiles::Bench on = bench();
  const profiles::Cell with = cell();
  return rehearse(
      {.bench = on, .cell = with, .procedure = steps, .plan = run_plan, .start = start});
}

TEST(Rehearsal, says_what_each_step_took_and_put_in) {
  const Rehearsal run =
      rehearsed(procedure({charge(2.0_A, 4.2_V, voltage_at_least(3.8_V)), rest(10min),
                           charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  EXPECT_EQ(run.phase, Phase::done);
  ASSERT_EQ(run.steps.size(), 3U);
  EXPECT_NEAR(drivers::in_seconds(run.steps[1].duration), 600, 3);
  EXPECT_EQ(run.steps[1].charge_in_ah, 0);
  // 3.0 V to 3.8 V at 2 A behind 70 mohm: C (3.8 - 3.0 - 0.14) / 2 = 1980 s, 1.1 Ah.
  EXPECT_NEAR(drivers::in_seconds(run.steps[0].duration), 1980, 5);
  EXPECT_NEAR(run.steps[0].charge_in_ah, 1.1, 0.005);
  EXPECT_NEAR(run.steps[0].charge_in_ah + run.steps[2].charge_in_ah, run.charge_in_ah, 1e-9);
  double in_all = 0;
  for (const RehearsedStep& step : run.steps) in_all += drivers::in_seconds(step.duration);
  EXPECT_NEAR(in_all, drivers::in_seconds(run.duration), 10);
}

TEST(Rehearsal, says_what_bound_and_for_how_long) {
  const Rehearsal run = rehearsed(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  const auto seconds = [&](Binding binding) {
    return run.binding_s[static_cast<std::size_t>(binding)];
  };
  EXPECT_NEAR(seconds(Binding::step_current), 1380, 25);
  EXPECT_NEAR(seconds(Binding::step_voltage), 1549, 60);
  const double all = std::accumulate(run.binding_s.begin(), run.binding_s.end(), 0.0);
  EXPECT_NEAR(all, drivers::in_seconds(run.duration), 2);
  EXPECT_LE(all, drivers::in_seconds(run.duration) * (1 + 1e-9));
}

TEST(Rehearsal, shares_of_what_bound_are_at_most_the_whole_however_short_the_run) {
  const Rehearsal run = rehearsed(procedure({rest(2s)}));
  const double all = std::accumulate(run.binding_s.begin(), run.binding_s.end(), 0.0);
  EXPECT_LE(all, drivers::in_seconds(run.duration) * (1 + 1e-9));
  EXPECT_GT(all, 0);
}

TEST(Rehearsal, states_the_margin_to_every_limit_of_the_plan) {
  const Rehearsal run = rehearsed(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_EQ(run.margins.size(), 6U);
  for (const LimitMargin& margin : run.margins) EXPECT_GT(margin.margin, 0) << margin.quantity;
  EXPECT_EQ(run.margins[0].quantity, "voltage-above");
  EXPECT_EQ(run.margins.back().quantity, "run-time");  // as `check` and the channel name it
  EXPECT_NEAR(run.margins[0].margin, 4.24 - run.volts_max, 1e-12);
  EXPECT_NEAR(run.amperes_max, 4, 0.002);
  EXPECT_GT(run.degrees_c_max, 25);
}

TEST(Rehearsal, trips_where_the_run_would_trip) {  // S2
  safety::RunPlan tight = plan();
  tight.limits.temperature_above = {25.0_degC, safety::Origin::profile, {}};
  const Rehearsal run = rehearsed(procedure({charge(8.0_A, 4.2_V, current_at_most(0.1_A))}), tight);
  EXPECT_EQ(run.phase, Phase::tripped);
  EXPECT_EQ(run.trip.cause, safety::Cause::temperature_high);
}

TEST(Rehearsal, refuses_where_the_run_would_be_refused) {  // S1
  const Rehearsal run = rehearsed(procedure({charge(1.0_A, 4.2_V, current_at_most(0.1_A))}), plan(),
                                  {.voltage = 1.0_V});
  EXPECT_EQ(run.phase, Phase::refused);
  EXPECT_EQ(run.refusal, safety::Refusal::open_circuit_implausible);
}

TEST(Rehearsal, begins_as_full_as_it_is_told) {
  const Rehearsal run = rehearsed(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}), plan(),
                                  {.state_of_charge = 0.5});
  EXPECT_NEAR(run.state_of_charge_begin, 0.5, 1e-9);
  EXPECT_NEAR(run.charge_in_ah, 2 * (0.994167 - 0.5), 0.005);
}

// 100 F behind 10 mohm, used between 2.5 V and 5.0 V.
TEST(Rehearsal, counts_a_capacitor_from_its_empty_voltage_to_its_full_one) {
  const profiles::Bench on = bench();
  profiles::Cell bank = cell(10.0_mohm);
  bank.capacity = drivers::coulombs(250);
  bank.voltage = {2.5_V, 5.0_V, 5.4_V, 0.0_V};
  bank.model.kind = drivers::simulated::CellModel::Kind::capacitor;
  bank.model.capacity = bank.capacity;
  bank.model.capacitance = 100.0_F;
  safety::RunPlan filling = plan();
  filling.limits.voltage_above = {5.2_V, safety::Origin::profile, {}};
  filling.full = 5.0_V;
  filling.open_circuit_max = 5.2_V;
  filling.over_voltage_protection = 5.3_V;
  const auto steps = procedure({charge(4.0_A, 5.0_V, current_at_most(0.1_A))});
  const Rehearsal run = rehearse({.bench = on,
                                  .cell = bank,
                                  .procedure = steps,
                                  .plan = filling,
                                  .start = {.state_of_charge = 0.2}});
  EXPECT_EQ(run.phase, Phase::done) << describe(run.refusal) << describe(run.trip);
  EXPECT_NEAR(run.volts_min, 3.0, 1e-6);
  EXPECT_NEAR(run.state_of_charge_begin, 0.2, 1e-9);
  EXPECT_NEAR(run.state_of_charge_end, 1, 0.01);
  EXPECT_NEAR(run.curve.back().state_of_charge, run.state_of_charge_end, 0.01);
  EXPECT_NEAR(run.charge_in_ah * 3600, 200, 2);
}

// `check`, `drill` and the daemon itself judge by the same plan.
TEST(Rehearsal, runs_the_plant_that_the_daemon_makes_of_bench_and_dialects) {  // S3 S4
  const profiles::Bench on = bench();
  const profiles::Cell with = cell();
  const profiles::Procedure steps = procedure({rest(2s)});
  std::vector<drivers::Dialect> dialects;
  for (const char* name : {"scpi-supply", "scpi-meter", "scpi-thermometer"}) {
    dialects.push_back(drivers::load_dialect(name, {test::in_source("drivers/dialects")}).value());
  }
  dialects[supply].between = 50ms;
  dialects[supply].verbs[static_cast<std::size_t>(drivers::Verb::set_voltage)].ask->within = 2;
  dialects[supply].verbs[static_cast<std::size_t>(drivers::Verb::read_protection)].absent = true;
  const safety::ChannelPlan plan =
      plant_of_one({.bench = on, .cell = with, .procedure = steps, .dialects = dialects})
          .channels.at(0);
  EXPECT_EQ(plan.setpoint_voltage_tolerance, 2.0_V);
  EXPECT_FALSE(plan.abilities.reads_protection);
  EXPECT_EQ(plan.repeat_every, 750ms);  // fifteen messages, and their pauses
  EXPECT_GT(plan.prove_off_within, plan.repeat_every);
  EXPECT_GT(plan.voltage_disagreement, 0.0_V);
  // At the pace of a rehearsal its proof is still awaited to the step after the last one due.
  EXPECT_EQ(paced(plan, 10s).prove_off_within, plan.prove_off_within + 20s);
}

TEST(Rehearsal, breaks_off_what_would_never_end) {
  const profiles::Bench on = bench();
  const profiles::Cell with = cell();
  safety::RunPlan patient = plan();
  patient.limits.run_time = {std::chrono::hours(10'000), safety::Origin::profile, {}};
  const profiles::Procedure endless = procedure({charge(4.0_A, 4.1_V, voltage_at_least(4.2_V))});
  const Rehearsal run =
      rehearse({.bench = on, .cell = with, .procedure = endless, .plan = patient, .longest = 6h});
  EXPECT_TRUE(run.broken_off);
  EXPECT_EQ(run.phase, Phase::failed);
}

TEST(Rehearsal, keeps_its_curve_bounded) {
  const Rehearsal run = rehearsed(procedure({charge(1.0_A, 4.2_V, current_at_most(0.05_A))}));
  ASSERT_GT(run.duration, 2h);
  EXPECT_LE(run.curve.size(), curve_points_max);
  EXPECT_GT(run.curve.size(), curve_points_max / 3);
  for (std::size_t i = 1; i < run.curve.size(); ++i) {
    ASSERT_GT(run.curve[i].at_s, run.curve[i - 1].at_s);
  }
}

TEST(Rehearsal, gives_the_same_answer_every_time) {
  const auto steps = procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A)), rest(5min)});
  const Rehearsal a = rehearsed(steps);
  const Rehearsal b = rehearsed(steps);
  EXPECT_EQ(a.duration, b.duration);
  EXPECT_EQ(a.charge_in_ah, b.charge_in_ah);
  EXPECT_EQ(a.degrees_c_max, b.degrees_c_max);
}

}  // namespace
}  // namespace chargewright::daemon

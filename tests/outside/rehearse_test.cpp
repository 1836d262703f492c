// Rehearsals against closed solutions: series resistance and straight open-circuit line (the cell
// is a capacitor of 6000 F between 3.0 V and 4.2 V behind 70 mohm). Circuit theory; the numbers are
// worked out here from t_cc = C (Vcv - U0 - I R) / I and t_cv = R C ln(I / Ic).
#include <gtest/gtest.h>

#include <cmath>

#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;

constexpr double c_f = 6000;
constexpr double r_ohm = 0.070;

Rehearsal rehearsed(const profiles::Bench& on, const profiles::Procedure& steps) {
  const profiles::Cell with = cell();
  safety::RunPlan run_plan = plan();
  run_plan.limits.voltage_above = {4.25_V, safety::Origin::cell, {}};
  return rehearse({.bench = on, .cell = with, .procedure = steps, .plan = run_plan});
}

struct Row {
  double amperes, cut_off, t_cc, t_cv, charge_ah, s_end, energy_wh, heat_wh;
};

class ConstantCurrentConstantVoltage : public testing::TestWithParam<Row> {};

// Each 1 s step may be late by one at the start (output proved), at the end (reading judged) and in
// between; a reading is rounded to 0.1 mA, which is 0.4 s at the end of the taper.
TEST_P(ConstantCurrentConstantVoltage, takes_as_long_as_the_closed_solution_says) {
  const Row& row = GetParam();
  EXPECT_NEAR(row.t_cc, c_f * (4.2 - 3.0 - row.amperes * r_ohm) / row.amperes, 0.001);
  EXPECT_NEAR(row.t_cv, r_ohm * c_f * std::log(row.amperes / row.cut_off), 0.001);
  const Rehearsal run =
      rehearsed(bare_bench(), procedure({charge(drivers::amperes(row.amperes), 4.2_V,
                                                current_at_most(drivers::amperes(row.cut_off)))}));
  ASSERT_EQ(run.phase, Phase::done);
  EXPECT_NEAR(drivers::in_seconds(run.steps[0].duration), row.t_cc + row.t_cv, 3);
  EXPECT_NEAR(run.state_of_charge_end, row.s_end, 1e-4);
  // The tally begins with the first reading after the output went on: at most 1 s of current.
  EXPECT_NEAR(run.charge_in_ah, row.charge_ah, 1.2 * row.amperes / 3600 + 1e-4);
  EXPECT_NEAR(run.energy_in_wh, row.energy_wh, 4.2 * (1.2 * row.amperes / 3600 + 1e-4));
}

INSTANTIATE_TEST_SUITE_P(
    Currents, ConstantCurrentConstantVoltage,
    testing::Values(Row{1, 0.1, 6780.000, 967.086, 1.988333, 0.994167, 7.286917, 0.135876},
                    Row{2, 0.1, 3180.000, 1258.208, 1.988333, 0.994167, 7.414667, 0.263626},
                    Row{4, 0.1, 1380.000, 1549.329, 1.988333, 0.994167, 7.645667, 0.494626},
                    Row{6, 0.3, 780.000, 1258.208, 1.965000, 0.982500, 7.746000, 0.692633}));

// 20 mohm of leads without remote sense: R C of the taper grows from 420 s to 540 s, and constant
// current ends 120 s sooner: 239.5 s longer in all (same closed solution).
TEST(Rehearsal, shows_what_uncompensated_leads_cost) {
  profiles::Bench leads = bare_bench();
  leads.channels[0].wiring.resistance = 20.0_mohm;
  const auto steps = procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))});
  const Rehearsal without = rehearsed(bare_bench(), steps);
  const Rehearsal with = rehearsed(leads, steps);
  EXPECT_NEAR(drivers::in_seconds(with.duration - without.duration), 239.5, 3);
}

// Reaching 95 % at 4 A and 4.2 V: 1380 s and R C ln(4 / 0.857143) = 646.987 s; no admissible
// current is faster, since a bound is active at every instant.
TEST(Rehearsal, reaches_a_state_of_charge_no_sooner_than_the_bounds_allow) {
  const Rehearsal run = rehearsed(
      bare_bench(),
      procedure({charge(
          4.0_A, 4.2_V,
          when(compare(profiles::Subject::charge, profiles::Comparison::at_least, 0.95 * 7200)))}));
  EXPECT_GE(drivers::in_seconds(run.steps[0].duration), 2026.9);
  EXPECT_NEAR(drivers::in_seconds(run.steps[0].duration), 2026.987, 8);
}

// Trapezoid over i = I exp(-t / tau), x = dt / tau: relative error (x/2) coth(x/2) - 1, exactly,
// over any whole number of steps. tau = 819 s. Closed form; values computed from it.
TEST(Tally, errs_by_what_the_trapezoid_rule_errs_and_no_more) {
  struct Error {
    double dt_s, relative;
  };
  for (const Error& row : {Error{0.1, 1.242e-09}, Error{1, 1.242e-07}, Error{5, 3.106e-06},
                           Error{10, 1.242e-05}, Error{60, 4.472e-04}}) {
    const double tau = 819;
    const double x = row.dt_s / tau;
    ASSERT_NEAR(x / 2 / std::tanh(x / 2) - 1, row.relative, 0.001 * row.relative);
    safety::Tally tally;
    const drivers::Instant start{};
    tally.begin(start);
    const int steps = static_cast<int>(8190 / row.dt_s);
    for (int i = 0; i <= steps; ++i) {
      const double t = i * row.dt_s;
      tally.add(start + drivers::seconds(t), drivers::amperes(2 * std::exp(-t / tau)), 4.0_V);
    }
    const double exact = 2 * tau * (1 - std::exp(-steps * row.dt_s / tau));
    EXPECT_NEAR(tally.charge_in().value() / exact - 1, row.relative, 0.002 * row.relative + 1e-13)
        << row.dt_s;
    EXPECT_NEAR(tally.energy_in().value(), 4 * tally.charge_in().value(), 1e-6);
  }
}

// 100 F from 0 V to 2.7 V at 10 A behind 5 mohm: t = C (V1 - V0 - I R) / I = 26.5 s.
// 100 F from 1.35 V to 2.7 V at 10 W and no resistance: t = C (V1^2 - V0^2) / (2 P) = 27.3375 s.
struct Bank {
  profiles::Cell cell;
  safety::RunPlan plan;
};
Bank bank(drivers::Ohms esr) {
  Bank bank{cell(), plan()};
  bank.cell.chemistry = "edlc";
  bank.cell.voltage = {0.0_V, 2.7_V, 2.85_V, 0.0_V};
  bank.cell.current.charge = 20.0_A;
  bank.cell.capacity = drivers::coulombs(270);
  bank.cell.model = {};
  bank.cell.model.kind = drivers::simulated::CellModel::Kind::capacitor;
  bank.cell.model.capacitance = 100.0_F;
  bank.cell.model.capacity = drivers::coulombs(270);
  bank.cell.model.r0 = esr;
  bank.plan.limits.voltage_above = {2.85_V, safety::Origin::cell, {}};
  bank.plan.limits.voltage_below = {drivers::volts(-0.1), safety::Origin::cell, {}};
  bank.plan.limits.current_above = {15.0_A, safety::Origin::cell, {}};
  bank.plan.limits.charge_above.reset();
  bank.plan.full = 2.7_V;
  bank.plan.body.fall_time = drivers::seconds(esr.value() * 100);  // as `check` makes it
  bank.plan.open_circuit_min = drivers::volts(-0.05);
  bank.plan.open_circuit_max = 2.85_V;
  bank.plan.over_voltage_protection = 2.9_V;
  bank.plan.over_current_protection = 16.0_A;
  return bank;
}

TEST(Rehearsal, charges_a_capacitor_at_constant_current_in_its_time) {
  const Bank b = bank(5.0_mohm);
  const profiles::Bench on = bare_bench();
  const auto steps = procedure({charge(10.0_A, 2.7_V, voltage_at_least(2.699_V))});
  const Rehearsal run = rehearse({.bench = on,
                                  .cell = b.cell,
                                  .procedure = steps,
                                  .plan = b.plan,
                                  .start = {.voltage = 0.0_V},
                                  .step = 100ms});
  ASSERT_EQ(run.phase, Phase::done) << safety::describe(run.trip) << describe(run.refusal);
  EXPECT_NEAR(drivers::in_seconds(run.steps[0].duration), 26.5, 0.35);
}

TEST(Rehearsal, charges_a_capacitor_at_constant_power_in_its_time) {
  const Bank b = bank(drivers::ohms(1e-6));
  const profiles::Bench on = bare_bench();
  auto step = charge(15.0_A, 2.7_V, voltage_at_least(2.699_V));
  step.ceilings.power = 10.0_W;
  const auto steps = procedure({step});
  const Rehearsal run = rehearse({.bench = on,
                                  .cell = b.cell,
                                  .procedure = steps,
                                  .plan = b.plan,
                                  .start = {.voltage = 1.35_V},
                                  .step = 100ms});
  ASSERT_EQ(run.phase, Phase::done) << safety::describe(run.trip) << describe(run.refusal);
  EXPECT_NEAR(drivers::in_seconds(run.steps[0].duration), 27.3375, 0.35);
}

}  // namespace
}  // namespace chargewright::daemon

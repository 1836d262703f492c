// The simulated cell against closed solutions of its circuit.
#include "drivers/simulated/cell.h"

#include <gtest/gtest.h>

#include <cmath>

namespace chargewright::drivers::simulated {
namespace {

using namespace std::chrono_literals;

// Test cell A. The values below are the closed solution of a series resistance and two RC pairs,
// worked out in Python and agreeing with a separate fixed-step integration to 1e-6 V.
CellModel cell_a() {
  CellModel model;
  model.capacity = ampere_hours(2.0);
  model.ocv = {{0.0, volts(3.0)}, {1.0, volts(4.2)}};
  model.r0 = ohms(0.030);
  model.rc = {CellModel::RcPair{ohms(0.015), farads(1000)},
              CellModel::RcPair{ohms(0.025), farads(12000)}};
  return model;
}

struct Row {
  int at_s;
  double v, v1, v2;
};
constexpr Row charging[] = {
    {0, 3.660000, 0.000000, 0.000000},   {1, 3.662435, 0.001935, 0.000166},
    {10, 3.679570, 0.014597, 0.001639},  {60, 3.718514, 0.029451, 0.009063},
    {300, 3.821606, 0.030000, 0.031606}, {900, 4.037511, 0.030000, 0.047511}};
constexpr double half_digit = 0.51e-6;

TEST(CellA, follows_its_closed_solution_through_a_charge_whatever_the_step) {
  for (const Duration step : {Duration(1s), Duration(100ms), Duration(10s)}) {
    Cell cell(cell_a(), 0.5);
    Duration now{};
    for (const Row& row : charging) {
      while (now < std::chrono::seconds(row.at_s)) {
        const Duration next = std::min<Duration>(step, std::chrono::seconds(row.at_s) - now);
        cell.advance(next, amperes(2));
        now += next;
      }
      EXPECT_NEAR(cell.terminal(amperes(2)).value(), row.v, half_digit) << row.at_s;
      EXPECT_NEAR(cell.pair_voltage(0).value(), row.v1, half_digit) << row.at_s;
      EXPECT_NEAR(cell.pair_voltage(1).value(), row.v2, half_digit) << row.at_s;
    }
  }
}

TEST(CellA, relaxes_by_its_closed_solution_at_rest) {
  Cell cell(cell_a(), 0.5);
  cell.advance(900s, amperes(2));
  struct Rest {
    int at_s;
    double v;
  };
  int now = 0;
  for (const Rest row : {Rest{0, 3.977511},
                         {1, 3.975418},
                         {10, 3.961356},
                         {60, 3.939448},
                         {300, 3.917478},
                         {1800, 3.900118},
                         {3600, 3.900000}}) {
    cell.advance(std::chrono::seconds(row.at_s - now), amperes(0));
    now = row.at_s;
    EXPECT_NEAR(cell.terminal(amperes(0)).value(), row.v, half_digit) << row.at_s;
  }
}

// Chen and Rincon-Mora, IEEE Trans. Energy Conversion 21 (2006): parameters at half charge, held
// there (the capacity is made so large that it does not move). Step values: closed solution.
TEST(ChenRinconMora2006, answers_a_one_ampere_step_at_half_charge) {
  CellModel model;
  model.capacity = ampere_hours(1e9);
  const double s = 0.5;
  const double ocv =
      -1.031 * std::exp(-35 * s) + 3.685 + 0.2156 * s - 0.1178 * s * s + 0.3201 * s * s * s;
  model.ocv = {{0.0, volts(ocv)}, {1.0, volts(ocv)}};
  model.r0 = ohms(0.1562 * std::exp(-24.37 * s) + 0.07446);
  model.rc = {CellModel::RcPair{ohms(0.3208 * std::exp(-29.14 * s) + 0.04669),
                                farads(-752.9 * std::exp(-13.51 * s) + 703.6)},
              CellModel::RcPair{ohms(6.603 * std::exp(-155.2 * s) + 0.04984),
                                farads(-6056 * std::exp(-27.12 * s) + 4475)}};
  Cell cell(model, s);
  struct Point {
    int at_s;
    double v;
  };
  int now = 0;
  for (const Point p : {Point{0, 3.877823},
                        {1, 3.879448},
                        {10, 3.892275},
                        {60, 3.928770},
                        {300, 3.961364},
                        {1800, 3.974338}}) {
    cell.advance(std::chrono::seconds(p.at_s - now), amperes(1));
    now = p.at_s;
    EXPECT_NEAR(cell.terminal(amperes(1)).value(), p.v, half_digit) << p.at_s;
  }
}

// Bi-exponential taper at constant voltage: 2x2 eigenvalues, agreeing with a Runge-Kutta
// integration at 0.1 s to 1e-9 A.
TEST(ConstantVoltage, tapers_by_two_exponentials_with_one_rc_pair) {
  for (const Duration step : {Duration(1s), Duration(250ms), Duration(60s)}) {
    CellModel model;
    model.kind = CellModel::Kind::capacitor;
    model.capacitance = farads(6000);
    model.r0 = ohms(0.045);
    model.rc[0] = {ohms(0.025), farads(2000)};
    Cell cell = Cell::with_voltage(model, volts(4.2 - 2 * 0.045 - 0.050));
    Cell::State state = cell.state();
    state.v1 = 0.050;
    cell.put(state);
    struct Point {
      int at_s;
      double i;
    };
    Duration now{};
    for (const Point p : {Point{10, 1.930909},
                          {60, 1.675762},
                          {120, 1.452033},
                          {300, 0.962604},
                          {600, 0.486230},
                          {1200, 0.124060},
                          {1800, 0.031654}}) {
      double i = 0;
      while (now < std::chrono::seconds(p.at_s)) {
        const Duration next = std::min<Duration>(step, std::chrono::seconds(p.at_s) - now);
        i = cell.advance_held(next, volts(4.2), ohms(0)).value();
        now += next;
      }
      EXPECT_NEAR(i, p.i, half_digit) << p.at_s;
    }
  }
}

// Arrhenius, Ea = 20 kJ/mol, R = 8.314463 J/(mol K): the factor worked out from the formula.
TEST(Arrhenius, raises_resistance_in_the_cold_and_lowers_it_in_the_warm) {
  CellModel model = cell_a();
  model.arrhenius = kelvins(20000 / 8.314463);
  Cell cell(model, 0.5);
  cell.set_temperature(celsius(0));
  EXPECT_NEAR(cell.series().value() / 0.030, 2.0926, 0.5e-4);
  cell.set_temperature(celsius(45));
  EXPECT_NEAR(cell.series().value() / 0.030, 0.6022, 0.5e-4);
}

// What flows in is either stored or turned to heat: conservation of energy, no source needed.
TEST(Energy, that_goes_in_is_stored_or_heat) {
  CellModel model = cell_a();
  Cell cell(model, 0.5);
  double energy_in = 0;
  constexpr double dt = 0.01;
  for (int n = 0; n < 60000; ++n) {
    const double before = cell.terminal(amperes(2)).value();
    cell.advance(10ms, amperes(2));
    energy_in += 0.5 * (before + cell.terminal(amperes(2)).value()) * 2 * dt;
  }
  const double q0 = 0.5 * 7200, q1 = cell.charge().value();
  const double stored = 3.0 * (q1 - q0) + 1.2 / 7200 * (q1 * q1 - q0 * q0) / 2 +
                        0.5 * 1000 * std::pow(cell.pair_voltage(0).value(), 2) +
                        0.5 * 12000 * std::pow(cell.pair_voltage(1).value(), 2);
  EXPECT_NEAR(energy_in, stored + cell.heat().value(), 1e-5);
}

TEST(ConstantVoltage, does_not_depend_on_the_step_across_the_kinks_of_a_real_curve) {
  CellModel model = *typical_model("li-ion-nmc", ampere_hours(2.4));
  model.arrhenius = kelvins(0);
  Cell fine(model, 0.25);
  Cell coarse(model, 0.25);
  for (int n = 0; n < 60000; ++n) fine.advance_held(10ms, volts(3.9), ohms(0.01));
  const Amperes i = coarse.advance_held(600s, volts(3.9), ohms(0.01));
  EXPECT_NEAR(coarse.charge().value(), fine.charge().value(), 1e-6 * fine.charge().value());
  EXPECT_NEAR(coarse.temperature().value(), fine.temperature().value(), 1e-4);
  EXPECT_NEAR(i.value(), (volts(3.9) - fine.emf()).value() / (0.01 + fine.series().value()), 1e-5);
}

}  // namespace
}  // namespace chargewright::drivers::simulated

// A charge driven by the simulated supply through the seam of orders, against closed solutions.
#include <gtest/gtest.h>

#include <cmath>

#include "drivers/simulated/bench.h"

namespace chargewright::drivers::simulated {
namespace {

using namespace std::chrono_literals;
constexpr Instant start{};

// Exact settings and readings: resolution of its own would hide what is checked.
BenchModel bench_of(const CellModel& cell, Volts at, Ohms leads) {
  BenchModel model;
  model.devices.resize(1);
  model.devices[0].supply.voltage_resolution = model.devices[0].supply.voltage_readback_resolution =
      volts(0);
  model.devices[0].supply.current_resolution = model.devices[0].supply.current_readback_resolution =
      amperes(0);
  model.devices[0].supply.current_max = amperes(100);
  BenchModel::Circuit circuit;
  circuit.cell = cell;
  circuit.voltage = at;
  circuit.leads = leads;
  circuit.source = {0, 1};
  model.circuits.push_back(circuit);
  return model;
}

CellModel capacitor(double farad, double ohm) {
  CellModel model;
  model.kind = CellModel::Kind::capacitor;
  model.capacitance = farads(farad);
  model.capacity = coulombs(farad * 1.2);
  model.r0 = ohms(ohm);
  return model;
}

struct Charge {
  Bench bench;
  Instant now = start;

  double order(Verb verb, double value = 0) {
    const Outcome outcome = bench.obey({.instrument = 0, .verb = verb, .value = value}, now);
    EXPECT_EQ(outcome.ending, Ending::done);
    return outcome.value;
  }
  void begin(double volt, double ampere) {
    order(Verb::set_voltage, volt);
    order(Verb::set_current, ampere);
    order(Verb::output_on);
  }
  // Seconds until the condition holds; looks every `step`, and finer once it is near.
  template <class Condition>
  double until(Condition holds, Duration step) {
    for (Duration h = step; h >= 1ms; h /= 10) {
      for (;;) {
        Charge ahead = *this;
        ahead.now += h;
        ahead.bench.advance(ahead.now);
        if (holds(ahead)) break;
        *this = ahead;
      }
    }
    return in_seconds(now - start);
  }
};

// Series resistance and capacitor: t_cc = C (Vcv - U0 - I R)/I, then i = I exp(-t/(R C)) with
// t_cv = R C ln(I/Ic). C = 6000 F, U0 = 3.0 V, Vcv = 4.2 V, R = 70 mohm. Closed solution; its
// energy balance closes to 1e-9 Wh.
TEST(ConstantCurrentConstantVoltage, ends_when_the_closed_solution_says) {
  struct Row {
    double i, end_i, t_cc, total, charge_ah, heat_wh;
  };
  for (const Row& row : {Row{1, 0.1, 6780.000, 7747.086, 1.988333, 0.135876},
                         {2, 0.1, 3180.000, 4438.208, 1.988333, 0.263626},
                         {4, 0.1, 1380.000, 2929.329, 1.988333, 0.494626},
                         {6, 0.3, 780.000, 2038.208, 1.965000, 0.692633}}) {
    for (const Duration step : {Duration(10s), Duration(1s)}) {
      Charge charge{Bench{bench_of(capacitor(6000, 0.070), volts(3.0), ohms(0)), start}};
      charge.begin(4.2, row.i);
      const double t_cc = charge.until(
          [](Charge& c) { return c.bench.output(0).regulation() == Regulation::constant_voltage; },
          step);
      EXPECT_NEAR(t_cc, row.t_cc, 0.0011) << row.i;
      const double total = charge.until(
          [&](Charge& c) { return c.bench.output(0).current().value() <= row.end_i; }, step);
      EXPECT_NEAR(total, row.total, 0.0016) << row.i;
      const Cell& cell = charge.bench.circuit(0).cell();
      EXPECT_NEAR((cell.charge().value() - 6000 * 3.0) / 3600, row.charge_ah, 0.51e-6) << row.i;
      EXPECT_NEAR(in_watt_hours(cell.heat()), row.heat_wh, 0.51e-6) << row.i;
    }
  }
}

// 20 mohm of leads inside the voltage loop: R C becomes 540 s, so that from 2 A to 0.1 A the taper
// takes 1617.7 s instead of 1258.2, while constant current ends 120.0 s earlier. Closed solution.
TEST(ConstantCurrentConstantVoltage, takes_longer_behind_leads_without_remote_sense) {
  Charge charge{Bench{bench_of(capacitor(6000, 0.070), volts(3.0), ohms(0.020)), start}};
  charge.begin(4.2, 2);
  const double t_cc = charge.until(
      [](Charge& c) { return c.bench.output(0).regulation() == Regulation::constant_voltage; },
      10s);
  const double total =
      charge.until([](Charge& c) { return c.bench.output(0).current().value() <= 0.1; }, 10s);
  EXPECT_NEAR(t_cc, 3180.0 - 120.0, 0.0011);
  EXPECT_NEAR(total - t_cc, 1617.7, 0.05);
  EXPECT_NEAR(total - 4438.208, 239.5, 0.05);
}

// t = C (V1 - V0 - I R)/I: 100 F from 0 to 2.7 V at 10 A with 5 mohm takes 26.5 s. Closed solution.
TEST(Supercapacitor, fills_at_constant_current_in_its_closed_time) {
  Charge charge{Bench{bench_of(capacitor(100, 0.005), volts(0), ohms(0)), start}};
  charge.begin(2.7, 10);
  EXPECT_NEAR(
      charge.until(
          [](Charge& c) { return c.bench.output(0).regulation() == Regulation::constant_voltage; },
          1s),
      26.5, 0.0011);
}

// t = C (V1^2 - V0^2)/(2 P): 100 F from 1.35 to 2.7 V at 10 W takes 27.3375 s without resistance;
// here the power is the rating of the supply. Closed solution.
TEST(Supercapacitor, fills_at_constant_power_in_its_closed_time) {
  BenchModel model = bench_of(capacitor(100, 1e-6), volts(1.35), ohms(0));
  model.devices[0].supply.power_max = watts(10);
  Charge charge{Bench{model, start}};
  charge.begin(3.0, 50);
  EXPECT_NEAR(
      charge.until([](Charge& c) { return c.bench.output(0).voltage().value() >= 2.7; }, 1s),
      27.3375, 0.002);
}

// IEC 62391-1 style discharge is beyond a supply of one quadrant; what it shows is taken straight
// from the cell: 100 F, 5 mohm, 10 A from 2.700 V: step to 2.650 V, 2.160 V at 4.900 s, 1.080 V at
// 15.700 s. Closed solution.
TEST(Supercapacitor, discharges_along_its_closed_line) {
  Cell cell = Cell::with_voltage(capacitor(100, 0.005), volts(2.7));
  EXPECT_NEAR(cell.terminal(amperes(-10)).value(), 2.650, 1e-9);
  cell.advance(4900ms, amperes(-10));
  EXPECT_NEAR(cell.terminal(amperes(-10)).value(), 2.160, 1e-9);
  cell.advance(10800ms, amperes(-10));
  EXPECT_NEAR(cell.terminal(amperes(-10)).value(), 1.080, 1e-9);
}

TEST(ConstantCurrentConstantVoltage, does_not_depend_on_the_step_within_one_in_a_million) {
  CellModel cell = *typical_model("lfp", ampere_hours(1.5));
  cell.arrhenius = kelvins(0);
  const BenchModel model = bench_of(cell, volts(3.0), ohms(0.02));
  Charge fine{Bench{model, start}};
  Charge coarse{Bench{model, start}};
  fine.begin(3.6, 3);
  coarse.begin(3.6, 3);
  for (const double hour : {0.1, 0.3, 0.6, 1.0}) {
    coarse.bench.advance(start + seconds(hour * 3600));
    while (fine.now < start + seconds(hour * 3600)) fine.bench.advance(fine.now += 100ms);
    EXPECT_NEAR(coarse.bench.circuit(0).cell().charge().value(),
                fine.bench.circuit(0).cell().charge().value(),
                1e-6 * fine.bench.circuit(0).cell().charge().value());
    EXPECT_NEAR(coarse.bench.circuit(0).current().value(), fine.bench.circuit(0).current().value(),
                1e-6);
  }
}

}  // namespace
}  // namespace chargewright::drivers::simulated

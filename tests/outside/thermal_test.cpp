// The lumped body against its closed solution T = Ta + q/(hA) (1 - exp(-t hA/C)).
#include <gtest/gtest.h>

#include <cmath>

#include "drivers/simulated/cell.h"

namespace chargewright::drivers::simulated {
namespace {

// Body of an LFP 18650 of the open BPX example parameter set: 1940 kg/m3, 1.7e-5 m3, 999 J/(kg K),
// 0.00431 m2. One watt in 1 ohm at 1 A; temperatures worked out from the formula.
TEST(LumpedBody, warms_by_its_closed_solution) {
  struct Row {
    double h;
    std::array<double, 4> t;  // after 60, 300, 1800, 7200 s
  };
  for (const Row& row :
       {Row{5, {26.7858, 33.2678, 57.1069, 70.9856}}, Row{10, {26.7515, 32.5313, 45.9995, 48.2000}},
        Row{25, {26.6536, 30.8015, 34.2550, 34.2807}}}) {
    CellModel model;
    model.ocv = {{0, volts(3)}, {1, volts(4)}};
    model.capacity = ampere_hours(1000);
    model.r0 = ohms(1);
    model.heat_capacity = joules_per_kelvin(1940 * 1.7e-5 * 999);
    model.cooling = watts_per_kelvin(row.h * 0.00431);
    model.ambient = celsius(25);
    Cell cell(model, 0.1);
    int now = 0;
    std::size_t k = 0;
    for (const int at : {60, 300, 1800, 7200}) {
      for (; now < at; now += 4) cell.advance(std::chrono::seconds(4), amperes(1));
      EXPECT_NEAR(cell.temperature().value(), row.t[k++], 0.51e-4) << row.h << ' ' << at;
    }
  }
}

// Adiabatic rate 60 I^2 R / C_th, 50 mohm in the same body.
TEST(LumpedBody, without_cooling_warms_at_the_adiabatic_rate) {
  struct Row {
    double i, k_per_min;
  };
  for (const Row row : {Row{2, 0.3642}, {5, 2.2764}, {10, 9.1055}}) {
    CellModel model;
    model.ocv = {{0, volts(3)}, {1, volts(4)}};
    model.r0 = ohms(0.050);
    model.heat_capacity = joules_per_kelvin(32.94702);
    model.cooling = watts_per_kelvin(0);
    model.ambient = celsius(25);
    Cell cell(model, 0.1);
    cell.advance(std::chrono::seconds(60), amperes(row.i));
    EXPECT_NEAR(cell.temperature().value() - 25, row.k_per_min, 0.51e-4);
  }
}

}  // namespace
}  // namespace chargewright::drivers::simulated

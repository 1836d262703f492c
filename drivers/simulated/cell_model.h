#pragma once
// Parameters of a simulated cell or capacitor, and their reading from the `model:` mapping of a
// cell file or a simulated bench file. Equations: handbook values and closed forms are cited beside
// the tests in tests/outside.

#include <array>
#include <optional>
#include <vector>

#include "drivers/document.h"
#include "drivers/quantity.h"

namespace chargewright::drivers::simulated {

struct CellModel {
  enum class Kind { battery, capacitor } kind = Kind::battery;
  Coulombs capacity = ampere_hours(2.0);  // battery
  struct OcvPoint {
    double state_of_charge = 0;  // 0..1, rising
    Volts voltage{};
  };
  std::vector<OcvPoint> ocv;           // battery; linear between points
  Farads capacitance = farads(100.0);  // capacitor: its "OCV" is its inner voltage
  Ohms r0 = ohms(0.030);               // series resistance, or ESR
  struct RcPair {
    Ohms r{};
    Farads c{};
  };
  std::array<RcPair, 2> rc{};  // r = 0: pair absent
  Kelvins arrhenius{};         // Ea/R on all resistances about 25 degC; 0: none
  JoulesPerKelvin heat_capacity = joules_per_kelvin(45.0);
  WattsPerKelvin cooling = watts_per_kelvin(0.05);
  Celsius ambient = celsius(20.0);
};

// Reads the keys of `model:` (kind, capacity, ocv: [[0, 3.0 V], ...], capacitance, r0, rc: [{r,
// c}], heat-capacity, cooling, ambient, arrhenius). `start` gives defaults for keys that are
// absent.
CellModel read_cell_model(Mapping& mapping, const CellModel& start);

// A plausible default for a chemistry key (`li-ion-nmc`, `li-ion-lfp`, `lto`, `edlc`, ...).
std::optional<CellModel> typical_model(std::string_view chemistry, Coulombs capacity);

}  // namespace chargewright::drivers::simulated

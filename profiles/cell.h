#pragma once
// A cell, pack or capacitor as its file describes it. Voltages, currents and capacity are those of
// the whole pack as wired; `arrangement` says how many cells share them. What its data sheet says
// rules; the bands of profiles/chemistry.h only catch slips.

#include <optional>
#include <string>
#include <vector>

#include "drivers/document.h"
#include "drivers/quantity.h"
#include "drivers/simulated/cell_model.h"

namespace chargewright::profiles {

// Of its capacity, into a cell that is found empty: where its file does not say (common practice,
// no source).
inline constexpr double charge_most_usually = 1.2;

struct Cell {
  std::string name;
  std::string chemistry;
  int series = 1;
  int parallel = 1;
  drivers::Coulombs capacity{};                // of a capacitor: capacitance x (full - empty)
  std::optional<drivers::Farads> capacitance;  // of the whole bank; capacitors only
  // What may flow into it in one run, where its file says so.
  std::optional<drivers::Coulombs> charge_never_above;
  struct {
    drivers::Volts empty{};
    drivers::Volts full{};
    drivers::Volts never_above{};
    drivers::Volts never_below{};
  } voltage;
  struct {
    drivers::Amperes charge{};       // the most that a step may steer to
    drivers::Amperes never_above{};  // cut at; 10 % above `charge` where the file does not say
    std::optional<drivers::Amperes> discharge;
  } current;
  struct {
    drivers::Celsius charge_min{};
    drivers::Celsius charge_max{};
    drivers::Celsius never_above{};
  } temperature;
  std::optional<drivers::Kilograms> mass;
  std::optional<drivers::CubicMetres> volume;
  drivers::simulated::CellModel model;  // for rehearsal; typical of the chemistry where not given
  // What of it the file states; the response-time budget mistrusts the rest (S7).
  struct {
    bool charge_curve = false;  // `ocv` or `capacitance`
    bool resistance = false;    // `r0`: then the pairs count as they are, stated or typical
    bool heat_capacity = false;
  } model_states;

  std::string file;
  std::string text;  // the exact bytes, for the record
  struct {
    drivers::Place capacity;
    drivers::Place charge_never_above;
    drivers::Place full;
    drivers::Place never_above;
    drivers::Place never_below;
    drivers::Place charge_current;
    drivers::Place never_above_current;
    drivers::Place discharge_current;
    drivers::Place charge_temperature;
    drivers::Place never_above_temperature;
  } places;
};

drivers::Checked<Cell> load_cell(const std::string& path);
drivers::Checked<Cell> read_cell(const drivers::Document& document);

}  // namespace chargewright::profiles

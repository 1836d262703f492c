#include "profiles/slopes.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "profiles/chemistry.h"

namespace chargewright::profiles {

using namespace drivers;
using simulated::CellModel;

namespace {

constexpr double unstated = 2.0;           // how far a typical cell may be off
constexpr double capacitance_least = 0.8;  // of what a capacitor is marked with: common practice
// Published parameter sets of an iron phosphate and of a nickel-manganese-cobalt cell have 999 and
// 913 J/(kg K).
constexpr double joules_per_kilogram_kelvin = 900;
constexpr double reference_k = 298.15;
constexpr double zero_celsius_k = 273.15;

double arrhenius(const CellModel& model, double celsius) {
  return std::exp(model.arrhenius.value() * (1 / (celsius + zero_celsius_k) - 1 / reference_k));
}

struct Worst {
  Ohms resistance{};  // all of it
  JoulesPerKelvin heat_capacity = joules_per_kelvin(HUGE_VAL);
};

// Where the chemistry is not known, the model is no typical one either: the most resistance and the
// least heat capacity of those that are known, at the size of this cell.
std::optional<Worst> worst_known(const Cell& cell) {
  if (cell.chemistry != "other") return std::nullopt;
  Worst worst;
  for (const std::string& key : chemistry_keys()) {
    if (find_chemistry(key)->capacitor != cell.capacitance.has_value()) continue;
    const auto typical = simulated::typical_model(key, cell.capacity);
    if (!typical) continue;
    const Ohms all = typical->r0 + typical->rc[0].r + typical->rc[1].r;
    worst.resistance = std::max(worst.resistance, all * (1.0 * cell.series));
    worst.heat_capacity =
        std::min(worst.heat_capacity, typical->heat_capacity * (1.0 * cell.series));
  }
  return worst;
}

// In series with any pairs.
Ohms series_resistance(const Cell& cell) {
  const auto worst = worst_known(cell);
  if (cell.model_states.resistance || !worst) return cell.model.r0;
  return std::max(cell.model.r0, worst->resistance);
}

safety::CellSlopes::Resistances resistances(const Cell& cell, double celsius) {
  const double factor =
      arrhenius(cell.model, celsius) * (cell.model_states.resistance ? 1 : unstated);
  return {.series = series_resistance(cell) * factor,
          .pairs = {cell.model.rc[0].r * factor, cell.model.rc[1].r * factor}};
}

double total(const safety::CellSlopes::Resistances& r) {
  return (r.series + r.pairs[0] + r.pairs[1]).value();
}

// Steepest of the open-circuit line from this voltage on; it goes on straight beyond its end.
double volts_per_coulomb(const CellModel& model, double from) {
  double steepest = 0;
  for (std::size_t k = 0; k + 1 < model.ocv.size(); ++k) {
    const auto& begin = model.ocv[k];
    const auto& end = model.ocv[k + 1];
    const bool last = k + 2 == model.ocv.size();
    if (!last && end.voltage.value() < from) continue;
    const double charge = (end.state_of_charge - begin.state_of_charge) * model.capacity.value();
    steepest = std::max(steepest, (end.voltage - begin.voltage).value() / charge);
  }
  return steepest;
}

Farads differential(const Cell& cell, double from) {
  const CellModel& model = cell.model;
  if (model.kind == CellModel::Kind::capacitor) {
    return model.capacitance * (cell.model_states.charge_curve ? 1 : capacitance_least);
  }
  // A table that ends flat says nothing about what comes after.
  const double even = (cell.voltage.full - cell.voltage.empty).value() / model.capacity.value();
  const double steepest = std::max(even, volts_per_coulomb(model, from));
  return farads(1 / steepest / (cell.model_states.charge_curve ? 1 : unstated));
}

JoulesPerKelvin heat_capacity(const Cell& cell) {
  if (cell.model_states.heat_capacity) return cell.model.heat_capacity;
  if (cell.mass) return joules_per_kelvin(cell.mass->value() * joules_per_kilogram_kelvin);
  JoulesPerKelvin typical = cell.model.heat_capacity;
  if (const auto worst = worst_known(cell)) typical = std::min(typical, worst->heat_capacity);
  return typical / unstated;
}

}  // namespace

safety::CellSlopes slopes_of(const Cell& cell, const SlopesAt& at) {
  const CellModel& model = cell.model;
  safety::CellSlopes slopes;
  slopes.cold = resistances(cell, at.coldest.value());
  const double from = at.voltage.value() - at.most.value() * total(slopes.cold);
  slopes.differential = differential(cell, from);
  slopes.heat_capacity = heat_capacity(cell);
  // One whose chemistry nobody states, and that is charged well beyond full, may be of that kind.
  const Chemistry* known = find_chemistry(cell.chemistry);
  const bool beyond_full = cell.charge_never_above && *cell.charge_never_above / cell.capacity >
                                                          charge_most_usually * (1 + 1e-9);
  if ((known != nullptr && known->heats_when_full) || beyond_full) {
    slopes.overcharged = cell.voltage.full;
  }
  // Twice the resistance at the same time constants.
  const double times = cell.model_states.resistance ? 1 : unstated;
  const safety::CellSlopes::Resistances hot = resistances(cell, at.hottest.value());
  double slowest = in_seconds(at.lag);
  for (std::size_t k = 0; k < model.rc.size(); ++k) {
    if (!(model.rc[k].r.value() > 0)) continue;
    slopes.pair_capacities[k] = model.rc[k].c / times;
    slowest = std::max(slowest, (hot.pairs[k] * slopes.pair_capacities[k]).value());
  }
  // Lag and polarization remember the cell as it was, colder and with more resistance: where that
  // falls at a rate k, a lag of tau is behind by a factor 1/(1 - k tau): about what the temperature
  // rose in 1.5 tau, as long as k tau is below a half.
  const double amperes = at.steered.value();
  const double watts = amperes * (amperes * total(hot) + slopes.overcharged.value());
  const double remembered = 1.5 * slowest * watts / slopes.heat_capacity.value();
  slopes.warm = resistances(cell, std::max(at.coldest.value(), at.hottest.value() - remembered));
  return slopes;
}

std::string assumed_of(const Cell& cell) {
  std::string words;
  const auto add = [&](bool stated, std::string_view what) {
    if (stated) return;
    words += (words.empty() ? "" : ", ") + std::string(what);
  };
  const bool capacitor = cell.model.kind == CellModel::Kind::capacitor;
  add(cell.model_states.charge_curve,
      capacitor ? "0.8 of the marked capacitance" : "half the typical capacity per volt");
  const bool known = !worst_known(cell);
  add(cell.model_states.resistance,
      known ? "twice the typical resistance" : "twice the most resistance of any known chemistry");
  const std::string_view stored = known ? "half the typical heat capacity"
                                        : "half the least heat capacity of any known chemistry";
  add(cell.model_states.heat_capacity, cell.mass ? "900 J/(kg K)" : stored);
  return words;
}

}  // namespace chargewright::profiles

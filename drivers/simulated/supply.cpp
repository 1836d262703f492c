#include "drivers/simulated/supply.h"

#include <cmath>

namespace chargewright::drivers::simulated {
namespace {

bool within(double value, double most) { return value >= 0 && value <= most * (1 + 1e-12); }

}  // namespace

double rounded(double value, double step) {
  if (!(step > 0)) return value;
  const double steps = value / step;
  if (!(std::abs(steps) < 1e15)) return value;  // no digit left to round, or not a number
  // Not nearbyint: a call into the library for every reading is felt in a rehearsal.
  return static_cast<double>(static_cast<std::int64_t>(steps + std::copysign(0.5, steps))) * step;
}

SupplyOutput::SupplyOutput(const SupplyModel& model) : model_(model) {
  if (model_.power_max.value() <= 0) model_.power_max = model_.voltage_max * model_.current_max;
  reset();
}

void SupplyOutput::reset() {
  over_voltage_ = over_voltage_max();
  over_current_ = over_current_max();
  over_voltage_armed_ = model_.has_over_voltage;  // many cannot even be disarmed
  over_current_armed_ = false;
  over_voltage_tripped_ = over_current_tripped_ = false;
  voltage_set_ = model_.fixed ? model_.fixed_voltage : Volts{};
  current_set_ = model_.fixed ? model_.fixed_current : Amperes{};
  on_ = model_.fixed;
}

bool SupplyOutput::set_voltage(Volts v) {
  if (!within(v.value(), model_.voltage_max.value())) return false;
  voltage_set_ = volts(rounded(v.value(), model_.voltage_resolution.value()));
  return true;
}

bool SupplyOutput::set_current(Amperes i) {
  if (!within(i.value(), model_.current_max.value())) return false;
  current_set_ = amperes(rounded(i.value(), model_.current_resolution.value()));
  return true;
}

bool SupplyOutput::set_over_voltage(Volts v) {
  if (!within(v.value(), over_voltage_max().value())) return false;
  over_voltage_ = volts(rounded(v.value(), model_.voltage_resolution.value()));
  return true;
}

bool SupplyOutput::set_over_current(Amperes i) {
  if (!within(i.value(), over_current_max().value())) return false;
  over_current_ = amperes(rounded(i.value(), model_.current_resolution.value()));
  return true;
}

bool SupplyOutput::switch_on() {
  if (over_voltage_tripped_ || over_current_tripped_) return false;
  on_ = true;
  return true;
}

void SupplyOutput::switch_off() { on_ = false; }

Volts SupplyOutput::voltage_readback() const {
  return volts(rounded(voltage_ + model_.voltage_offset.value(),
                       model_.voltage_readback_resolution.value()));
}

Amperes SupplyOutput::current_readback() const {
  return amperes(rounded(current_ + model_.current_offset.value(),
                         model_.current_readback_resolution.value()));
}

bool SupplyOutput::protect() {
  if (!on_) return false;
  // A hair of tolerance, so that a setpoint equal to the level does not trip on rounding.
  const bool voltage = over_voltage_armed_ && voltage_ > over_voltage_.value() + 1e-9;
  const bool current = over_current_armed_ && current_ > over_current_.value() + 1e-9;
  if (!voltage && !current) return false;
  over_voltage_tripped_ = over_voltage_tripped_ || voltage;
  over_current_tripped_ = over_current_tripped_ || current;
  on_ = false;
  return true;
}

}  // namespace chargewright::drivers::simulated

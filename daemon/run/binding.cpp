#include "daemon/run/binding.h"

#include <cmath>

namespace chargewright::daemon {

Binding judge_binding(const BindingFacts& facts) {
  if (!facts.output_on) return Binding::none;
  if (!std::isfinite(facts.current.value()) || !std::isfinite(facts.at_cell.value())) {
    return Binding::none;
  }
  if (facts.current >= facts.current_setpoint - facts.current_tolerance) {
    return facts.current_setpoint_by;
  }
  if (facts.at_cell >= facts.voltage_ceiling - facts.voltage_tolerance) {
    return Binding::step_voltage;
  }
  return facts.voltage_is_rating ? Binding::source_rating : Binding::below_every_ceiling;
}

}  // namespace chargewright::daemon

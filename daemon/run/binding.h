#pragma once
// What sets the current at this moment, judged from what is measured against what was asked for. A
// supply's own regulation bit (constant voltage, constant current) differs between makes and is
// never used alone (S1); it is not used here at all.

#include "daemon/run/progress.h"
#include "drivers/quantity.h"

namespace chargewright::daemon {

struct BindingFacts {
  bool output_on = false;
  drivers::Volts at_cell{};
  drivers::Amperes current{};
  drivers::Volts voltage_ceiling{};
  drivers::Amperes current_setpoint{};
  Binding current_setpoint_by = Binding::step_current;  // which ceiling made that setpoint
  drivers::Volts voltage_tolerance{};                   // of the instruments
  drivers::Amperes current_tolerance{};
  bool voltage_is_rating = false;  // the voltage setpoint is as high as the source goes
};

Binding judge_binding(const BindingFacts& facts);

}  // namespace chargewright::daemon

#pragma once
// Raises the source's voltage setpoint by what the leads drop, where another instrument reads the
// voltage at the cell's own terminals: the constant-voltage part is then held at the cell, not at
// the source. Bounded by the plan (S2), slow upwards, at once downwards, and it backs off as soon
// as the cell reads above the ceiling: an overestimated lead never overcharges.

#include "drivers/quantity.h"

namespace chargewright::daemon {

class LeadCompensation {
 public:
  LeadCompensation(drivers::Volts ceiling, drivers::Ohms loop, drivers::Volts most);
  void see(drivers::Volts at_cell, drivers::Amperes current);  // one reading of each
  [[nodiscard]] drivers::Volts rise() const { return drivers::volts(rise_v_); }

 private:
  double ceiling_v_;
  double loop_ohm_;
  double most_v_;
  double rise_v_ = 0;
};

}  // namespace chargewright::daemon

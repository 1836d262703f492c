#include "daemon/run/lead_compensation.h"

#include <algorithm>

namespace chargewright::daemon {

// Share of the missing rise that is added per reading. The rise feeds back on the current that it
// is made from; small steps let the meter see each before the next.
constexpr double share_per_reading = 0.2;

LeadCompensation::LeadCompensation(drivers::Volts ceiling, drivers::Ohms loop, drivers::Volts most)
    : ceiling_v_(ceiling.value()), loop_ohm_(loop.value()), most_v_(std::max(0.0, most.value())) {}

void LeadCompensation::see(drivers::Volts at_cell, drivers::Amperes current) {
  const double drop = std::clamp(current.value() * loop_ohm_, 0.0, most_v_);
  const double above = at_cell.value() - ceiling_v_;
  double target = drop;
  if (above > 0) target = std::clamp(rise_v_ - above, 0.0, drop);
  rise_v_ = target < rise_v_ ? target : rise_v_ + share_per_reading * (target - rise_v_);
}

}  // namespace chargewright::daemon

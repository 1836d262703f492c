#include "safety/resting_voltage.h"

#include <cmath>

namespace chargewright::safety {

void RestingVoltage::see(double volts, double band, drivers::Instant when) {
  if (seen_ > 0 && when <= when_) return;
  if (seen_ >= 2) {
    const double passed = drivers::in_seconds(when - when_);
    leapt_ = !(std::abs(volts - volts_) <= pace_ * passed + band);
    if (leapt_) return;  // all stands as before the leap, should it come back
  }
  if (seen_ > 0) pace_ = std::abs(volts - volts_) / drivers::in_seconds(when - when_);
  if (seen_ < 2) ++seen_;
  volts_ = volts;
  when_ = when;
}

}  // namespace chargewright::safety

#include "safety/flow.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {
namespace {

// What is expected must stand this far above "stopped": readings are rounded and not quite at one
// time (common practice, no source).
constexpr double clearly = 4;

}  // namespace

double Flow::least_expected(const Circumstances& at, drivers::Instant when) const {
  const double passed = drivers::in_seconds(when - when_);
  double fall = fall_per_second_ * passed;
  if (at.fall_time > drivers::Duration::zero()) {
    fall = std::max(fall, passed / drivers::in_seconds(at.fall_time));
  }
  double least = amperes_ * std::exp(-fall);
  const double lowered = (circumstances_.voltage_setpoint - at.voltage_setpoint).value();
  if (lowered > 0) least -= at.leads.value() > 0 ? lowered / at.leads.value() : least;
  return std::min(least, at.current_setpoint.value());
}

void Flow::see(double amperes, double cell_volts, const Circumstances& at, drivers::Instant when) {
  // Where no answer came, the reading before is shown once more: it tells nothing of the pace.
  if (begun_ && when <= when_) return;
  const double off = at.off.value();
  const bool stopped = std::abs(amperes) <= off;
  ever_ = ever_ || !stopped;
  if (!stopped) flowing_volts_ = cell_volts;
  if (stopped && (!begun_ || std::abs(amperes_) > off)) stopped_since_ = when;
  if (!stopped) {
    broke_off_ = false;
  } else if (begun_ && least_expected(at, when) > clearly * off) {
    broke_off_ = true;
  }
  if (begun_ && amperes > 0 && amperes_ > 0) {
    fall_per_second_ =
        std::max(0.0, std::log(amperes_ / amperes) / drivers::in_seconds(when - when_));
  } else {
    fall_per_second_ = 0;
  }
  begun_ = true;
  amperes_ = amperes;
  when_ = when;
  circumstances_ = at;
}

}  // namespace chargewright::safety

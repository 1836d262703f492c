#include "daemon/run/foldback.h"

#include <algorithm>
#include <cmath>

namespace chargewright::daemon {

// Wider: the charge slows down earlier than it must; narrower: the digits of a thermometer become
// steps of the current.
constexpr double band_k = 1.0;
// For critical damping of an integrating body: four times the proportional loop's own time.
constexpr double damping = 4.0;
constexpr double integral_time_min_s = 40;
constexpr double integral_time_max_s = 2000;
constexpr auto heating_window = std::chrono::seconds(30);

Foldback::Foldback(drivers::Celsius ceiling, drivers::Amperes most)
    : ceiling_c_(ceiling.value()), most_a_(most.value()) {}

void Foldback::watch_heating(double degrees_c, double flowing_a, drivers::Instant at) {
  if (!begun_) {
    window_began_ = at;
    window_began_c_ = degrees_c;
    return;
  }
  if (at - window_began_ < heating_window) return;
  const double rise = (degrees_c - window_began_c_) / drivers::in_seconds(at - window_began_);
  const double share = flowing_a / most_a_;
  // At a small share of the current its heat drowns in the noise of the thermometer.
  if (share > 0.5 && share < 1.1) rate_ = std::max(rate_, rise / (share * share));
  window_began_ = at;
  window_began_c_ = degrees_c;
}

void Foldback::see(drivers::Celsius temperature, drivers::Amperes flowing, drivers::Instant at) {
  const double degrees_c = temperature.value();
  if (!std::isfinite(degrees_c) || (begun_ && at <= last_)) return;
  watch_heating(degrees_c, flowing.value(), at);
  const double dt = begun_ ? drivers::in_seconds(at - last_) : 0;
  begun_ = true;
  last_ = at;
  const double distance = (ceiling_c_ - degrees_c) / band_k;
  const double integral_time =
      rate_ > 0 ? std::clamp(damping * band_k / rate_, integral_time_min_s, integral_time_max_s)
                : integral_time_max_s;
  const double wanted = distance + integral_;
  if (wanted < 1) {
    integral_ += distance * std::min(dt / integral_time, 1.0);
    integral_ = std::clamp(integral_, 0.0, 1.0);
  } else {
    integral_ = std::min(integral_, std::max(0.0, 1 - distance));
  }
  share_ = std::clamp(distance + integral_, 0.0, 1.0);
}

drivers::Amperes Foldback::current() const { return drivers::amperes(most_a_ * std::sqrt(share_)); }

}  // namespace chargewright::daemon

#include "safety/warming.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {
namespace {

// While less than this is expected, nothing has begun: the thermometer starts from where it is.
constexpr double begins_at = 0.5;  // K
// A current is taken to have held no longer than this since it was last read.
constexpr double held_most = 60;  // s

}  // namespace

void Warming::see(double amperes, drivers::Instant when) {
  if (begun_ && body_.known() && when > when_) {
    const double passed = drivers::in_seconds(when - when_);
    const double heated = std::min(passed, held_most);
    // The weaker of the two currents: between them it was not less for long.
    const double i = std::min(std::abs(amperes_), std::abs(amperes));
    const double power = i * i * body_.resistance_least.value();
    const double balance = power * cooling_time / body_.heat_capacity_most.value();
    kelvins_ = balance + (kelvins_ - balance) * std::exp(-heated / cooling_time);
    kelvins_ *= std::exp(-(passed - heated) / cooling_time);
  }
  begun_ = true;
  amperes_ = amperes;
  when_ = when;
}

void FollowedWarming::see(double celsius, double least) {
  if (!begun_ || least < begins_at) lowest_ = celsius;
  begun_ = true;
  celsius_ = celsius;
  lowest_ = std::min(lowest_, celsius);
  behind_ = least >= Warming::judged_from && !(rise() >= Warming::share_least * least);
}

}  // namespace chargewright::safety

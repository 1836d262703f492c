#include "safety/warming.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {
namespace {

// While less than this is expected, nothing has begun: the thermometer starts from where it is.
constexpr double begins_at = 0.5;  // K
// A current is taken to have held no longer than this since it was last read.
constexpr double held_most = 60;    // s
constexpr double room_colder = 10;  // K, than anything shown yet
constexpr double room_least = 15;   // degC: a cell may be warm when it is first seen
constexpr double unrest = 1;        // K, of the thermometer itself
constexpr drivers::Duration mark_every = std::chrono::seconds(15);
constexpr drivers::Duration cooling_from = std::chrono::seconds(30);
constexpr drivers::Duration newer_from = std::chrono::seconds(60);
constexpr double newer_unrest = 0.2;  // K
constexpr drivers::Duration cooling_mark_every = std::chrono::minutes(2);

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

void Cooling::see(double celsius, drivers::Instant when) {
  if (!begun_) {
    begun_ = true;
    older_ = newer_ = {celsius, when};
  }
  const auto rate_since = [&](const Mark& mark, double more) {
    return std::max(0.0, mark.celsius - celsius + more) / drivers::in_seconds(when - mark.when);
  };
  rate_ = 0;
  if (when - older_.when >= cooling_from) rate_ = rate_since(older_, 0);
  // What has reached the room within the last minutes does not go on as it fell.
  if (when - newer_.when >= newer_from) rate_ = std::min(rate_, rate_since(newer_, newer_unrest));
  if (when - newer_.when >= cooling_mark_every) {
    older_ = newer_;
    newer_ = {celsius, when};
  }
}

void FollowedWarming::begin() {
  const Cooling before = cooling_;
  *this = FollowedWarming{};
  cooling_ = before;
}

// What a cell can have cooled by since the older of two marks; they are renewed in turn.
void FollowedWarming::see_fall(double celsius, drivers::Instant when) {
  const double passed = drivers::in_seconds(when - older_.when);
  const double room = std::min(older_.coldest - room_colder, room_least);
  const double most = (older_.celsius - room) * -std::expm1(-passed / Warming::cooling_time);
  const double fall = older_.celsius - celsius;
  if (passed > 0 && !(fall <= most + unrest)) {
    fell_ = true;
    change_ = -fall;
    least_change_ = -most;
  }
  if (when - newer_.when >= mark_every) {
    older_ = newer_;
    newer_ = {celsius, coldest_, when};
  }
}

void FollowedWarming::see(double celsius, double least, drivers::Instant when) {
  if (!begun_) {
    begun_ = true;
    lowest_ = coldest_ = celsius;
    older_ = newer_ = {celsius, celsius, when};
  }
  cooling_.see(celsius, when);
  if (fell_) return;
  if (least < begins_at) {
    lowest_ = celsius;
    warms_since_ = when;
    if (least <= least_before_) fall_rate_ = cooling_.rate();
  }
  least_before_ = least;
  lowest_ = std::min(lowest_, celsius);
  const double rise = celsius - lowest_;
  // A fall fades no later than the warming that is expected, which would else make up for it.
  const double fading =
      Warming::cooling_time *
      -std::expm1(-drivers::in_seconds(when - warms_since_) / Warming::cooling_time);
  const double fall = fall_rate_ * fading;
  const double rise_least = Warming::share_least * least - fall;
  slow_ = least >= Warming::judged_from && !(rise >= rise_least);
  if (slow_) {
    change_ = rise;
    least_change_ = rise_least;
  }
  see_fall(celsius, when);
  coldest_ = std::min(coldest_, celsius);
}

}  // namespace chargewright::safety

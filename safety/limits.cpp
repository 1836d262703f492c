#include "safety/limits.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {
namespace {

using drivers::Duration;

double number(Duration value) { return drivers::in_seconds(value); }
template <class Q>
double number(const Q& value) {
  return value.value();
}

// Which way is tighter: every limit is an upper bound but the two that end in _below.
enum class Side { above, below };

template <class Q>
bool tighter(const Q& a, const Q& b, Side side) {
  const bool below = a < b;
  const bool above = b < a;
  return side == Side::above ? below : above;
}

// Not "tighter or equal" but "provably so": a NaN on either side compares false, hence looser.
template <class Q>
bool as_tight(const Q& a, const Q& b, Side side) {
  const bool at_most = a <= b;
  const bool at_least = a >= b;
  return side == Side::above ? at_most : at_least;
}

template <class Q>
void keep_at_once(Limit<Q>& ours, const AtOnce<Q>& with, Side side) {
  if (ours.at_once && !tighter(with.value, ours.at_once->value, side)) return;
  ours.at_once = with;
}

// `with` counts by its value and on-delay alone.
template <class Q>
void keep_tighter(Limit<Q>& ours, const Limit<Q>& with, Side side) {
  const bool immediate = with.on_delay == Duration::zero();
  if (tighter(with.value, ours.value, side)) {
    if (with.on_delay > Duration::zero() && ours.on_delay == Duration::zero()) {
      ours = {with.value, with.origin, with.on_delay, AtOnce<Q>{ours.value, ours.origin}};
    } else {
      ours.value = with.value;
      ours.origin = with.origin;
      ours.on_delay = std::min(ours.on_delay, with.on_delay);
    }
  } else if (immediate && tighter(ours.value, with.value, side)) {
    keep_at_once(ours, {with.value, with.origin}, side);
  } else {
    ours.on_delay = std::min(ours.on_delay, with.on_delay);
  }
  // It would stand behind nothing.
  if (ours.on_delay == Duration::zero()) ours.at_once.reset();
}

template <class Q>
void keep_tighter(std::optional<Limit<Q>>& ours, const std::optional<Limit<Q>>& with, Side side) {
  if (!with) return;
  // What is not a number is kept, so that defect() names it instead of its being dropped.
  if (!ours || std::isnan(number(with->value))) {
    ours = with;
    return;
  }
  if (std::isnan(number(ours->value))) return;
  keep_tighter(*ours, *with, side);
  if (!with->at_once) return;
  keep_tighter(*ours, {with->at_once->value, with->at_once->origin, {}, {}}, side);
}

// Does what `now` says trip at `value` beyond for `on_delay`, or sooner?
template <class Q>
bool trips_by(const Limit<Q>& now, const Q& value, Duration on_delay, Side side) {
  if (now.on_delay <= on_delay && as_tight(now.value, value, side)) return true;
  return now.at_once && as_tight(now.at_once->value, value, side);
}

template <class Q>
bool as_tight(const std::optional<Limit<Q>>& now, const std::optional<Limit<Q>>& approved,
              Side side) {
  if (!approved) return true;
  if (!now || !trips_by(*now, approved->value, approved->on_delay, side)) return false;
  return !approved->at_once || trips_by(*now, approved->at_once->value, Duration::zero(), side);
}

template <class Q>
bool unusable(const std::optional<Limit<Q>>& limit) {
  if (!limit) return false;
  if (limit->at_once && !std::isfinite(number(limit->at_once->value))) return true;
  return !std::isfinite(number(limit->value)) || limit->on_delay < Duration::zero();
}

template <class Q>
bool negative(const std::optional<Limit<Q>>& limit) {
  return limit && number(limit->value) < 0;
}

}  // namespace

std::string_view key_of(Origin origin) {
  switch (origin) {
    case Origin::cell:
      return "cell";
    case Origin::wiring:
      return "wiring";
    case Origin::instrument:
      return "instrument";
    case Origin::policy:
      return "policy";
    case Origin::profile:
      return "profile";
  }
  return "unknown";
}

void tighten(Limits& limits, const Limits& with) {
  keep_tighter(limits.voltage_above, with.voltage_above, Side::above);
  keep_tighter(limits.voltage_below, with.voltage_below, Side::below);
  keep_tighter(limits.current_above, with.current_above, Side::above);
  keep_tighter(limits.current_reverse, with.current_reverse, Side::above);
  keep_tighter(limits.power_above, with.power_above, Side::above);
  keep_tighter(limits.temperature_above, with.temperature_above, Side::above);
  keep_tighter(limits.temperature_below, with.temperature_below, Side::below);
  keep_tighter(limits.temperature_rising, with.temperature_rising, Side::above);
  keep_tighter(limits.charge_above, with.charge_above, Side::above);
  keep_tighter(limits.energy_above, with.energy_above, Side::above);
  keep_tighter(limits.run_time, with.run_time, Side::above);
  keep_tighter(limits.step_time, with.step_time, Side::above);
}

bool no_looser(const Limits& now, const Limits& approved) {
  return as_tight(now.voltage_above, approved.voltage_above, Side::above) &&
         as_tight(now.voltage_below, approved.voltage_below, Side::below) &&
         as_tight(now.current_above, approved.current_above, Side::above) &&
         as_tight(now.current_reverse, approved.current_reverse, Side::above) &&
         as_tight(now.power_above, approved.power_above, Side::above) &&
         as_tight(now.temperature_above, approved.temperature_above, Side::above) &&
         as_tight(now.temperature_below, approved.temperature_below, Side::below) &&
         as_tight(now.temperature_rising, approved.temperature_rising, Side::above) &&
         as_tight(now.charge_above, approved.charge_above, Side::above) &&
         as_tight(now.energy_above, approved.energy_above, Side::above) &&
         as_tight(now.run_time, approved.run_time, Side::above) &&
         as_tight(now.step_time, approved.step_time, Side::above);
}

std::string_view defect(const Limits& limits) {
  if (!limits.voltage_above) return "no limit on the voltage (voltage above)";
  if (!limits.current_above) return "no limit on the current (current above)";
  if (!limits.run_time) return "no limit on the run time (time above)";
  if (unusable(limits.voltage_above)) return "the limit on voltage above is not a usable number";
  if (unusable(limits.voltage_below)) return "the limit on voltage below is not a usable number";
  if (unusable(limits.current_above)) return "the limit on current above is not a usable number";
  if (unusable(limits.current_reverse))
    return "the limit on reverse current is not a usable number";
  if (unusable(limits.power_above)) return "the limit on power above is not a usable number";
  if (unusable(limits.temperature_above)) {
    return "the limit on temperature above is not a usable number";
  }
  if (unusable(limits.temperature_below)) {
    return "the limit on temperature below is not a usable number";
  }
  if (unusable(limits.temperature_rising)) {
    return "the limit on temperature rising is not a usable number";
  }
  if (unusable(limits.charge_above)) return "the limit on charge above is not a usable number";
  if (unusable(limits.energy_above)) return "the limit on energy above is not a usable number";
  if (unusable(limits.run_time)) return "the limit on run time is not a usable number";
  if (unusable(limits.step_time)) return "the limit on step time is not a usable number";
  if (negative(limits.run_time)) return "the limit on run time is negative";
  if (negative(limits.step_time)) return "the limit on step time is negative";
  if (negative(limits.current_above)) return "the limit on current above is negative";
  if (negative(limits.current_reverse)) {
    return "the limit on reverse current is negative (it is a positive number)";
  }
  if (negative(limits.power_above)) return "the limit on power above is negative";
  if (negative(limits.temperature_rising)) return "the limit on temperature rising is negative";
  if (negative(limits.charge_above)) return "the limit on charge above is negative";
  if (negative(limits.energy_above)) return "the limit on energy above is negative";
  if (limits.voltage_below && limits.voltage_below->value >= limits.voltage_above->value) {
    return "the limits on voltage are reversed: below must be less than above";
  }
  if (limits.temperature_below && limits.temperature_above &&
      limits.temperature_below->value.value() >= limits.temperature_above->value.value()) {
    return "the limits on temperature are reversed: below must be less than above";
  }
  return {};
}

}  // namespace chargewright::safety

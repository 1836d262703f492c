#pragma once
// Every limit there is, by its key and its place in safety::Limits: one list for all who go through
// them, since a limit forgotten in one of several lists would be silently loosened.

#include <string_view>

#include "safety/limits.h"

namespace chargewright::daemon {

// Calls visit(key, pointer to member) for each.
template <class Visit>
void for_each_limit(Visit&& visit) {
  using safety::Limits;
  visit("voltage-above", &Limits::voltage_above);
  visit("voltage-below", &Limits::voltage_below);
  visit("current-above", &Limits::current_above);
  visit("current-reverse", &Limits::current_reverse);
  visit("power-above", &Limits::power_above);
  visit("temperature-above", &Limits::temperature_above);
  visit("temperature-below", &Limits::temperature_below);
  visit("temperature-rising", &Limits::temperature_rising);
  visit("charge-above", &Limits::charge_above);
  visit("energy-above", &Limits::energy_above);
  visit("run-time", &Limits::run_time);
  visit("step-time", &Limits::step_time);
}

}  // namespace chargewright::daemon

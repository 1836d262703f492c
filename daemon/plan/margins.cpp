#include "daemon/plan/margins.h"

#include <algorithm>

namespace chargewright::daemon {

std::vector<LimitMargin> margins_of(const safety::Limits& l, const Rehearsal& rehearsal) {
  std::vector<LimitMargin> margins;
  const auto above = [&](std::string_view quantity, std::string_view unit, const auto& limit,
                         double value, double extreme) {
    margins.push_back({quantity, unit, value, extreme, value - extreme, limit->origin});
  };
  const auto below = [&](std::string_view quantity, std::string_view unit, const auto& limit,
                         double extreme) {
    const double value = limit->value.value();
    margins.push_back({quantity, unit, value, extreme, extreme - value, limit->origin});
  };
  if (l.voltage_above) {
    above("voltage-above", "V", l.voltage_above, l.voltage_above->value.value(),
          rehearsal.volts_max);
  }
  if (l.voltage_below) below("voltage-below", "V", l.voltage_below, rehearsal.volts_min);
  if (l.current_above) {
    above("current-above", "A", l.current_above, l.current_above->value.value(),
          rehearsal.amperes_max);
  }
  if (l.power_above) {
    above("power-above", "W", l.power_above, l.power_above->value.value(), rehearsal.watts_max);
  }
  if (l.temperature_above) {
    above("temperature-above", "degC", l.temperature_above, l.temperature_above->value.value(),
          rehearsal.degrees_c_max);
  }
  if (l.temperature_below) {
    below("temperature-below", "degC", l.temperature_below, rehearsal.degrees_c_min);
  }
  if (l.charge_above) {
    above("charge-above", "Ah", l.charge_above, drivers::in_ampere_hours(l.charge_above->value),
          rehearsal.charge_in_ah);
  }
  if (l.energy_above) {
    above("energy-above", "Wh", l.energy_above, drivers::in_watt_hours(l.energy_above->value),
          rehearsal.energy_in_wh);
  }
  if (l.run_time) {
    above("run-time", "s", l.run_time, drivers::in_seconds(l.run_time->value),
          drivers::in_seconds(rehearsal.on_time));
  }
  if (l.step_time) {
    double longest = 0;
    for (const RehearsedStep& step : rehearsal.steps) {
      longest = std::max(longest, drivers::in_seconds(step.duration));
    }
    above("step-time", "s", l.step_time, drivers::in_seconds(l.step_time->value), longest);
  }
  return margins;
}

}  // namespace chargewright::daemon

#include "safety/gate.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {
namespace {

// A setpoint computed as its own bound may exceed it by rounding.
constexpr double rounding = 1.0 + 1e-9;

}  // namespace

drivers::Volts voltage_bound(const RunPlan& run, const ChannelPlan& channel) {
  drivers::Volts bound = run.full + run.lead_compensation_max;
  if (run.limits.voltage_above) {
    bound = std::min(bound, run.limits.voltage_above->value + run.lead_compensation_max);
  }
  return std::min(bound, channel.source_voltage_max);
}

drivers::Amperes current_bound(const RunPlan& run, const ChannelPlan& channel) {
  drivers::Amperes bound = channel.source_current_max;
  if (run.limits.current_above) bound = std::min(bound, run.limits.current_above->value);
  return bound;
}

GateVerdict pass_gate(State state, const RunPlan& run, const ChannelPlan& channel,
                      drivers::Volts voltage, drivers::Amperes current) {
  if (state != State::ready && state != State::energised) return {Refusal::wrong_state};
  const double v = voltage.value();
  const double i = current.value();
  if (!std::isfinite(v) || v < 0) return {Refusal::not_a_number, v};
  if (!std::isfinite(i) || i < 0) return {Refusal::not_a_number, i};
  const double v_bound = voltage_bound(run, channel).value();
  if (!(v <= v_bound * rounding)) return {Refusal::voltage_beyond_limit, v, v_bound};
  const double i_bound = current_bound(run, channel).value();
  if (!(i <= i_bound * rounding)) return {Refusal::current_beyond_limit, i, i_bound};
  if (run.limits.power_above) {
    const double lowest =
        std::max(0.0, run.limits.voltage_below ? run.limits.voltage_below->value.value()
                                               : run.open_circuit_min.value());
    const double least_power = i * lowest;
    const double p_bound = run.limits.power_above->value.value();
    if (!(least_power <= p_bound * rounding)) {
      return {Refusal::power_beyond_limit, least_power, p_bound};
    }
  }
  return {};
}

}  // namespace chargewright::safety

#include "profiles/protections.h"

#include <algorithm>

namespace chargewright::profiles {

using namespace drivers;

namespace {

// S2: a lead compensation is bounded whatever the leads drop, per cell in series (common practice,
// no source).
constexpr double compensation_per_cell_v = 0.2;
// The instrument's own over-voltage protection stands this much above what the output may reach,
constexpr double protection_margin = 0.01;
constexpr double protection_margin_v = 0.030;
// or at least this much, where the cell bears no more: what setpoints may be off when read back
// (safety/plant.h), besides the source's accuracy; more where its dialect lets more pass.
constexpr double protection_margin_least = 0.005;  // V or A

// How far things may be off from what was ordered, in V or A.
struct Off {
  double setpoint = 0;  // as proved
  double level = 0;     // of the protection, as proved and by the source's accuracy
};

// `bears`: what must never be exceeded, whatever is off included. Lower than what lets through all
// that is steered to it is not armed: where the cell does not bear that, the budget refuses it
// (S7).
double level(double steered, double wanted, double bears, const Off& off) {
  const double lowest = steered + off.level + std::max(protection_margin_least, off.setpoint);
  return std::max(lowest, std::min(wanted, bears - off.level));
}

}  // namespace

void set_protections(safety::RunPlan& plan, const Cell& cell, const Bench& bench,
                     const BenchChannel& channel, const ProvedWithin& proved_within,
                     Amperes current_max) {
  const BenchInstrument& source = bench.source_of(channel);
  plan.full = cell.voltage.full;
  // Nothing steers beyond a limit: a storage charge has a tighter one than a full cell needs.
  if (plan.limits.voltage_above) {
    plan.full = std::min(plan.full, plan.limits.voltage_above->value);
  }
  plan.lead_compensation_max = volts(0);
  // Without a voltmeter at the cell, nobody knows what the leads really drop: none is made up.
  if (channel.reads_at_cell()) {
    const Volts drop = current_max * loop_resistance(channel.wiring);
    plan.lead_compensation_max = std::min(drop, volts(compensation_per_cell_v * cell.series));
  }
  const double reach = (plan.full + plan.lead_compensation_max).value();
  const double wanted =
      reach + std::max(protection_margin * plan.full.value(), protection_margin_v);
  plan.over_voltage_protection = volts(
      level(reach, wanted, cell.voltage.never_above.value(),
            {.setpoint = proved_within.voltage.value(),
             .level = source.accuracy.voltage.of(wanted) + proved_within.over_voltage.value()}));
  if (!plan.limits.current_above) return;
  const double highest = plan.limits.current_above->value.value();
  // The limit may be that of the leads: never beyond it.
  const double beyond_steered =
      level(current_max.value(), highest, cell.current.never_above.value(),
            {.setpoint = proved_within.current.value(),
             .level = source.accuracy.current.of(highest) + proved_within.over_current.value()});
  plan.over_current_protection = amperes(std::min(highest, beyond_steered));
}

}  // namespace chargewright::profiles

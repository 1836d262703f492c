#include "daemon/plan/drill_bound.h"

#include <algorithm>
#include <cmath>

namespace chargewright::daemon {

using drivers::simulated::FaultKind;
using safety::Cause;

namespace {

// One digit of the simulated instruments in V, A and K: they round what they set and show, and the
// budget knows their accuracy by the bench file only.
double digit_of(Cause cause) { return cause == Cause::temperature_high ? 0.01 : 0.001; }

// What a fault leaves of the budget's premises.
enum class Covered : std::uint8_t {
  whole,    // read and obeyed
  unread,   // obeyed; the instrument that shows the crossing may fail
  by_hand,  // read; only the contactor obeys
  time,     // read and obeyed; but the quantity rises by what no slope of the cell explains
  not_at_all,
};

bool reads(const safety::ChannelPlan& plan, Cause cause, drivers::InstrumentId id) {
  if (cause == Cause::voltage_high) return plan.voltmeter.instrument == id;
  if (cause == Cause::current_high) return plan.ammeter.instrument == id;
  return std::ranges::any_of(plan.thermometers,
                             [id](const safety::Terminal& at) { return at.instrument == id; });
}

Covered covered(const safety::ChannelPlan& plan, Cause cause, const DrillFault& fault) {
  if (fault.faults.empty()) return Covered::whole;
  // Turned knobs leave the premises as they are: what else is broken decides.
  std::vector<drivers::simulated::BenchFault> others = fault.faults;
  std::erase_if(others, [](const auto& one) { return one.kind == FaultKind::knob_turned; });
  if (others.empty()) return Covered::whole;
  if (others.size() > 1) return Covered::not_at_all;
  const auto& one = others.front();
  const bool source = one.device == plan.source.instrument;
  switch (one.kind) {
    case FaultKind::ignores_output_off:
      if (!source) return Covered::whole;
      return plan.contactor ? Covered::by_hand : Covered::not_at_all;
    case FaultKind::link_dropped:
      if (source) return Covered::not_at_all;
      [[fallthrough]];
    case FaultKind::mute:
    case FaultKind::slow:
    case FaultKind::garbage:
    case FaultKind::not_a_number:
    case FaultKind::sensor_lost:
      return reads(plan, cause, one.device) ? Covered::unread : Covered::whole;
    case FaultKind::cell_heats:
      return Covered::time;
    case FaultKind::stuck:
    case FaultKind::sensor_off_cell:
    case FaultKind::cell_swapped:
    case FaultKind::reversed:
      // The instrument shows another crossing than the cell's, or it is another cell.
      return Covered::not_at_all;
    case FaultKind::lead_off:
    case FaultKind::leads_loosened:
    case FaultKind::knob_turned:
    case FaultKind::output_switched:
    case FaultKind::output_selected:
      break;
  }
  return Covered::whole;
}

void bound(DrillCrossing& crossing, Covered how, const safety::BudgetLine& line) {
  const auto by = [&](const safety::Response& response) {
    crossing.stopped_bound_s = drivers::in_seconds(response.time);
    crossing.overshoot_bound = response.overshoot;
  };
  switch (how) {
    case Covered::whole:
      return by(line.source);
    case Covered::by_hand:
      if (line.contactor) by(*line.contactor);
      return;
    case Covered::time:
      crossing.stopped_bound_s = drivers::in_seconds(line.source.time);
      return;
    case Covered::unread:
      crossing.stopped_bound_s = drivers::in_seconds(std::max(line.source.time, line.time_unread));
      return;
    case Covered::not_at_all:
      return;
  }
}

}  // namespace

bool DrillCrossing::breaks_bound() const {
  if (stopped_bound_s && !(stopped_s && *stopped_s <= *stopped_bound_s)) return true;
  return overshoot_bound && overshoot > *overshoot_bound + digit_of(cause);
}

std::vector<DrillCrossing> drill_crossings(const DrillScene& scene, const DrillFault& fault,
                                           const DrillWatch& watch, const safety::Budget& budget) {
  std::vector<DrillCrossing> crossings;
  const auto add = [&](Cause cause, const DrillWatch::Crossed& crossed,
                       const DrillExtreme& extreme) {
    if (!crossed.since) return;
    DrillCrossing crossing{.cause = cause, .overshoot = extreme.beyond_limit()};
    if (crossed.stopped) {
      crossing.stopped_s = drivers::in_seconds(*crossed.stopped - *crossed.since);
    }
    if (const safety::BudgetLine* line = budget.of(cause)) {
      bound(crossing, covered(scene.plant.channels[0], cause, fault), *line);
    }
    crossings.push_back(crossing);
  };
  add(Cause::voltage_high, watch.crossed_volts(), watch.volts());
  add(Cause::current_high, watch.crossed_amperes(), watch.amperes());
  add(Cause::temperature_high, watch.crossed_degrees_c(), watch.degrees_c());
  return crossings;
}

}  // namespace chargewright::daemon

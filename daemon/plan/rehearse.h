#pragma once
// Rehearsal: the very sequencer and guard that run a real bench, on its simulated twin, in virtual
// time. Orders go straight to the twin and outcomes straight back; nothing sleeps. What it says is
// as good as the cell's model, and it says so nowhere else: a rehearsal is a plan, not a promise.

#include <array>
#include <vector>

#include "daemon/plan/twin.h"
#include "daemon/run/progress.h"
#include "drivers/dialect.h"
#include "profiles/profile.h"
#include "safety/guard.h"
#include "safety/plant.h"

namespace chargewright::daemon {

struct RehearsalSetup {
  const profiles::Bench& bench;
  std::size_t channel = 0;
  const profiles::Cell& cell;
  const profiles::Procedure& procedure;
  safety::RunPlan plan{};  // approval is taken as given: nothing real is energised
  CellStart start{};
  // By InstrumentId, as the daemon speaks them: the plant is made of them. Empty: none is known.
  std::vector<drivers::Dialect> dialects{};
  // Virtual time between two readings; never shorter than the channel's own interval.
  drivers::Duration step = std::chrono::seconds(1);
  // A rehearsal that takes longer than this is broken off as failed.
  drivers::Duration longest = std::chrono::hours(24 * 30);
};

struct RehearsedStep {
  std::uint16_t step = 0;   // index into Procedure::steps
  std::uint16_t cycle = 0;  // as Progress::cycle
  drivers::Duration duration{};
  double charge_in_ah = 0;
  double energy_in_wh = 0;
  double temperature_max = 0;  // degC
};

struct CurvePoint {
  double at_s = 0, volts = 0, amperes = 0, degrees_c = 0, state_of_charge = 0;
  Binding binding = Binding::none;
};

// How near the run comes to one limit. Margin in the limit's own unit; negative: it was crossed.
struct LimitMargin {
  std::string_view quantity;  // "voltage-above"
  std::string_view unit;
  double limit = 0;
  double extreme = 0;
  double margin = 0;
  safety::Origin origin = safety::Origin::cell;
};

struct Rehearsal {
  Phase phase = Phase::failed;
  safety::Refusal refusal = safety::Refusal::none;
  safety::Fault trip{};
  drivers::Duration step{};      // of virtual time, as used
  bool broken_off = false;       // it took longer than the setup's `longest`
  drivers::Duration duration{};  // from the run's beginning (arming included) to its end
  drivers::Duration on_time{};
  double charge_in_ah = 0, charge_out_ah = 0;
  double energy_in_wh = 0, energy_out_wh = 0;
  // At the cell, as the model knows them, over the whole run.
  double volts_max = 0, volts_min = 0, amperes_max = 0, watts_max = 0;
  double degrees_c_max = 0, degrees_c_min = 0;
  double state_of_charge_begin = 0, state_of_charge_end = 0;
  std::vector<RehearsedStep> steps;   // as executed
  std::array<double, 7> binding_s{};  // seconds by Binding
  std::vector<LimitMargin> margins;   // of the limits that the plan has
  std::vector<CurvePoint> curve;      // at most curve_points_max
};

inline constexpr std::size_t curve_points_max = 1200;

Rehearsal rehearse(const RehearsalSetup& setup);

// The plant of the setup's channel alone, as the daemon has it (daemon/bench/plant.h).
safety::Plant plant_of_one(const RehearsalSetup& setup);

// The times of a channel's plan (ages, heartbeat, stages of a cut), made to fit readings that come
// every `step`. The one place where virtual time and the plan's deadlines meet.
safety::ChannelPlan paced(const safety::ChannelPlan& plan, drivers::Duration step);

}  // namespace chargewright::daemon

#pragma once
// One fault at one moment, played out: soon after the moment on byte streams, or through the whole
// rehearsed run without them.

#include "daemon/plan/drill_faults.h"
#include "daemon/plan/drill_watch.h"

namespace chargewright::daemon {

struct DrillOutcome {
  explicit DrillOutcome(const DrillWatch& w) : watch(w) {}
  DrillWatch watch;
  std::string unmet;       // why the run was not where the scene has it; empty: it was
  std::string noticed_by;  // as DrillRow
  std::string notice;
  std::optional<drivers::Instant> noticed_at;
  bool cut_asked = false;  // the operator cut
  bool cut_began = false;  // by the guard, whatever for
  bool over = false;       // the run ended by itself
  Phase phase = Phase::arming;
};

// Where the undisturbed run was when the fault is to come: the cell, and the step that runs.
struct DrillScene {
  const DrillSetup& setup;
  safety::Plant plant;   // of this channel alone, at its own interval
  safety::RunPlan plan;  // approved
  DrillTime time;
  drivers::simulated::Cell::State cell;
  drivers::Duration run_in{};  // how long the step has gone on when the fault comes
};

DrillOutcome play_on_bytes(const DrillScene& scene, const DrillFault& fault);
DrillOutcome play_whole_run(const DrillScene& scene, const DrillFault& fault);

}  // namespace chargewright::daemon

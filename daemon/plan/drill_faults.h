#pragma once
// Which faults a drill meets on one channel of a bench, and at which moments of a rehearsed run.

#include "daemon/plan/drill.h"

namespace chargewright::daemon {

struct DrillTime {
  DrillMoment moment = DrillMoment::before_arming;
  std::size_t executed = 0;  // index into Procedure::order
  drivers::Duration into{};  // since that step began
  drivers::Duration at{};    // since the run began
  std::string words;         // "early in `fill`"
};

// Each step of the file once, however often it is repeated.
std::vector<DrillTime> drill_times(const profiles::Procedure& procedure,
                                   const Rehearsal& undisturbed);

// Those that can happen at this moment.
std::vector<DrillFault> drill_faults(const RehearsalSetup& setup, const safety::ChannelPlan& plan,
                                     const DrillTime& time, double cell_volts);

}  // namespace chargewright::daemon

#pragma once
// What a plan is made from: profile, cell and bench, checked together.

#include "daemon/cli/files.h"
#include "daemon/plan/rehearse.h"
#include "profiles/bench_times.h"
#include "profiles/check.h"

namespace chargewright::daemon {

struct Planned {
  ProfileAndCell files;
  BenchFiles bench;
  std::vector<drivers::Dialect> dialects;  // by InstrumentId
  profiles::Basis basis;
  profiles::CheckReport report;  // without problems
  CellStart start;               // as the command line has the cell found

  [[nodiscard]] RehearsalSetup rehearsal() const;
};
// Every problem of a file, or of the profile on that bench, is an error.
drivers::Checked<Planned> load_planned(const CommandLine& line);

}  // namespace chargewright::daemon

#pragma once
// The files that a verb is given, loaded and judged here before a daemon is asked: a slip is shown
// with its place at once.

#include <optional>
#include <string>

#include "daemon/cli/command_line.h"
#include "profiles/bench.h"
#include "profiles/cell.h"
#include "profiles/policy.h"
#include "profiles/profile.h"

namespace chargewright::daemon {

struct ProfileAndCell {
  profiles::Profile profile;
  profiles::Cell cell;
};
// The cell given, or else the one that the profile names. All problems of both at once.
drivers::Checked<ProfileAndCell> load_profile_and_cell(const CommandLine& line);

struct BenchFiles {
  profiles::Bench bench;
  profiles::Policy policy;
  std::size_t channel = 0;
};
drivers::Checked<BenchFiles> load_bench_files(const CommandLine& line);

}  // namespace chargewright::daemon

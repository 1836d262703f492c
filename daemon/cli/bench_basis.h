#pragma once
// What the response-time budget of `check` rests on (S7): the dialects of the bench's instruments,
// and the times that a daemon has measured on this very bench, where one answers.

#include "daemon/cli/command_line.h"
#include "daemon/cli/files.h"
#include "profiles/bench_times.h"

namespace chargewright::daemon {

drivers::Checked<profiles::Basis> load_basis(const CommandLine& line, const BenchFiles& files);

// A daemon reads bench and policy once, as it begins: notes on those that it read otherwise.
std::vector<drivers::Failure> not_in_force(const CommandLine& line, const BenchFiles& files);

}  // namespace chargewright::daemon

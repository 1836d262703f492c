#pragma once
// What the response-time budget of `check` rests on (S7): the dialects of the bench's instruments,
// and the times that a daemon has measured on this very bench, where one answers.

#include <boost/json/object.hpp>

#include "daemon/cli/command_line.h"
#include "daemon/cli/files.h"
#include "drivers/dialect.h"
#include "profiles/bench_times.h"

namespace chargewright::daemon {

// By InstrumentId, each fit for what the bench gives it to do.
drivers::Checked<std::vector<drivers::Dialect>> load_bench_dialects(const CommandLine& line,
                                                                    const BenchFiles& files);
profiles::Basis load_basis(const CommandLine& line, const BenchFiles& files,
                           const std::vector<drivers::Dialect>& dialects);

// A daemon reads bench, policy and dialects once, as it begins: those that it read otherwise, or of
// which it does not say what it read. `facts`: what it says of its bench.
std::vector<drivers::Failure> not_in_force(const boost::json::object& facts,
                                           const CommandLine& line, const BenchFiles& files);
// The same of the daemon that runs a bench of this name; nothing where none answers.
std::vector<drivers::Failure> not_in_force(const CommandLine& line, const BenchFiles& files);

}  // namespace chargewright::daemon

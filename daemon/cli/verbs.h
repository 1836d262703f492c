#pragma once
// What each verb of `chargewright` does: shells around the daemon's API or, for check and rehearse,
// around the files alone. Each prints, and answers how the program ends (cli/exit_code.h).

#include "daemon/cli/command_line.h"
#include "daemon/cli/exit_code.h"

namespace chargewright::daemon {

ExitCode check_verb(const CommandLine& line);
ExitCode rehearse_verb(const CommandLine& line);
ExitCode drill_verb(const CommandLine& line);
ExitCode proof_verb(const CommandLine& line);  // drill --real
ExitCode start_verb(const CommandLine& line);
ExitCode approve_verb(const CommandLine& line);
ExitCode stop_verb(const CommandLine& line);
ExitCode cut_verb(const CommandLine& line);
ExitCode acknowledge_verb(const CommandLine& line);
ExitCode watch_verb(const CommandLine& line);
ExitCode runs_verb(const CommandLine& line);
ExitCode export_verb(const CommandLine& line);

ExitCode run_verb(const CommandLine& line);  // the one that the line names

}  // namespace chargewright::daemon

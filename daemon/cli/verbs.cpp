#include "daemon/cli/verbs.h"

namespace chargewright::daemon {

ExitCode run_verb(const CommandLine& line) {
  switch (line.verb) {
    case CliVerb::check:
      return check_verb(line);
    case CliVerb::rehearse:
      return rehearse_verb(line);
    case CliVerb::drill:
      return line.real ? proof_verb(line) : drill_verb(line);
    case CliVerb::start:
      return start_verb(line);
    case CliVerb::stop:
      return stop_verb(line);
    case CliVerb::cut:
      return cut_verb(line);
    case CliVerb::acknowledge:
      return acknowledge_verb(line);
    case CliVerb::approve:
      return approve_verb(line);
    case CliVerb::watch:
      return watch_verb(line);
    case CliVerb::runs:
      return runs_verb(line);
    case CliVerb::export_run:
      return export_verb(line);
  }
  return ExitCode::usage;
}

}  // namespace chargewright::daemon

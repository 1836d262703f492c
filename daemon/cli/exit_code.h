#pragma once
// How `chargewright` ends: for scripts, stable, documented in docs/api.md. Distinct, so that a
// script can tell a run that tripped from one that was stopped, and either from a slip in a file.

namespace chargewright::daemon {

enum class ExitCode : int {
  done = 0,               // what was asked for happened; a run that was followed ended as planned
  usage = 1,              // wrong arguments, or a fault of our own
  bad_input = 2,          // a file or a name that was given is wrong
  stopped = 3,            // the run that was followed was stopped by a person, or interrupted
  tripped = 4,            // the interlock cut; for `cut`: not every output is proved off
  refused = 5,            // the daemon would not: state, latched trip, approval, cautions
  could_not_connect = 6,  // no daemon answers on the socket
  failed = 7,             // a step did not reach its end in time (`within`)
};

}  // namespace chargewright::daemon

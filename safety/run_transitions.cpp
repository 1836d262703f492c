#include "safety/run_transitions.h"

namespace chargewright::safety {

std::string_view key_of(Phase phase) {
  switch (phase) {
    case Phase::arming:
      return "arming";
    case Phase::running:
      return "running";
    case Phase::stopping:
      return "stopping";
    case Phase::done:
      return "done";
    case Phase::stopped:
      return "stopped";
    case Phase::failed:
      return "failed";
    case Phase::tripped:
      return "tripped";
    case Phase::refused:
      return "refused";
    case Phase::interrupted:
      return "interrupted";
  }
  return "invalid";
}

std::string_view key_of(RunEvent event) {
  switch (event) {
    case RunEvent::armed:
      return "armed";
    case RunEvent::end:
      return "end";
    case RunEvent::complete:
      return "complete";
    case RunEvent::stop:
      return "stop";
    case RunEvent::fail:
      return "fail";
    case RunEvent::refuse:
      return "refuse";
    case RunEvent::trip:
      return "trip";
    case RunEvent::die:
      return "die";
  }
  return "invalid";
}

}  // namespace chargewright::safety

#include "safety/transitions.h"

namespace chargewright::safety {

std::string_view key_of(State state) {
  switch (state) {
    case State::unknown:
      return "unknown";
    case State::off:
      return "off";
    case State::arming:
      return "arming";
    case State::ready:
      return "ready";
    case State::energised:
      return "energised";
    case State::cutting:
      return "cutting";
    case State::tripped:
      return "tripped";
  }
  return "invalid";
}

std::string_view key_of(Transition transition) {
  switch (transition) {
    case Transition::off_verified:
      return "off-verified";
    case Transition::arm:
      return "arm";
    case Transition::permissives_met:
      return "permissives-met";
    case Transition::permissive_lost:
      return "permissive-lost";
    case Transition::energise:
      return "energise";
    case Transition::de_energise:
      return "de-energise";
    case Transition::finish:
      return "finish";
    case Transition::fault:
      return "fault";
    case Transition::acknowledge:
      return "acknowledge";
  }
  return "invalid";
}

std::string_view key_of(Action action) {
  switch (action) {
    case Action::none:
      return "none";
    case Action::start_checks:
      return "start-checks";
    case Action::open_gate:
      return "open-gate";
    case Action::close_gate:
      return "close-gate";
    case Action::cut:
      return "cut";
    case Action::latch:
      return "latch";
    case Action::clear:
      return "clear";
  }
  return "invalid";
}

std::string_view key_of(Needs needs) {
  switch (needs) {
    case Needs::nothing:
      return "nothing";
    case Needs::off_proved:
      return "off-proved";
    case Needs::permissives:
      return "permissives";
    case Needs::condition_gone:
      return "condition-gone";
  }
  return "invalid";
}

}  // namespace chargewright::safety

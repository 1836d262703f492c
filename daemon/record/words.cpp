#include "daemon/record/words.h"

namespace chargewright::daemon {

std::string_view key_of(safety::Event::Kind kind) {
  using Kind = safety::Event::Kind;
  switch (kind) {
    case Kind::reading:
      return "reading";
    case Kind::state_changed:
      return "state-changed";
    case Kind::setpoints_set:
      return "setpoints-set";
    case Kind::output_changed:
      return "output-changed";
    case Kind::refused:
      return "refused";
    case Kind::cause_present:
      return "cause-present";
    case Kind::cut_stage:
      return "cut-stage";
    case Kind::tripped:
      return "tripped";
    case Kind::acknowledged:
      return "acknowledged";
    case Kind::alarm:
      return "alarm";
    case Kind::instrument_error:
      return "instrument-error";
    case Kind::link_changed:
      return "link-changed";
  }
  return "unknown";
}

std::string_view key_of(drivers::Measurand measurand) {
  switch (measurand) {
    case drivers::Measurand::voltage:
      return "voltage";
    case drivers::Measurand::current:
      return "current";
    case drivers::Measurand::temperature:
      return "temperature";
  }
  return "unknown";
}

std::string_view unit_of(drivers::Measurand measurand) {
  switch (measurand) {
    case drivers::Measurand::voltage:
      return "V";
    case drivers::Measurand::current:
      return "A";
    case drivers::Measurand::temperature:
      return "degC";
  }
  return "";
}

std::string_view key_of(drivers::Validity validity) {
  switch (validity) {
    case drivers::Validity::valid:
      return "valid";
    case drivers::Validity::absent:
      return "absent";
    case drivers::Validity::not_a_number:
      return "not-a-number";
    case drivers::Validity::infinite:
      return "infinite";
    case drivers::Validity::unparsable:
      return "unparsable";
  }
  return "unknown";
}

std::optional<Phase> phase_of(std::string_view key) {
  for (auto phase = Phase::arming; phase <= Phase::interrupted;
       phase = static_cast<Phase>(static_cast<int>(phase) + 1)) {
    if (key_of(phase) == key) return phase;
  }
  return std::nullopt;
}

}  // namespace chargewright::daemon

#include "daemon/record/words.h"

#include <cmath>

#include "drivers/quantity_text.h"

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

namespace {

// One of the two numbers of a refusal, in its unit; empty: it says nothing to a person.
std::string amount(safety::Refusal refusal, double number) {
  switch (refusal) {
    case safety::Refusal::open_circuit_implausible:
    case safety::Refusal::polarity_reversed:
    case safety::Refusal::voltage_beyond_limit:
      return drivers::to_text(drivers::volts(number));
    case safety::Refusal::current_beyond_limit:
      return drivers::to_text(drivers::amperes(number));
    case safety::Refusal::power_beyond_limit:
      return drivers::to_text(drivers::watts(number));
    default:
      return {};
  }
}

}  // namespace

std::string words_of_refusal(const safety::Event& refused) {
  const std::string words(safety::describe(refused.refusal));
  const double measured = refused.fault.measured;
  const double limit = refused.fault.limit;
  const std::string found = amount(refused.refusal, measured);
  if (found.empty() || !std::isfinite(measured) || !std::isfinite(limit)) return words;
  return words + " (" + found + "; at " + (measured < limit ? "least " : "most ") +
         amount(refused.refusal, limit) + ')';
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

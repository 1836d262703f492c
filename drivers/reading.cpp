#include "drivers/reading.h"

namespace chargewright::drivers {
namespace {

Measurand measurand_of(Verb verb) {
  if (verb == Verb::measure_current) return Measurand::current;
  if (verb == Verb::measure_temperature) return Measurand::temperature;
  return Measurand::voltage;
}

Validity validity_of(Ending ending) {
  switch (ending) {
    case Ending::done:
      return Validity::valid;
    case Ending::not_a_number:
      return Validity::not_a_number;
    case Ending::infinite:
      return Validity::infinite;
    case Ending::unparsable:
      return Validity::unparsable;
    case Ending::absent:
    case Ending::disproved:
    case Ending::device_error:
    case Ending::timed_out:
    case Ending::link_down:
    case Ending::refused:
      break;
  }
  return Validity::absent;
}

}  // namespace

Reading reading_of(const Outcome& outcome) {
  return {.measurand = measurand_of(outcome.order.verb),
          .validity = validity_of(outcome.ending),
          .instrument = outcome.order.instrument,
          .input = outcome.order.channel,
          .value = outcome.value,
          .asked = outcome.asked,
          .answered = outcome.answered};
}

}  // namespace chargewright::drivers

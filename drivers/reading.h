#pragma once
// One measured value, with where and when it came from. An unusable one is still a Reading, with
// its validity saying why: unknown is a state of its own, and it is judged before any limit.

#include <cstdint>

#include "drivers/instant.h"
#include "drivers/order.h"
#include "drivers/quantity.h"

namespace chargewright::drivers {

enum class Measurand : std::uint8_t { voltage, current, temperature };

enum class Validity : std::uint8_t { valid, absent, not_a_number, infinite, unparsable };

struct Reading {
  Measurand measurand = Measurand::voltage;
  Validity validity = Validity::absent;
  InstrumentId instrument = no_instrument;
  std::uint8_t input = 0;  // of the instrument; as Order.channel
  double value = 0;        // V, A or degC, by measurand; meaningful only when valid
  Instant asked{};
  Instant answered{};

  [[nodiscard]] bool valid() const { return validity == Validity::valid; }
  [[nodiscard]] Volts voltage() const { return volts(value); }
  [[nodiscard]] Amperes current() const { return amperes(value); }
  [[nodiscard]] Celsius temperature() const { return celsius(value); }
};

constexpr Measurand measurand_of(Verb verb) {
  if (verb == Verb::measure_current) return Measurand::current;
  if (verb == Verb::measure_temperature) return Measurand::temperature;
  return Measurand::voltage;
}

constexpr Validity validity_of(Ending ending) {
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

// The reading that a measure_* outcome carries; also for outcomes that failed.
constexpr Reading reading_of(const Outcome& outcome) {
  return {.measurand = measurand_of(outcome.order.verb),
          .validity = validity_of(outcome.ending),
          .instrument = outcome.order.instrument,
          .input = outcome.order.channel,
          .value = outcome.value,
          .asked = outcome.asked,
          .answered = outcome.answered};
}

}  // namespace chargewright::drivers

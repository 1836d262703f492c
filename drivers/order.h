#pragma once
// What an instrument can be asked to do, and what came of it: the seam between what decides (the
// guard) and what talks (drivers/instrument.h over a link, or the simulated bench directly in
// virtual time). Plain trivially copyable facts; values in the SI unit of their verb (V, A, degC,
// s); no allocation.

#include <cstdint>

#include "drivers/instant.h"

namespace chargewright::drivers {

// Index of an instrument in its bench, in the order of the bench file.
using InstrumentId = std::uint8_t;
inline constexpr InstrumentId no_instrument = 0xFF;

// Closed list; drivers/dialect.h gives each its key in a dialect file. "Proved" verbs are read back
// by the instrument layer itself, and are done only when the readback agrees.
enum class Verb : std::uint8_t {
  identify,      // value 1: the answer matches the identity that the bench demands
  drain_errors,  // value: number of errors found; Outcome.device_error is the first
  // source
  set_voltage,  // proved
  set_current,  // proved
  read_voltage_setpoint,
  read_current_setpoint,
  output_on,         // proved
  output_off,        // proved
  read_output,       // 1 on, 0 off
  set_over_voltage,  // level of the instrument's own over-voltage protection, armed; proved
  set_over_current,  // likewise over-current
  read_protection,   // 0 none tripped, bit 0 over-voltage, bit 1 over-current, bit 2 other
  clear_protection,
  read_regulation,  // 0 unknown or off, 1 constant voltage, 2 constant current
  // measuring roles
  measure_voltage,
  measure_current,
  measure_temperature,
  // switch (contactor)
  open_switch,   // proved
  close_switch,  // proved
  read_switch,   // 1 closed, 0 open
};
inline constexpr std::uint8_t verb_count = static_cast<std::uint8_t>(Verb::read_switch) + 1;

struct Order {
  std::uint32_t ticket = 0;  // the asker's own number, returned in the Outcome
  InstrumentId instrument = no_instrument;
  std::uint8_t channel = 0;  // output or input of the instrument, from 1; 0: it has but one
  Verb verb = Verb::identify;
  bool urgent = false;  // the cut lane: written at once, past everything queued
  double value = 0;
};

// How an order ended. Everything but `done` means: nothing is known.
enum class Ending : std::uint8_t {
  done,
  absent,        // the dialect says that this instrument has no such thing
  disproved,     // written, but the readback differs; value is what was read back
  device_error,  // the instrument put an error in its queue
  unparsable,    // an answer that is not what the dialect expects
  not_a_number,  // 9.91E37, or NaN
  infinite,      // +-9.9E37
  timed_out,
  link_down,
  refused,  // our own bounds: queue full, value not finite
};

struct Outcome {
  Order order;
  Ending ending = Ending::refused;
  double value = 0;
  std::int32_t device_error = 0;  // number from the instrument's error queue
  Instant asked{};                // the question (or command) was handed to the link
  Instant answered{};             // its answer was complete; for a failure, when we gave up
};

// Sent after the urgent one, it would undo it.
constexpr bool voids(Verb urgent, Verb queued) {
  switch (urgent) {
    case Verb::output_off:
      return queued == Verb::output_on;
    case Verb::open_switch:
      return queued == Verb::close_switch;
    case Verb::set_voltage:
    case Verb::set_current:
      return queued == urgent;
    default:
      return false;
  }
}

}  // namespace chargewright::drivers

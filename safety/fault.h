#pragma once
// What the interlock can find wrong, in the order of its severity: several at once, the first named
// here rules. Trivially copyable, no strings: describe() finds words, outside the guard.

#include <cstdint>
#include <string>
#include <string_view>

#include "drivers/instant.h"

namespace chargewright::safety {

enum class Cause : std::uint8_t {
  // S4: a person's word.
  operator_cut,
  // S6 and our own bugs.
  guard_internal,
  dead_man_lost,  // nobody would cut if the daemon died now
  // S1: not the cell that was checked before the output went on.
  polarity_reversed,
  cell_changed,  // its voltage at rest leapt to another
  // S2: limits, worst first.
  voltage_high,
  temperature_high,
  temperature_rising,
  current_high,
  current_reverse,
  power_high,
  voltage_low,
  temperature_low,
  charge_high,
  energy_high,
  run_time,
  step_time,
  // S2, S3: unknown is not safe.
  reading_unusable,      // not a number, infinite, unparsable
  reading_stale,         // older than its allowed age, or never seen
  conversation_failing,  // the instrument does not answer, or its link is down
  // S3: health.
  protection_tripped,   // the instrument's own
  output_on_unbidden,   // on when it should be off
  output_off_unbidden,  // off when it should be on
  setpoint_changed,     // readback differs from what was written: someone turned a knob
  circuit_open,         // no current though the output stands at its voltage: a lead is off
  leads_loose,          // source and cell differ by more than the leads' resistance explains
  readings_disagree,    // source and meter differ, and no lead explains it
  sensor_off_cell,      // the temperature does not follow the power that the cell takes
  sensor_stuck,         // not one digit of change while power flows
  sequencer_late,       // S6: heartbeat of the sequencer
  none,
};
inline constexpr std::size_t cause_count = static_cast<std::size_t>(Cause::none);

// Which reading or readback of a channel a fault is about. 0 to 7 are its thermometers.
enum class Subject : std::uint8_t {
  cell_voltage = 8,
  cell_current,
  source_voltage,
  source_current,
  voltage_setpoint,
  current_setpoint,
  output,
  protection,
  contactor,
  pair,  // voltage and current together
  none = 0xFF,
};

struct Fault {
  Cause cause = Cause::none;
  std::uint8_t channel = 0;
  std::uint8_t sensor = static_cast<std::uint8_t>(Subject::none);  // thermometer or Subject
  std::uint8_t origin = 0;  // safety::Origin of the limit, for limits
  double measured = 0;      // SI unit of the cause (V, A, W, degC, K/s, C, J, s)
  double limit = 0;
  drivers::Instant at{};
};

bool is_limit(Cause cause);                // of the limits of S2: only these have an origin
std::string_view key_of(Cause cause);      // "voltage-high": for records, API and docs
std::string describe(const Fault& fault);  // a sentence with values and units
std::string_view advice_on(Cause cause);   // what a person should look at; "none": empty

}  // namespace chargewright::safety

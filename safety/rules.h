#pragma once
// The rule of each cause (S2, S3, S6), as one table: when it is judged, what it looks at, how it
// clears. Ages and on-delays come from safety/facts.h and from the limits themselves.
//
// Comparisons are written so that what is not provably within is beyond: a NaN that got this far
// trips.

#include <array>

#include "safety/facts.h"

namespace chargewright::safety {

struct Finding {
  bool present = false;
  std::uint8_t sensor = static_cast<std::uint8_t>(Subject::none);
  std::uint8_t origin = 0;
  drivers::Duration on_delay{};  // present for this long before it trips
  double measured = 0;
  double limit = 0;
  // Absent only because it cannot be judged now: what began goes on, and nothing trips by it.
  bool undecided = false;
  // While absent: the moment at which it would be present if nothing came in.
  drivers::Instant due = drivers::never;
};

// When a cause is judged.
enum class During : std::uint8_t {
  run,     // while the limits of a run are enforced
  always,  // and while watching: off, tripped
};

// What an acknowledgement needs besides the person (S5).
enum class Clearing : std::uint8_t {
  person,          // nothing: the condition cannot exist with the output off
  voltage_within,  // the cell's voltage, where it can be measured, is back inside the limit
  temperature_within,
  sensor_fresh,  // the sensor that failed reads again
  talk_restored,
  output_off,  // read back off
};

struct Rule {
  Cause cause;
  During during;
  Clearing clearing;
  Finding (*find)(const Facts&, drivers::Instant now);
};

// One row for each cause, in the order of the causes.
extern const std::array<Rule, cause_count> rules;

}  // namespace chargewright::safety

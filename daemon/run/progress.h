#pragma once
// How far a run is, as plain facts: for `watch`, the record and rehearsal. Trivially copyable.

#include <cstdint>
#include <string_view>

#include "drivers/instant.h"
#include "safety/fault.h"
#include "safety/guard.h"
#include "safety/run_transitions.h"

namespace chargewright::daemon {

using safety::is_over;
using safety::key_of;
using safety::Phase;

// What sets the current right now.
enum class Binding : std::uint8_t {
  none,          // output off
  step_current,  // the step's current ceiling
  step_voltage,  // its voltage ceiling: constant voltage, the cell's own impedance tapers it
  step_power,
  step_temperature,  // thermal foldback
  source_rating,
  below_every_ceiling,  // lower than all of them explain: leads, or a limiter inside the pack
};
std::string_view key_of(Binding binding);
std::string_view describe(Binding binding);

struct Progress {
  Phase phase = Phase::arming;
  std::uint8_t channel = 0;
  std::uint16_t step = 0;          // executed steps so far, from 0; repeats count on
  std::uint16_t step_in_file = 0;  // index into Procedure::steps (names)
  std::uint16_t steps = 0;         // executed steps in all
  std::uint16_t cycle = 0;         // repeats of the innermost repeat, from 0
  Binding binding = Binding::none;
  safety::Refusal refusal = safety::Refusal::none;
  safety::Fault trip{};
  drivers::Instant began{};
  drivers::Instant step_began{};
  drivers::Instant ended{};  // meaningful when is_over(phase)
  double fraction = 0;       // 0..1 of the expected duration; NaN: not known
  double seconds_left = 0;   // estimate; NaN: not known
};

}  // namespace chargewright::daemon

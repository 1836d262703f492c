#pragma once
// The interlock of one channel: readings and time in, verdict out (S2, S3). It reads measurements,
// never the sequencer's intentions, and the only thing it can do is say "cut". Plain synchronous
// code; no allocation; one thread.
//
// Causes are a fixed array, one place each, all evaluated in every judge(): a check that did not
// run counts as failed. NaN, infinite, unparsable and stale are judged by name before any
// comparison with a limit.

#include <array>
#include <bitset>

#include "drivers/reading.h"
#include "safety/fault.h"
#include "safety/limits.h"
#include "safety/plant.h"
#include "safety/tally.h"

namespace chargewright::safety {

// What is expected of the output at this moment, by what the guard itself ordered.
struct Expected {
  bool output_on = false;
  // Since when output_on has had its present value; readbacks asked before are not judged.
  drivers::Instant since{};
  drivers::Volts voltage_setpoint{};
  drivers::Amperes current_setpoint{};
  drivers::Instant setpoints_since{};
};

struct Verdict {
  std::bitset<cause_count> present;  // all causes beyond their on-delay
  Fault worst;                       // Cause::none: within
  [[nodiscard]] bool within() const { return worst.cause == Cause::none; }
};

class Interlock {
 public:
  Interlock(const ChannelPlan& plan, std::uint8_t channel);

  // A run begins or ends. Tallies, run time and on-delays start anew with each enforce().
  void enforce(const Limits& limits, drivers::Instant now);
  // Only health and temperature limits stay live (S8: after the last step and after a trip).
  void watch_only(drivers::Instant now);

  void see(const drivers::Outcome& outcome);  // readings and readbacks of this channel's terminals
  void expect(const Expected& expected);
  void step_began(std::uint16_t step, drivers::Instant now);
  void sequencer_alive(drivers::Instant now);
  void operator_wants_cut(drivers::Instant now);
  void internal_fault(drivers::Instant now);

  Verdict judge(drivers::Instant now);

  // For acknowledgement (S5): do all conditions that are measurable now lie within?
  [[nodiscard]] bool condition_gone(drivers::Instant now) const;

  [[nodiscard]] const Tally& tally() const;
  [[nodiscard]] const drivers::Reading& voltage() const;
  [[nodiscard]] const drivers::Reading& current() const;
  [[nodiscard]] const drivers::Reading& temperature(std::size_t sensor) const;
  [[nodiscard]] const drivers::Reading& source_voltage() const;

 private:
  // (implementation's own)
};

}  // namespace chargewright::safety

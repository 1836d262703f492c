#pragma once
// The interlock of one channel: readings and time in, verdict out (S2, S3). It reads measurements,
// never the sequencer's intentions, and the only thing it can do is say "cut". Plain synchronous
// code; no allocation; one thread.
//
// Causes are a fixed array, one place each, all evaluated in every judge(), and counted: a check
// that did not run counts as failed. The limits are held twice and compared each time. NaN,
// infinite, unparsable and stale are judged by name before any comparison with a limit. The rules
// themselves are the table of safety/rules.h.

#include <array>
#include <bitset>
#include <utility>

#include "drivers/reading.h"
#include "safety/facts.h"
#include "safety/fault.h"
#include "safety/limits.h"
#include "safety/plant.h"
#include "safety/tally.h"

namespace chargewright::safety {

struct Verdict {
  std::bitset<cause_count> evaluated;  // all causes whose rule ran, or that were reported
  std::bitset<cause_count> present;    // all causes beyond their on-delay
  Fault worst;                         // Cause::none: within
  [[nodiscard]] bool within() const { return worst.cause == Cause::none; }
};

// What must have been evaluated for a verdict to count, by the table of rules.
std::bitset<cause_count> demanded(Mode mode);
// A verdict in which a rule that is demanded did not run is the fault guard_internal, whatever the
// others found: measured is the first such cause. An empty verdict is not "within".
void fail_unless_complete(Verdict& verdict, Mode mode, std::uint8_t channel, drivers::Instant now);

class Interlock {
 public:
  Interlock(const ChannelPlan& plan, std::uint8_t channel);

  // A run begins or ends. Tallies, run time and on-delays start anew with each enforce().
  void enforce(const Limits& limits, drivers::Instant now) { enforce(limits, Body{}, now); }
  // `body`: what is known of the cell's warming.
  // `carried`: of the run before an interruption (S9); counts, run time and step time go on from
  // it.
  void enforce(const Limits& limits, const Body& body, drivers::Instant now,
               const Carried& carried = {});
  // Those of the last run of a former life, for the watch (S8); before it begins.
  void restore_limits(const Limits& limits);
  // Until then a thermometer that was never heard, or has no link yet, is no cause of alarm.
  void watch_from(drivers::Instant then);
  // Only health and temperature limits stay live (S8: after the last step and after a trip).
  void watch_only(drivers::Instant now);

  void see(const drivers::Outcome& outcome);  // readings and readbacks of this channel's terminals
  void link(drivers::InstrumentId instrument, bool up);
  void expect(const Expected& expected);
  void step_began(std::uint16_t step, drivers::Instant now);
  void sequencer_alive(drivers::Instant now);
  void operator_wants_cut(drivers::Instant now);
  void internal_fault(drivers::Instant now);
  // Present until forget_reports(): what the guard learned from an order of its own, such as a
  // setpoint that could not be proved.
  void report(const Fault& fault);
  void forget_reports();

  Verdict judge(drivers::Instant now);
  // When judge() would next find something new though nothing came in: ages, on-delays, heartbeat.
  [[nodiscard]] drivers::Instant wake() const { return wake_; }
  // The fault of one cause as last judged; for recording all that are present.
  [[nodiscard]] const Fault& found(Cause cause) const {
    return found_[static_cast<std::size_t>(cause)];
  }

  // For acknowledgement (S5): does the condition that tripped, and any temperature limit, lie
  // within now? What can be measured but is not known counts as present.
  [[nodiscard]] bool condition_gone(const Fault& trip, drivers::Instant now) const;

  // Readings contradict each other or what a cell can do, but not yet for long enough to trip:
  // until it is decided, nothing should be concluded from them (S3).
  [[nodiscard]] bool in_doubt() const;

  [[nodiscard]] const Facts& facts() const { return facts_; }
  [[nodiscard]] const Tally& tally() const { return facts_.tally; }
  // As last answered: the value of the last good reading with the validity of the newest answer.
  [[nodiscard]] drivers::Reading voltage() const;
  [[nodiscard]] drivers::Reading current() const;
  [[nodiscard]] drivers::Reading temperature(std::size_t sensor) const;
  [[nodiscard]] drivers::Reading source_voltage() const;

 private:
  template <std::size_t cause>
  void judge_cause(drivers::Instant now, Verdict& verdict);
  template <std::size_t... causes>
  void judge_all(std::index_sequence<causes...> all, drivers::Instant now, Verdict& verdict);
  void hold(const Limits& limits);  // twice
  void see_reading(const drivers::Reading& reading);
  void see_current(const Sensed& current, const Sensed& voltage, StuckPair& pair);
  void see_flow();
  void see_rest();
  void see_talk(const drivers::Outcome& outcome);

  Facts facts_;
  std::uint8_t channel_;
  std::array<drivers::Instant, cause_count> began_{};
  std::array<Fault, cause_count> found_{};
  std::bitset<cause_count> reported_;
  std::uint16_t step_ = 0;
  drivers::Instant wake_ = drivers::never;
};

}  // namespace chargewright::safety

#pragma once
// All that an interlock's rules may look at: what was measured and read back on one channel, what
// the guard itself ordered, the limits, and the ages allowed. Plain facts; gathered by Interlock.

#include <array>
#include <boost/container/static_vector.hpp>
#include <cmath>

#include "drivers/reading.h"
#include "safety/fault.h"
#include "safety/flow.h"
#include "safety/leads.h"
#include "safety/limits.h"
#include "safety/limits_copy.h"
#include "safety/plant.h"
#include "safety/resting_voltage.h"
#include "safety/rise.h"
#include "safety/stuck.h"
#include "safety/tally.h"
#include "safety/warming.h"

namespace chargewright::safety {

// What is expected of the output at this moment, by what the guard itself ordered.
struct Expected {
  bool output_on = false;
  // Since when output_on has had its present value; readbacks asked before are not judged. `never`:
  // a change is under way.
  drivers::Instant since = drivers::never;
  // Off, and its current was already seen to have stopped: it needs no more time to fall.
  bool current_stopped = false;
  drivers::Volts voltage_setpoint{};
  drivers::Amperes current_setpoint{};
  drivers::Instant setpoints_since = drivers::never;
};

// The nested deadlines of reading, all derived from the channel's plan; the one list of them.
struct Ages {
  // While off or tripped, everything is read five times slower (S8: the watch goes on).
  static constexpr int watch_slowdown = 5;
  // One readback of the round is asked per cycle, so each is as old as a round when renewed.
  static constexpr int readback_round = 8;

  explicit Ages(const ChannelPlan& plan)
      : reading(plan.allowed_age),
        watched_reading(watch_slowdown * (plan.allowed_age + plan.every)),
        readback(5 * plan.allowed_age + readback_round * plan.every),
        glitch(plan.allowed_age / 2),
        protection_first(readback_round * plan.every) {}

  drivers::Duration reading;          // measured values, arming to energised
  drivers::Duration watched_reading;  // measured values, off and tripped
  drivers::Duration readback;         // setpoints, output state, protection
  drivers::Duration glitch;  // one garbled answer or a link reopened at once is not yet a fault
  // An output found off is no danger: wait until the round has asked whether the instrument's own
  // protection did it, so that the trip bears the true name.
  drivers::Duration protection_first;
};

// One measured quantity: the last valid reading, and what the newest answer was.
struct Sensed {
  drivers::Reading good{};  // validity absent: none ever
  drivers::Validity newest = drivers::Validity::absent;
  drivers::Instant moved_at{};  // asked when its value last changed by a digit
  double per_second = 0;        // how fast it moved between the last two valid readings

  [[nodiscard]] bool usable() const { return newest == drivers::Validity::valid; }
  [[nodiscard]] double value() const { return good.value; }
  [[nodiscard]] bool fresh(drivers::Instant now, drivers::Duration age) const {
    return usable() && now - good.asked <= age;
  }
};

// One readback of something the guard wrote.
struct ReadBack {
  bool ever = false;
  double value = 0;
  drivers::Instant asked{};
};

// How the conversation with one instrument goes.
struct Talk {
  drivers::InstrumentId instrument = drivers::no_instrument;
  std::uint8_t timeouts = 0;  // in a row
  bool down = false;
  bool unheard = false;  // its link came back, and it has not answered yet
};

enum class Mode : std::uint8_t { watching, enforcing };

struct Facts {
  explicit Facts(const ChannelPlan& p)
      : plan(p),
        ages(p),
        separate_voltmeter(!(p.voltmeter == p.source)),
        separate_ammeter(!(p.ammeter == p.source)) {}

  ChannelPlan plan;
  Ages ages;
  bool separate_voltmeter;
  bool separate_ammeter;

  Mode mode = Mode::watching;
  Limits limits;
  bool limits_known = false;
  drivers::Instant
      watched_from{};  // with the limits of a former life: links have yet to open until then
  Expected expected;

  Sensed cell_voltage;
  Sensed cell_current;
  Sensed source_voltage;  // only with a separate voltmeter
  Sensed source_current;  // only with a separate ammeter
  std::array<Sensed, max_thermometers> temperatures;
  ReadBack voltage_setpoint;
  ReadBack current_setpoint;
  ReadBack output;
  ReadBack protection;
  boost::container::static_vector<Talk, 4 + max_thermometers> talks;

  Tally tally;
  std::array<Rise, max_thermometers> rises;
  StuckPair cell_pair;
  StuckPair source_pair;
  std::array<StuckThermometer, max_thermometers> stuck_thermometers;
  Flow flow;
  Body body;
  LeadsWitness leads;
  RestingVoltage resting;
  Warming warming;
  std::array<FollowedWarming, max_thermometers> followed;

  // Of `limits`, and far from it in memory.
  LimitsCopy limits_copy;

  drivers::Instant enforced_at{};
  drivers::Instant step_at{};
  drivers::Instant heartbeat_at{};

  [[nodiscard]] std::size_t thermometers() const { return plan.thermometers.size(); }
};

}  // namespace chargewright::safety

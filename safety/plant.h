#pragma once
// What the guard must know of a bench: which instrument plays which part on which channel, how
// often it is read and how old a reading may be. Plain facts, made by daemon/bench from the bench
// file; bounded, so that the guard allocates nothing while it runs.

#include <algorithm>
#include <array>
#include <boost/container/static_vector.hpp>
#include <cstdint>
#include <optional>

#include "drivers/order.h"
#include "drivers/quantity.h"

namespace chargewright::safety {

inline constexpr std::size_t max_instruments = 32;
inline constexpr std::size_t max_channels = 16;
inline constexpr std::size_t max_thermometers = 8;

// One output of a source, or one input of a meter.
struct Terminal {
  drivers::InstrumentId instrument = drivers::no_instrument;
  std::uint8_t channel = 0;  // as drivers::Order::channel
  friend bool operator==(const Terminal&, const Terminal&) = default;
};

// What the source's dialect has; what it lacks is not asked for (and `check` says what follows).
struct SourceAbilities {
  bool reads_setpoints = true;
  bool reads_output = true;
  bool over_voltage_protection = true;
  bool over_current_protection = true;
  bool reads_protection = true;
  bool clears_protection = true;
  bool reads_regulation = true;
  bool drains_errors = true;
};

struct ChannelPlan {
  Terminal source;
  Terminal voltmeter;  // at the cell's own terminals where there is one, else the source
  Terminal ammeter;    // the source itself, or a meter
  boost::container::static_vector<Terminal, max_thermometers> thermometers;
  std::optional<Terminal> contactor;
  SourceAbilities abilities;
  drivers::Ohms loop_resistance{};          // leads and joints, out and back
  drivers::Volts voltage_disagreement{};    // beyond what loop_resistance explains
  drivers::Amperes current_disagreement{};  // meter against source, where both measure
  drivers::Volts setpoint_voltage_tolerance = drivers::volts(0.005);
  drivers::Amperes setpoint_current_tolerance = drivers::amperes(0.005);
  drivers::Amperes off_current = drivers::amperes(0.020);  // "current stopped": at or below this
  drivers::Duration every = std::chrono::milliseconds(100);
  drivers::Duration allowed_age = std::chrono::milliseconds(500);
  drivers::Duration disagree_delay = std::chrono::seconds(2);    // on-delay of readings_disagree
  drivers::Duration stuck_after = std::chrono::minutes(3);       // sensor_stuck
  drivers::Duration heartbeat = std::chrono::seconds(1);         // of the sequencer, S6
  drivers::Duration cut_stage = std::chrono::milliseconds(500);  // deadline of each cut stage
  // Between the repeats of a cut, at the least: a source that wants pauses between its messages
  // would hear of nothing else, and its proof of off would never be asked for.
  drivers::Duration repeat_every{};
  // Of the source, from "off" obeyed to no current.
  drivers::Duration settling{};
  // Answers that may prove an output off are waited for before the alarm, where they take longer
  // than the stages of a cut: no longer than this.
  drivers::Duration prove_off_within{};
  // Links and instruments need these whatever is charged (common practice, no source).
  drivers::Duration start_within = std::chrono::seconds(10);  // links open, outputs proved off
  drivers::Duration arm_within = std::chrono::seconds(15);    // all of S1 together
  drivers::Duration lost_after = std::chrono::seconds(30);    // an order without outcome: ask again
  // Ratings of source and wiring: the gate refuses beyond.
  drivers::Volts source_voltage_max{};
  drivers::Amperes source_current_max{};
  drivers::Watts source_power_max{};

  // After the output was proved off, current has had time to fall.
  [[nodiscard]] drivers::Duration falls_within() const { return std::max(cut_stage, settling); }
};

struct Plant {
  boost::container::static_vector<ChannelPlan, max_channels> channels;
  std::uint8_t instruments = 0;  // ids are 0 .. instruments - 1
};

}  // namespace chargewright::safety

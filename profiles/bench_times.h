#pragma once
// What the response-time budget (S7) rests on: how fast the instruments of a bench answer and
// obey, how far their readings may be off, how far a thermometer is behind its cell. Measured by a
// daemon, stated under `response` in the bench file, or else assumed.

#include <optional>
#include <string>
#include <vector>

#include "profiles/bench.h"
#include "profiles/cell.h"
#include "safety/budget.h"
#include "safety/guard.h"

namespace chargewright::profiles {

// What is known of an instrument besides its bench file.
struct InstrumentBasis {
  std::optional<drivers::Duration> measured;  // worst round trip, in real time
  drivers::Duration settle{};                 // of its dialect
  drivers::Duration between{};                // of its dialect
};
// By how much what the dialect of a source takes for proved may differ from what was ordered.
struct ProvedWithin {
  drivers::Volts voltage{};  // setpoints
  drivers::Amperes current{};
  drivers::Volts over_voltage{};  // levels of its own protections
  drivers::Amperes over_current{};
};
struct Basis {
  safety::SourceAbilities abilities{};         // of the channel's source
  std::vector<InstrumentBasis> instruments{};  // by InstrumentId; short or empty: nothing is known
  ProvedWithin proved_within{};                // of the channel's source
};

// Assumed, worst, where nobody says or has measured (common practice, no source): what an
// instrument thinks before it answers, besides the bytes' time on a serial line; how long a source
// or a contactor takes to stop the current; and the lag of a bead taped to a cell.
inline constexpr drivers::Duration assumed_thinking = std::chrono::milliseconds(15);
inline constexpr int assumed_bytes = 64;  // a question and its answer
inline constexpr drivers::Duration assumed_settling = std::chrono::milliseconds(50);
inline constexpr drivers::Duration assumed_lag = std::chrono::seconds(60);

safety::InstrumentTimes times_of(const BenchInstrument& instrument, const InstrumentBasis& basis);

// Refers to `plant` and `plan` as long as it lives. The plant's channel may differ from the bench
// file's: paced for a rehearsal, for instance.
safety::BudgetSetup budget_setup(const safety::Plant& plant, const safety::RunPlan& plan,
                                 const Cell& cell, const Bench& bench, std::size_t channel,
                                 const Basis& basis);

// In words, one for each instrument of the channel and one for the cell.
std::vector<std::string> rests_on(const Cell& cell, const Bench& bench, std::size_t channel,
                                  const Basis& basis);

}  // namespace chargewright::profiles

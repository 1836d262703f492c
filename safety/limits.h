#pragma once
// Limits are what must never happen; the interlock cuts at them, whatever the steps say. Every
// limit has an origin, and for each quantity the tightest origin wins: nothing can loosen what
// another says (S2).

#include <cstdint>
#include <optional>
#include <string_view>

#include "drivers/quantity.h"

namespace chargewright::safety {

enum class Origin : std::uint8_t { cell, wiring, instrument, policy, profile };
std::string_view key_of(Origin origin);

// What an on-delay does not bear: beyond this the first reading trips.
template <class Q>
struct AtOnce {
  Q value{};
  Origin origin = Origin::cell;
};

template <class Q>
struct Limit {
  Q value{};
  Origin origin = Origin::cell;
  drivers::Duration on_delay{};  // must be beyond for this long; 0: the first reading trips
  // Another origin's limit without on-delay, looser than `value`: it stands behind the on-delay.
  std::optional<AtOnce<Q>> at_once{};
};

struct Limits {
  std::optional<Limit<drivers::Volts>> voltage_above;  // at the cell's terminals
  std::optional<Limit<drivers::Volts>> voltage_below;
  std::optional<Limit<drivers::Amperes>> current_above;    // into the cell
  std::optional<Limit<drivers::Amperes>> current_reverse;  // out of the cell, positive number
  std::optional<Limit<drivers::Watts>> power_above;
  std::optional<Limit<drivers::Celsius>> temperature_above;  // of the hottest sensor
  std::optional<Limit<drivers::Celsius>> temperature_below;  // of the coldest
  std::optional<Limit<drivers::KelvinsPerSecond>> temperature_rising;
  std::optional<Limit<drivers::Coulombs>> charge_above;  // into the cell, since the run began
  std::optional<Limit<drivers::Joules>> energy_above;
  std::optional<Limit<drivers::Duration>> run_time;  // while the output is on
  std::optional<Limit<drivers::Duration>> step_time;
};

// For each quantity keeps the tighter of the two. Equal values keep the one already there. An
// on-delay loosens nothing that another says: a looser limit without on-delay is kept as `at_once`,
// and of two on-delays the shorter one rules the tighter value.
void tighten(Limits& limits, const Limits& with);

// Is every limit of `now` at least as tight as in `approved`, in value and in on-delay? (Loosening
// needs approval.)
bool no_looser(const Limits& now, const Limits& approved);

// A limit that is not a finite number, a negative time, reversed bounds (below >= above), or none
// on current, voltage and run time: the first thing wrong, in words; empty when all is well.
// Reversed limits are refused, never swapped.
std::string_view defect(const Limits& limits);

}  // namespace chargewright::safety

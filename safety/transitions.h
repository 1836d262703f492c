#pragma once
// The failsafe of a channel is one table (S1, S4, S5): state machine, figure of the manual and
// input of the model checker at once. A pair that is not listed means: cut.

#include <array>
#include <cstdint>
#include <string_view>

namespace chargewright::safety {

enum class State : std::uint8_t {
  unknown,  // at start: outputs are being brought to off
  off,      // verified off; no run
  arming,   // S1's permissives are being established, one by one
  ready,    // all permissives met; run in progress, output off (before the first step, rest)
  energised,
  cutting,
  tripped,  // verified off, latched; waits for a person
};

enum class Transition : std::uint8_t {
  off_verified,
  arm,
  permissives_met,
  permissive_lost,
  energise,
  de_energise,
  finish,
  fault,
  acknowledge,
};

enum class Action : std::uint8_t { none, start_checks, open_gate, close_gate, cut, latch, clear };

struct Row {
  State from;
  Transition on;
  State to;
  Action action;
  std::string_view requirement;
};

inline constexpr std::array table{
    Row{State::unknown, Transition::off_verified, State::off, Action::none, "S6"},
    Row{State::unknown, Transition::fault, State::cutting, Action::cut, "S4"},
    Row{State::off, Transition::arm, State::arming, Action::start_checks, "S1"},
    Row{State::off, Transition::fault, State::cutting, Action::cut, "S3 S4"},
    Row{State::arming, Transition::permissives_met, State::ready, Action::open_gate, "S1"},
    Row{State::arming, Transition::permissive_lost, State::unknown, Action::close_gate, "S1"},
    Row{State::arming, Transition::fault, State::cutting, Action::cut, "S2 S3 S4"},
    Row{State::ready, Transition::energise, State::energised, Action::none, "S1"},
    Row{State::ready, Transition::finish, State::unknown, Action::close_gate, "S8"},
    Row{State::ready, Transition::fault, State::cutting, Action::cut, "S2 S3 S4"},
    Row{State::energised, Transition::de_energise, State::ready, Action::none, "S1"},
    Row{State::energised, Transition::finish, State::unknown, Action::close_gate, "S8"},
    Row{State::energised, Transition::fault, State::cutting, Action::cut, "S2 S3 S4"},
    Row{State::cutting, Transition::off_verified, State::tripped, Action::latch, "S4 S5"},
    Row{State::tripped, Transition::acknowledge, State::unknown, Action::clear, "S5"},
    Row{State::tripped, Transition::fault, State::cutting, Action::cut, "S5"},
};

// The row for this pair; for an unlisted pair {from, on, cutting, cut}.
constexpr Row row_of(State from, Transition on) {
  for (const Row& row : table) {
    if (row.from == from && row.on == on) return row;
  }
  return {from, on, State::cutting, Action::cut, "S4"};
}

constexpr bool only_acknowledge_leaves_tripped() {
  for (const Row& row : table) {
    if (row.from == State::tripped && row.to != State::cutting &&
        row.on != Transition::acknowledge) {
      return false;
    }
  }
  return true;
}
constexpr bool only_ready_is_energised() {
  for (const Row& row : table) {
    if (row.to == State::energised && row.from != State::ready) return false;
  }
  return true;
}
constexpr bool every_fault_cuts() {
  for (const Row& row : table) {
    if (row.on == Transition::fault && row.to != State::cutting) return false;
  }
  return true;
}
static_assert(only_acknowledge_leaves_tripped());
static_assert(only_ready_is_energised());
static_assert(every_fault_cuts());

std::string_view key_of(State state);
std::string_view key_of(Transition transition);

}  // namespace chargewright::safety

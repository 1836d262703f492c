#pragma once
// The failsafe of a channel is one table (S1, S4, S5): state machine, figure of the manual and
// input of the model checker at once (safety/model). A pair that is not listed means: cut. Beside
// it stands the table of a run's phases, safety/run_transitions.h.

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

// What must hold at the moment of the change; without it the change is not made.
enum class Needs : std::uint8_t {
  nothing,
  off_proved,      // by the cut chain, with evidence asked after the off was written
  permissives,     // all of S1
  condition_gone,  // a person's word is not enough (S5)
};

struct Row {
  State from;
  Transition on;
  State to;
  Action action;
  Needs needs;
  std::string_view requirement;
};

inline constexpr std::array table = [] {
  using enum State;
  using enum Transition;
  using enum Action;
  using enum Needs;
  return std::array{
      Row{unknown, off_verified, off, none, off_proved, "S6"},
      Row{unknown, fault, cutting, cut, nothing, "S4"},
      Row{off, arm, arming, start_checks, nothing, "S1"},
      Row{off, fault, cutting, cut, nothing, "S3 S4"},
      Row{arming, permissives_met, ready, open_gate, permissives, "S1"},
      Row{arming, permissive_lost, unknown, close_gate, nothing, "S1"},
      Row{arming, fault, cutting, cut, nothing, "S2 S3 S4"},
      Row{ready, energise, energised, none, nothing, "S1"},
      Row{ready, finish, unknown, close_gate, nothing, "S8"},
      Row{ready, fault, cutting, cut, nothing, "S2 S3 S4"},
      Row{energised, de_energise, ready, none, nothing, "S1"},
      Row{energised, finish, unknown, close_gate, nothing, "S8"},
      Row{energised, fault, cutting, cut, nothing, "S2 S3 S4"},
      Row{cutting, off_verified, tripped, latch, off_proved, "S4 S5"},
      Row{tripped, acknowledge, unknown, clear, condition_gone, "S5"},
      Row{tripped, fault, cutting, cut, nothing, "S5"},
  };
}();

// The row for this pair; for an unlisted pair {from, on, cutting, cut}.
constexpr Row row_of(State from, Transition on) {
  for (const Row& row : table) {
    if (row.from == from && row.on == on) return row;
  }
  return {from, on, State::cutting, Action::cut, Needs::nothing, "S4"};
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
// What is called off was proved off, and what is called off first is proved before the trip
// latches.
constexpr bool off_is_always_proved() {
  for (const Row& row : table) {
    const bool off = row.to == State::off || row.to == State::tripped;
    if (off && row.needs != Needs::off_proved) return false;
  }
  return true;
}
static_assert(only_acknowledge_leaves_tripped());
static_assert(off_is_always_proved());
static_assert(only_ready_is_energised());
static_assert(every_fault_cuts());

std::string_view key_of(State state);
std::string_view key_of(Transition transition);
std::string_view key_of(Action action);
std::string_view key_of(Needs needs);

}  // namespace chargewright::safety

#pragma once
// The phases of a run as one table, as safety/transitions.h is for a channel: what a sequencer
// obeys, what a record may say, and the second half of what the model checker explores. It stands
// here, below its user, so that both tables make one model (safety/model).
//
// A pair that is not listed is a mistake of our own: the run has failed, its heartbeats end, and
// the guard cuts (S6).

#include <array>
#include <cstdint>
#include <string_view>

namespace chargewright::safety {

enum class Phase : std::uint8_t {
  arming,  // S1's permissives are being established
  running,
  stopping,     // output going off, by the profile's end or a person's stop
  done,         // every step ended by its condition
  stopped,      // a person's stop
  failed,       // a step did not reach its end in time (`within`)
  tripped,      // the interlock cut
  refused,      // S1 or the gate said no
  interrupted,  // the daemon ended or died; only ever written by the next life
};
constexpr bool is_over(Phase phase) { return phase >= Phase::done; }

enum class RunEvent : std::uint8_t {
  armed,     // the channel is ready
  end,       // the output is to go off: finish asked for, or the guard cuts with no cause told yet
  complete,  // off is proved, after the last step
  stop,      // off is proved after a person's stop; or nothing was asked for yet
  fail,      // likewise after a failure
  refuse,    // the guard refused to arm; or off is proved after the gate's refusal
  trip,      // the channel cuts, by a cause
  die,       // told by the next life of the daemon
};

struct RunRow {
  Phase from;
  RunEvent on;
  Phase to;
  std::string_view requirement;
};

inline constexpr std::array run_table = [] {
  using enum Phase;
  using enum RunEvent;
  return std::array{
      RunRow{arming, armed, running, "S1"},     RunRow{arming, end, stopping, "S1"},
      RunRow{arming, stop, stopped, "S1"},      RunRow{arming, fail, failed, "S1"},
      RunRow{arming, refuse, refused, "S1"},    RunRow{arming, trip, tripped, "S4"},
      RunRow{arming, die, interrupted, "S9"},   RunRow{running, end, stopping, "S8"},
      RunRow{running, trip, tripped, "S4"},     RunRow{running, die, interrupted, "S9"},
      RunRow{stopping, end, stopping, "S4"},    RunRow{stopping, complete, done, "S8"},
      RunRow{stopping, stop, stopped, "S8"},    RunRow{stopping, fail, failed, "S8"},
      RunRow{stopping, refuse, refused, "S1"},  RunRow{stopping, trip, tripped, "S4"},
      RunRow{stopping, die, interrupted, "S9"},
  };
}();

constexpr bool is_listed(Phase from, RunEvent on) {
  for (const RunRow& row : run_table) {
    if (row.from == from && row.on == on) return true;
  }
  return false;
}

constexpr Phase phase_after(Phase from, RunEvent on) {
  for (const RunRow& row : run_table) {
    if (row.from == from && row.on == on) return row.to;
  }
  return is_over(from) ? from : Phase::failed;
}

constexpr bool nothing_leaves_the_end_of_a_run() {
  for (const RunRow& row : run_table) {
    if (is_over(row.from)) return false;
  }
  return true;
}
constexpr bool every_trip_ends_the_run() {
  for (const Phase from : {Phase::arming, Phase::running, Phase::stopping}) {
    if (phase_after(from, RunEvent::trip) != Phase::tripped) return false;
    if (phase_after(from, RunEvent::die) != Phase::interrupted) return false;
  }
  return true;
}
static_assert(nothing_leaves_the_end_of_a_run());
static_assert(every_trip_ends_the_run());

std::string_view key_of(Phase phase);
std::string_view key_of(RunEvent event);

}  // namespace chargewright::safety

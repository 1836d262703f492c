#pragma once
// Whether a run that an interruption ended may go on by itself, and when (S9): only where its
// profile says so and everything else allows it; whatever is not known forbids. Until then the
// channel is tripped like after any interruption, and stays so where this gives up. What S1 demands
// is not judged here: the guard does that once more when the run arms.
//
// Plain code. `judge_standing` is asked once, by the life of the daemon that finds the run; then
// Resumption is turned with what it looks like at the bench.

#include <optional>
#include <string_view>
#include <vector>

#include "daemon/record/interrupted.h"
#include "daemon/state/state_json.h"
#include "profiles/cell.h"
#include "profiles/profile.h"
#include "safety/guard.h"

namespace chargewright::daemon {

enum class Unresumed : std::uint8_t {
  none,
  stops,           // its profile says so, or the policy
  used_up,         // resumed as often as it may be without a person
  unreadable,      // its record is missing or damaged, or its files are no longer sound together
  not_its_record,  // the record is another run's, or does not end with an interruption
  was_ending,      // a cut had begun, or the run was being stopped, or had not come to run
  other_files,     // bench, policy or a dialect are not those with which it ran
  other_program,   // of another version
  unapproved,      // its limits, or that it resumes, are not approved (any more)
  looser_limits,   // than those that it ran with
  damaged_state,   // the daemon cannot read all that it remembers
  nothing_known,   // no voltage of the cell on record
  used_limits,     // with what may have flowed unseen, a limit on charge, energy or time is reached
  clock_unsure,    // nobody can say how long ago it was
  too_long_ago,
  another_trip,  // the channel is tripped for another reason, or is not tripped any more
  withdrawn,     // a person cut, stopped or acknowledged
  bench_unfit,   // an alarm, a stale reading or an output not verified off, in the warning time
  other_cell,    // the cell's voltage is not where that one can be
  not_begun,     // the guard or the disk did not do its part
};
std::string_view key_of(Unresumed why);
std::string_view describe(Unresumed why);

// What the last life left and what this one has.
struct Standing {
  const Energised& marker;
  const InterruptedRun& run;
  const std::optional<profiles::Resumption>& allowed;  // by profile and policy
  const std::vector<RecordedFile>& files;              // bench, policy and dialects of this life
  std::string_view version;
  const safety::Limits& limits_now;
  const std::optional<safety::Limits>& limits_then;
  bool approved = false;
  bool cautions_accepted = false;
  bool state_damaged = false;
  std::size_t steps = 0;  // executed ones, of the whole run
};
Unresumed judge_standing(const Standing& standing);

// From the last reading of the current to the proof that the output is off nobody saw what flowed:
// it is counted at the limit of the current, and from the last thing on record on (`unseen`) as
// time with the output on, for the limits alone. `at_rest`: the step at which it stood is a rest,
// which begins anew; others go on with their time.
safety::Carried carried_over(const InterruptedRun& run, const safety::Limits& limits, bool at_rest,
                             drivers::Duration unseen);
bool reaches_a_limit(const safety::Carried& carried, const safety::Limits& limits,
                     drivers::Volts full);

// Where the cell's voltage at rest can be, if it is still the same cell and nothing charged it
// meanwhile: not below where it rested before the run, nor, where the cell's file states its
// resistance, further below the last reading than its current explains; and not above that reading.
struct RestWindow {
  drivers::Volts lowest{};
  drivers::Volts highest{};
};
std::optional<RestWindow> rest_window(const InterruptedRun& run, const profiles::Cell& cell);

class Resumption {
 public:
  enum class State : std::uint8_t { waiting, warning, due, given_up };
  struct Terms {
    profiles::Resumption allowed;
    RestWindow window;
    double speed = 1;        // of the bench's clock; the warning is in real time all the same
    bool sees_cell = false;  // the cell's voltage can be read while the output is off
  };
  // At one moment.
  struct Look {
    bool withdrawn = false;
    bool is_interrupted = false;  // the interruption is what is latched
    bool verified_off = false;
    bool alarm = false;
    bool was_cut = false;                   // since the warning began, however shortly
    std::optional<drivers::Duration> age;   // since the last thing on record; of the bench's clock
    std::optional<drivers::Volts> voltage;  // of the cell, fresh
    bool fresh = false;                     // all that the channel reads
  };

  Resumption(const Terms& terms, drivers::Instant now) : terms_(terms), began_(now) {}
  // `now` of a clock that no speed touches. At least twice a second: a warning in which nobody
  // looked for longer takes so much longer, and some seconds from then on.
  void turn(const Look& look, drivers::Instant now);
  void give_up(Unresumed why);

  [[nodiscard]] State state() const { return state_; }
  [[nodiscard]] Unresumed why() const { return why_; }  // given_up
  // Until the output may go on; while warning.
  [[nodiscard]] drivers::Duration left(drivers::Instant now) const;

 private:
  [[nodiscard]] Unresumed forbidden(const Look& look, drivers::Instant now) const;
  [[nodiscard]] bool is_fit(const Look& look) const;

  Terms terms_;
  drivers::Instant began_;
  State state_ = State::waiting;
  Unresumed why_ = Unresumed::none;
  drivers::Instant warned_at_{};
  drivers::Instant looked_at_{};
};

}  // namespace chargewright::daemon

#include "daemon/run/resumption.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "daemon/record/digest.h"

namespace chargewright::daemon {

using drivers::Duration;
using drivers::Instant;
using drivers::Volts;

namespace {

// Of the span from empty to full, for what a cell's voltage wanders at rest; and of its resistance,
// for a cold or an aged one (common practice, no source).
constexpr double wander_part = 0.03;
constexpr double wander_least = 0.020;  // V
constexpr double resistance_margin = 2;

constexpr Duration unwatched_most = std::chrono::seconds(1);
constexpr Duration warned_again = std::chrono::seconds(10);  // at the least, after that

struct Words {
  Unresumed why;
  std::string_view key;
  std::string_view text;
};
constexpr std::array words{
    Words{Unresumed::none, "none", ""},
    Words{Unresumed::stops, "stops", "the profile or the policy wants it to stay off"},
    Words{Unresumed::used_up, "used-up", "it was resumed as often as it may be without a person"},
    Words{Unresumed::unreadable, "unreadable", "its record cannot be used"},
    Words{Unresumed::not_its_record, "not-its-record",
          "its record is not one of this run that an interruption ended"},
    Words{Unresumed::was_ending, "was-ending",
          "the run was being cut or ended, or had not begun to charge, when it was interrupted"},
    Words{Unresumed::other_files, "other-files",
          "bench, policy or dialects are not those with which it ran"},
    Words{Unresumed::other_program, "other-program",
          "the program is of another version than the one that ran it"},
    Words{Unresumed::unapproved, "unapproved",
          "its limits, its way to resume or the cautions are not approved"},
    Words{Unresumed::looser_limits, "looser-limits",
          "its limits are looser than those it ran with"},
    Words{Unresumed::damaged_state, "damaged-state",
          "the daemon cannot read all that it remembers"},
    Words{Unresumed::nothing_known, "nothing-known",
          "its record does not say where the cell's voltage stood"},
    Words{Unresumed::used_limits, "used-limits",
          "with what may have flowed unseen it has reached a limit on charge, energy or time"},
    Words{Unresumed::clock_unsure, "clock-unsure",
          "the machine's clock cannot say how long ago it was interrupted"},
    Words{Unresumed::too_long_ago, "too-long-ago",
          "it was interrupted longer ago than `resume-within`"},
    Words{Unresumed::another_trip, "another-trip",
          "the channel is tripped for another reason, or was acknowledged"},
    Words{Unresumed::withdrawn, "withdrawn", "a person cut, stopped or acknowledged"},
    Words{Unresumed::bench_unfit, "bench-unfit",
          "an alarm, a stale reading or an output not verified off in the warning time"},
    Words{Unresumed::other_cell, "other-cell",
          "the cell's voltage is not where that of the interrupted run can be: another cell, or it "
          "was charged or discharged meanwhile"},
    Words{Unresumed::not_begun, "not-begun", "the guard or the disk did not do its part"},
};

std::vector<std::string> digests(const std::vector<RecordedFile>& files, bool of_the_run) {
  std::vector<std::string> all;
  for (const RecordedFile& file : files) {
    if ((file.role == "profile" || file.role == "cell") != of_the_run) continue;
    all.push_back(file.role + ' ' + sha256(file.text));
  }
  std::sort(all.begin(), all.end());
  return all;
}

template <class Q>
bool reached(const std::optional<safety::Limit<Q>>& limit, Q counted) {
  return limit && counted >= limit->value;
}

bool is_its_record(const Standing& s) {
  const RecordHeader& header = s.run.header;
  if (s.run.ended != Phase::interrupted) return false;
  if (header.profile != s.marker.profile || header.cell != s.marker.cell) return false;
  if ((header.resumed ? header.resumed->times : 0) != s.marker.offer->resumed) return false;
  std::vector<std::string> wanted{"cell " + s.marker.offer->cell_sha256,
                                  "profile " + s.marker.offer->profile_sha256};
  return digests(header.files, true) == wanted;
}

}  // namespace

std::string_view key_of(Unresumed why) {
  const auto found = std::ranges::find(words, why, &Words::why);
  return found == words.end() ? "unknown" : found->key;
}

std::string_view describe(Unresumed why) {
  const auto found = std::ranges::find(words, why, &Words::why);
  return found == words.end() ? "unknown" : found->text;
}

Unresumed judge_standing(const Standing& s) {
  if (!s.marker.offer || !s.allowed) return Unresumed::stops;
  if (s.state_damaged) return Unresumed::damaged_state;
  if (!is_its_record(s)) return Unresumed::not_its_record;
  if (s.marker.offer->resumed >= s.allowed->times) return Unresumed::used_up;
  if (s.run.phase != Phase::running || s.run.cut_began) return Unresumed::was_ending;
  if (s.run.carried.step >= s.steps) return Unresumed::not_its_record;
  if (s.run.header.version != s.version) return Unresumed::other_program;
  if (digests(s.run.header.files, false) != digests(s.files, false)) return Unresumed::other_files;
  if (!s.approved || !s.cautions_accepted) return Unresumed::unapproved;
  if (!s.limits_then || !safety::no_looser(s.limits_now, *s.limits_then)) {
    return Unresumed::looser_limits;
  }
  return Unresumed::none;
}

safety::Carried carried_over(const InterruptedRun& run, const safety::Limits& limits, bool at_rest,
                             Duration unseen) {
  safety::Carried carried = run.carried;
  const double amperes = limits.current_above ? limits.current_above->value.value() : HUGE_VAL;
  carried.uncertain += drivers::coulombs(amperes * drivers::in_seconds(run.unread + unseen));
  carried.on_time += unseen;
  if (at_rest) {
    carried.step_time = Duration::zero();
  } else {
    carried.step_time += unseen;
  }
  return carried;
}

bool reaches_a_limit(const safety::Carried& carried, const safety::Limits& limits, Volts full) {
  if (!safety::defect(carried).empty()) return true;
  const drivers::Coulombs charge = carried.charge_in + carried.uncertain;
  const auto energy = carried.energy_in + drivers::joules(carried.uncertain.value() * full.value());
  return reached(limits.charge_above, charge) || reached(limits.energy_above, energy) ||
         reached(limits.run_time, carried.on_time) || reached(limits.step_time, carried.step_time);
}

std::optional<RestWindow> rest_window(const InterruptedRun& run, const profiles::Cell& cell) {
  if (!run.voltage_before || !run.voltage_last) return std::nullopt;
  const double span = (cell.voltage.full - cell.voltage.empty).value();
  // What two meters may differ by is no part of it: it is the same one, before and after.
  const double wander = std::max(wander_part * span, wander_least);
  double lowest = *run.voltage_before;
  if (cell.model_states.resistance) {
    double resistance = cell.model.r0.value();
    for (const auto& pair : cell.model.rc) resistance += pair.r.value();
    lowest =
        std::max(lowest, *run.voltage_last - resistance_margin * resistance * run.current_most);
  }
  // A run at rest may stand below where it began: what was read last rules.
  lowest = std::min(lowest, *run.voltage_last);
  const RestWindow window{drivers::volts(lowest - wander),
                          drivers::volts(*run.voltage_last + wander)};
  if (!std::isfinite(window.lowest.value()) || !std::isfinite(window.highest.value())) {
    return std::nullopt;
  }
  return window;
}

bool Resumption::is_fit(const Look& look) const {
  return look.verified_off && !look.alarm && !look.was_cut && look.fresh && look.age &&
         (!terms_.sees_cell || look.voltage);
}

// For good, whatever comes.
Unresumed Resumption::forbidden(const Look& look, Instant now) const {
  if (look.withdrawn) return Unresumed::withdrawn;
  if (!look.is_interrupted) return Unresumed::another_trip;
  const Duration within = terms_.allowed.within;
  if (look.age && *look.age < Duration::zero()) return Unresumed::clock_unsure;
  if (look.age && *look.age > within) return Unresumed::too_long_ago;
  const auto waited = drivers::seconds(drivers::in_seconds(now - began_) * terms_.speed);
  if (!look.age && waited > within) return Unresumed::clock_unsure;
  if (waited > within) return Unresumed::too_long_ago;
  if (terms_.sees_cell && look.voltage && look.verified_off &&
      !(*look.voltage >= terms_.window.lowest && *look.voltage <= terms_.window.highest)) {
    return Unresumed::other_cell;
  }
  return Unresumed::none;
}

void Resumption::turn(const Look& look, Instant now) {
  if (state_ == State::given_up) return;
  if (const Unresumed why = forbidden(look, now); why != Unresumed::none) return give_up(why);
  // What nobody looked at may have been anything meanwhile, and a person saw the warning stand
  // still.
  const Duration unwatched = now - looked_at_;
  looked_at_ = now;
  if (unwatched > unwatched_most && (state_ == State::warning || state_ == State::due)) {
    state_ = State::warning;
    warned_at_ = std::max(warned_at_ + unwatched, now - terms_.allowed.warning + warned_again);
  }
  switch (state_) {
    case State::waiting:
      if (!is_fit(look)) return;
      warned_at_ = now;
      state_ = State::warning;
      return;
    case State::warning:
      if (!is_fit(look)) return give_up(Unresumed::bench_unfit);
      if (now - warned_at_ >= terms_.allowed.warning) state_ = State::due;
      return;
    case State::due:
      if (!is_fit(look)) give_up(Unresumed::bench_unfit);
      return;
    case State::given_up:
      return;
  }
}

void Resumption::give_up(Unresumed why) {
  state_ = State::given_up;
  why_ = why;
}

Duration Resumption::left(Instant now) const {
  if (state_ != State::warning) return Duration::zero();
  return std::max(terms_.allowed.warning - (now - warned_at_), Duration::zero());
}

}  // namespace chargewright::daemon

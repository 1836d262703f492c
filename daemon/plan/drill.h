#pragma once
// The drill: every fault that the simulated bench knows, at several moments of a rehearsal of one
// profile on one bench, each with what noticed it, how long that took, how far the cell went, and
// whether it came through. What happened is judged by the physics of the simulation, never by what
// guard or sequencer believe.
//
// Each fault is met twice, if need be. First on the bench's byte streams at the channel's own
// interval, from shortly before the moment: what is noticed soon is noticed there, with true times.
// What is not noticed soon is met once more in a rehearsal of the whole run, without bytes and at
// the rehearsal's step, to its end: that is where a slow harm, or a slow rule, shows.
//
// Where an instrument shows a limit crossed while current may flow, the time until it cannot, and
// how far the cell goes, stand beside what the response-time budget (S7) allows, for the interval
// at which the fault was met. More than that is not survived, whatever the cell bears: `check`
// relies on it.
//
// Plain code in virtual time; any thread. As good as the cell's model, and as the faults thought
// of.

#include <optional>
#include <string>
#include <vector>

#include "daemon/plan/rehearse.h"
#include "drivers/instrument.h"
#include "drivers/simulated/fault.h"
#include "profiles/bench_times.h"
#include "safety/budget.h"

namespace chargewright::daemon {

struct DrillSetup {
  RehearsalSetup rehearsal;
  // The words that the simulated instruments understand, one for each instrument of the bench. What
  // the rehearsal's dialects say of deadlines and pauses rules instead of what these say.
  std::vector<drivers::InstrumentSpec> instruments;
  profiles::Basis basis{};  // what the budget rests on besides the bench file
  std::string only{};       // the faults of this name alone; empty: all
};

enum class DrillMoment : std::uint8_t { before_arming, early, middle, late, resting, cutting };

// What is broken, perhaps two things at once.
struct DrillFault {
  std::string name;     // "mute"; for JSON
  std::string subject;  // "supply"
  std::string words;    // "supply answers nothing"
  std::vector<drivers::simulated::BenchFault> faults;
  bool sequencer_hangs = false;
  // Nothing is left to see it but the limits on voltage, current and temperature: no readback, no
  // protection of the instrument's own, no limit on the rise. So these are met at all, where
  // otherwise something sooner is.
  bool limits_alone = false;
};

enum class DrillVerdict : std::uint8_t {
  survived,       // cut or refused by us, and the cell stayed whole
  by_instrument,  // the instrument's own protection was first
  harmless,       // not noticed, or not at all in need of a cut; the cell stayed whole
  not_survived,
};
std::string_view key_of(DrillVerdict verdict);

// How far the cell was taken from the fault on: the extreme, what it was at the fault, and the
// limit that is enforced (nothing: there is none).
struct DrillExtreme {
  double at_fault = 0;
  double most = 0;
  std::optional<double> limit{};
  [[nodiscard]] double beyond_limit() const { return limit && most > *limit ? most - *limit : 0; }
};

// One limit that an instrument showed crossed, and what the response-time budget says of it.
// Seconds from the crossing to no current; overshoot as DrillExtreme (V, A, K).
struct DrillCrossing {
  safety::Cause cause = safety::Cause::none;  // that the limit trips by
  std::optional<double> stopped_s{};          // nothing: current could flow to the end
  std::optional<double> stopped_bound_s{};    // nothing: the budget does not cover this fault
  double overshoot = 0;
  std::optional<double> overshoot_bound{};
  // Measured beyond the bound, by more than the simulated instruments round.
  [[nodiscard]] bool breaks_bound() const;
};

struct DrillRow {
  DrillFault fault;
  DrillMoment moment = DrillMoment::before_arming;
  std::size_t step = 0;  // index into Procedure::steps; of moments within a step
  std::string moment_words;

  std::string noticed_by;  // key of a cause, of a refusal, or "step-overdue"; empty: nothing did
  std::string notice;      // in words, with values
  std::optional<double> notice_s{};   // from the fault
  std::optional<double> stopped_s{};  // from the fault until no current could flow any more
  DrillExtreme volts, amperes, degrees_c;
  std::vector<DrillCrossing> crossings;
  double every_s = 0;  // the interval at which it was met: the channel's own, or the rehearsal's
  DrillVerdict verdict = DrillVerdict::not_survived;
  std::string sentence;
};

struct Drill {
  Rehearsal undisturbed;
  std::vector<DrillRow> rows;
  [[nodiscard]] std::size_t count(DrillVerdict verdict) const;
};

Drill drill(const DrillSetup& setup);

}  // namespace chargewright::daemon

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
// Plain code in virtual time; any thread. As good as the cell's model, and as the faults thought
// of.

#include <optional>
#include <string>
#include <vector>

#include "daemon/plan/rehearse.h"
#include "drivers/instrument.h"
#include "drivers/simulated/fault.h"

namespace chargewright::daemon {

struct DrillSetup {
  RehearsalSetup rehearsal;
  // How the simulated instruments are spoken to, one for each instrument of the bench.
  std::vector<drivers::InstrumentSpec> instruments;
  drivers::Duration way = std::chrono::milliseconds(2);  // of a byte, in each direction
};

enum class DrillMoment : std::uint8_t { before_arming, early, middle, late, resting, cutting };

// What is broken, perhaps two things at once.
struct DrillFault {
  std::string name;     // "mute"; for JSON
  std::string subject;  // "supply"
  std::string words;    // "supply answers nothing"
  std::vector<drivers::simulated::BenchFault> faults;
  bool sequencer_hangs = false;
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

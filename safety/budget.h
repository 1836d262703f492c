#pragma once
// The response-time budget (S7): for each limit, the worst time from crossing it to current
// stopped, and how far the quantity goes beyond the limit meanwhile, from the times of the bench
// and the slopes of the cell. Plain arithmetic, cheap enough to ask in every rehearsal; any thread;
// nothing fails, and what cannot be bounded is infinite.
//
// Times count from the moment at which the instrument, if asked, would show the crossing. What it
// cannot show at once (its accuracy, and the lag of a thermometer behind its cell) is part of the
// overshoot, which is of the cell itself.
//
//   seen     every + link, and never more than `allowed_age`: an older reading cuts by itself
//            (S3). `link` is the answer to everything that the instrument may have been asked
//            before, one question at a time. A question unanswered at the next cycle waits for the
//            one after: the interval is then a multiple of `every`.
//            Charge and energy are half an interval later still: a step between two readings is
//            tallied as a ramp. A rise of temperature is fitted over about a minute, and counts as
//            crossed when it is beyond what one digit can feign (safety/rise.h).
//   on_delay of the limit
//   judging  one turn of the guard's thread
//   cut      off is past the queue (S4): one answer and the offs of other outputs come first
//   settling of the source, until current has stopped
//
// Where the source does not obey, the contactor is ordered open after two stages of the cut at the
// latest. Overshoot is what the source can do with both its knobs turned, held by its own
// protections where they are armed; by the contactor alone, with ratings only, since a source that
// ignores "off" may ignore its protections too. (Form of the sum: common practice, no source.)

#include <array>
#include <boost/container/static_vector.hpp>
#include <optional>

#include "safety/fault.h"
#include "safety/limits.h"
#include "safety/plant.h"

namespace chargewright::safety {

struct InstrumentTimes {
  drivers::Duration round_trip{};  // worst, from a question to its whole answer
  drivers::Duration settle{};      // the dialect's, between a command and the question proving it
  drivers::Duration between{};     // the dialect's, between two messages
  // From "off" or "open" obeyed to current stopped; of sources and contactors.
  drivers::Duration settling{};
};

// What the cell does per ampere and second. Resistances are worst where it is coldest; heating is
// judged with those at the temperatures just below the limit (`warm`).
struct CellSlopes {
  struct Resistances {
    drivers::Ohms series{};
    std::array<drivers::Ohms, 2> pairs{};
  };
  drivers::Farads differential{};  // least charge per volt, open circuit, up to full and beyond
  std::array<drivers::Farads, 2> pair_capacities{};  // 0: pair absent
  Resistances cold;
  Resistances warm;
  drivers::JoulesPerKelvin heat_capacity{};  // cooling is left out: it only helps
  // Of a cell that turns all that it takes into heat once it is full: its voltage then. 0: none.
  drivers::Volts overcharged{};
};

// The most that a source can deliver.
struct Reach {
  drivers::Volts voltage{};
  drivers::Amperes current{};
  drivers::Watts power{};
};

// How far the cell may be beyond what its instruments show, by their accuracy. Of the current it
// does not matter: the most that it can be is what the source can deliver.
struct ReadingErrors {
  drivers::Volts voltage{};
  drivers::Kelvins temperature{};
  drivers::Coulombs charge{};
  drivers::Joules energy{};
};

struct BudgetSetup {
  const Plant& plant;
  std::size_t channel = 0;
  const Limits& limits;
  std::array<InstrumentTimes, max_instruments> instruments{};
  CellSlopes cell{};
  drivers::Amperes steered{};  // the most that the gate lets pass
  Reach armed{};               // with its own protections, where they are armed
  Reach bare{};                // ratings of the source alone
  ReadingErrors errors{};
  drivers::Duration thermometer_lag{};  // first order, of the slowest thermometer
  // From bytes at the link to the cut's own bytes, on a busy machine (common practice, no source).
  drivers::Duration judging = std::chrono::milliseconds(5);
};

struct BudgetTerms {
  drivers::Duration interval{};
  drivers::Duration link{};
  drivers::Duration on_delay{};
  drivers::Duration judging{};
  drivers::Duration cut{};
  drivers::Duration settling{};
};

// One way for current to stop.
struct Response {
  BudgetTerms terms;
  drivers::Duration time{};  // their sum
  double overshoot = 0;      // beyond the limit, >= 0; in the unit of its cause (safety/fault.h)
};

struct BudgetLine {
  Cause cause = Cause::none;          // the cause that the limit trips by
  Response source;                    // the source obeys
  std::optional<Response> contactor;  // only the contactor does; nothing: there is none
  // The source obeys, but the reading fails at the very crossing: the age of the last one cuts.
  drivers::Duration time_unread{};
};

struct Budget {
  boost::container::static_vector<BudgetLine, 12> lines;  // of the limits there are
  // Some instrument cannot answer all that it is asked within the allowed age: the channel would
  // trip by it.
  drivers::InstrumentId too_slow = drivers::no_instrument;

  [[nodiscard]] const BudgetLine* of(Cause cause) const;
};

Budget budget_of(const BudgetSetup& setup);

// How long a question may wait for its answer while everything else that this instrument is asked,
// by all channels of the plant, is answered before it.
drivers::Duration answered_within(const Plant& plant, drivers::InstrumentId instrument,
                                  const InstrumentTimes& times);

}  // namespace chargewright::safety

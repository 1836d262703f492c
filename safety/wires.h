#pragma once
// The guard with the instruments that it owns: what the guard's thread does, as plain code. Fed
// bytes, links that come and go, requests and time; puts out bytes by link, events and snapshots.
// The very same runs a bench in real time (safety/guard_thread.cpp moves the bytes) and a bench of
// simulated devices in virtual time. One thread; no allocation of ours after construction.
//
// The speed factor is only told here, the shell scales the time: with any other than 1, arm is
// refused until every instrument has identified itself as simulated, and one that turns out to be
// real later cuts.

#include <array>
#include <cstdint>
#include <string_view>
#include <vector>

#include "drivers/instrument.h"
#include "drivers/ring.h"
#include "safety/guard.h"

namespace chargewright::safety {

struct InstrumentStatus {
  bool up = false;       // its link is open; it may be silent all the same
  bool answers = false;  // up, and in step: the next question to it can be answered
  bool simulated = false;
  std::array<char, 256> identification{};  // last answer to *IDN?, ended by NUL
  std::chrono::nanoseconds round_trip_worst{};
};

// Where the bytes for an instrument go. Called from within pump() and last_resort().
class ByteSink {
 public:
  virtual ~ByteSink() = default;
  // All of them, in order. False: not taken, none counts as written; the link goes down, later.
  virtual bool write(drivers::InstrumentId link, std::string_view bytes) = 0;
};

class Wires {
 public:
  // The instruments' ids are their places in the list; as many as the plant says, 32 at most.
  Wires(const Plant& plant, std::vector<drivers::InstrumentSpec> instruments, double speed,
        ByteSink& sink);

  void restore_trip(const Fault& fault) { guard_.restore_trip(fault); }
  void restore_limits(std::uint8_t channel, const Limits& limits) {
    guard_.restore_limits(channel, limits);
  }
  // A dead-man process stands by (S6); until this is said, arm is refused.
  void attended() { attended_ = true; }
  // It does not any more: every channel cuts, and arm is refused from now on. Once.
  void dead_man_lost(drivers::Instant now);
  // Begins: all outputs are brought to off before anything else.
  void start(drivers::Instant now) { guard_.start(now); }

  void link_up(drivers::InstrumentId link, drivers::Instant now);
  void link_down(drivers::InstrumentId link, drivers::Instant now);
  void received(drivers::InstrumentId link, std::string_view bytes, drivers::Instant now);
  void request(const Request& request, drivers::Instant now);
  // After anything of the above, and at wake(): deadlines, outcomes to the guard, its orders to the
  // instruments, their bytes to the sink. Bounded work.
  void pump(drivers::Instant now);
  // The shell threw: every channel cuts.
  void internal_fault(drivers::Instant now) { guard_.internal_fault(now); }
  void shut_down(drivers::Instant now) { guard_.shut_down(now); }
  // The shell cannot go on: off to every source and open to every contactor by the shortest way.
  // What the sink throws is borne: the other outputs still need their off.
  void last_resort(drivers::Instant now);

  [[nodiscard]] drivers::Instant wake() const;
  [[nodiscard]] bool all_off() const { return guard_.all_off(); }
  bool take_event(Event& event) { return guard_.take_event(event); }
  void listen(bool wanted) { guard_.listen(wanted); }
  void snapshot(Snapshot& into, drivers::Instant now) const { guard_.snapshot(into, now); }
  [[nodiscard]] std::size_t instruments() const { return lines_.size(); }
  [[nodiscard]] const drivers::Instrument& instrument(drivers::InstrumentId id) const {
    return lines_[id].instrument;
  }
  void status(drivers::InstrumentId id, InstrumentStatus& into) const;
  // Grows with every change of a link or an identity.
  [[nodiscard]] std::uint32_t changes() const { return changes_; }

 private:
  struct Line {
    drivers::Instrument instrument;
    bool identified = false;
    bool simulated = false;
    bool matched = false;   // it was the one that the bench demands, once in this life
    bool stranger = false;  // and now another one answers over its link, or who is not known
    bool unnamed = false;   // it did not say who it is, and is to be asked again
    bool named = false;     // it said who it is, since its link came up
    // What is meant for the one before it and would do harm to another: until it has said who it
    // is.
    drivers::Ring<drivers::Order, 128> held{};
    // Rounds in which it must still be looked at; with none left, not before `wake`.
    std::uint8_t rounds = 0;
    drivers::Instant wake{};
  };
  void touch(Line& line) { line.rounds = 2; }
  [[nodiscard]] static bool rests(const Line& line, drivers::Instant now) {
    return line.rounds == 0 && line.wake > now;
  }
  bool move_once(drivers::Instant now);
  void flush(drivers::InstrumentId id);
  void give(const drivers::Order& order, drivers::Instant now);
  void not_reached(const drivers::Order& order, drivers::Instant now);
  static void drop_voided(Line& line, const drivers::Order& urgent);
  void release_held(Line& line, drivers::Instant now);
  void take_outcome(Line& line, const drivers::Outcome& outcome, drivers::Instant now);
  void tell_that_it_answers(const Line& line, const drivers::Outcome& named, drivers::Instant now);
  void see_identity(Line& line, const drivers::Outcome& outcome, drivers::Instant now);
  void ask_who_it_is(Line& line, drivers::Instant now);
  static void see_no_name(Line& line, drivers::Ending ending);
  void off_at_once(const Terminal& at, drivers::Verb verb, drivers::Instant now);
  [[nodiscard]] bool speed_permitted() const;
  [[nodiscard]] Refusal arm_refusal() const;

  Plant plant_;
  double speed_;
  bool attended_ = false;
  ByteSink& sink_;
  Guard guard_;
  std::vector<Line> lines_;
  std::uint32_t changes_ = 0;
};

}  // namespace chargewright::safety

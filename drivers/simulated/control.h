#pragma once
// The control connection of a served bench: one command on a line, one JSON answer on a line,
// {"ok":true,...} or {"ok":false,"error":"..."}. No I/O; the server hands lines in.
//
//   fault NAME DEVICE[/CHANNEL] [ARGUMENT]   slow takes a time (300 ms); knob-turned takes a
//                                            voltage or a current (4.35 V); leads-loosened a
//                                            resistance (50 mohm); cell-heats a power (5 W);
//                                            cell-swapped a voltage (3.3 V)
//   clear [NAME DEVICE]                      that fault, or all of them
//   mark QUANTITY LEVEL DEVICE[/CHANNEL]     supply-voltage, current, cell-voltage, temperature:
//                                            notes in the log when it first exceeds the level
//   unmark
//   charge CIRCUIT SHARE                     puts a rested cell there, at this state of charge (30
//   %) state                                    of every output, switch and circuit log [FROM]
//   events from that number on, with bench time and this
//                                            machine's monotonic time, both in ns
//   quit

#include <string>
#include <string_view>

#include "drivers/simulated/bench.h"

namespace chargewright::drivers::simulated {

// How bench time and this machine's monotonic clock go together.
struct Pace {
  double speed = 1;
  std::int64_t monotonic_start_ns = 0;  // when bench time was zero
  [[nodiscard]] Instant bench_at(std::int64_t monotonic_ns) const;
  [[nodiscard]] std::int64_t monotonic_at(Instant bench) const;
};

class Control {
 public:
  Control(Bench& bench, const Pace& pace) : bench_(bench), pace_(pace) {}
  // The answer, without its line end. The bench must have been advanced to now.
  std::string obey(std::string_view line);
  [[nodiscard]] bool wants_to_quit() const { return quit_; }

 private:
  std::string fault(std::string_view words);
  std::string clear(std::string_view words);
  std::string mark(std::string_view words);
  std::string charge(std::string_view words);
  std::string state() const;
  std::string log(std::string_view words) const;
  // False: there is no such terminal.
  bool terminal(std::string_view text, Terminal& into) const;

  Bench& bench_;
  const Pace& pace_;
  bool quit_ = false;
};

}  // namespace chargewright::drivers::simulated

#pragma once
// Whether a thermometer follows the power that the cell takes (S3). What the cell must have warmed
// by, at the very least, is reckoned from its current:
//
//   C dE/dt = I^2 R - (C / cooling_time) E
//
// with R no more than the cell's series resistance (its slower resistances warm it besides), C no
// less than its heat capacity, and a cooling that is far faster than that of a cell in still air.
// Once E is 2 K, a thermometer that rose by less than a quarter of it since E began is not on the
// cell. A cell that was cooling when E began, warm from the current before, may go on to: it rises
// by so much less. A weak current never makes 2 K, and then nothing is judged: such a cell stays
// cool, too.
// And whatever flows, no cell cools faster than with that cooling time towards a room of 15 degC,
// or 10 K colder than the coldest that the thermometer ever showed: what falls faster has come off.
// (2 K, a quarter, five minutes, two minutes, 10 K: common practice, no source. Held against
// measured charges and discharges in tests/outside.)

#include "drivers/instant.h"
#include "drivers/quantity.h"

namespace chargewright::safety {

// What is known of the cell's body; a zero: not known, and nothing is judged.
struct Body {
  drivers::Ohms resistance_least{};
  drivers::JoulesPerKelvin heat_capacity_most{};
  // A capacitor's current falls by e in no less than its R times C; zero: far longer than it takes
  // to read it.
  drivers::Duration fall_time{};
  [[nodiscard]] bool known() const {
    return resistance_least.value() > 0 && heat_capacity_most.value() > 0;
  }
};

class Warming {
 public:
  static constexpr double cooling_time = 300;  // s
  static constexpr double judged_from = 2;     // K
  static constexpr double share_least = 0.25;

  void begin(const Body& body) {
    *this = Warming{};
    body_ = body;
  }
  void see(double amperes, drivers::Instant when);
  [[nodiscard]] double least() const { return kelvins_; }  // E

 private:
  Body body_{};
  bool begun_ = false;
  double amperes_ = 0;
  drivers::Instant when_{};
  double kelvins_ = 0;
};

// How fast a thermometer falls while nothing warms it: over the last two to four minutes, or over
// what there is of them from half a minute on.
class Cooling {
 public:
  void see(double celsius, drivers::Instant when);
  [[nodiscard]] double rate() const { return rate_; }  // K/s; 0: it does not fall, or not known

 private:
  struct Mark {
    double celsius = 0;
    drivers::Instant when{};
  };
  bool begun_ = false;
  Mark older_, newer_;
  double rate_ = 0;
};

// One thermometer's own rise, beside the cell's.
class FollowedWarming {
 public:
  // A run begins. How the thermometer was falling before it is still known.
  void begin();
  // `least`: of Warming.
  void see(double celsius, double least, drivers::Instant when);
  // It does not rise with the cell, or once fell faster than any.
  [[nodiscard]] bool behind() const { return slow_ || fell_; }
  // While behind: what it changed by, and what it should have, K.
  [[nodiscard]] double change() const { return change_; }
  [[nodiscard]] double least_change() const { return least_change_; }

 private:
  struct Mark {
    double celsius = 0;
    double coldest = 0;  // until then
    drivers::Instant when{};
  };
  void see_fall(double celsius, drivers::Instant when);

  bool begun_ = false;
  bool slow_ = false;
  bool fell_ = false;
  Cooling cooling_;
  drivers::Instant warms_since_{};
  double least_before_ = 0;
  double fall_rate_ = 0;  // K/s, when nothing warmed it for the last time
  double lowest_ = 0;     // since then
  double coldest_ = 0;    // ever
  Mark older_, newer_;
  double change_ = 0;
  double least_change_ = 0;
};

}  // namespace chargewright::safety

#pragma once
// Whether a thermometer follows the power that the cell takes (S3). What the cell must have warmed
// by, at the very least, is reckoned from its current:
//
//   C dE/dt = I^2 R - (C / cooling_time) E
//
// with R no more than the cell's series resistance (its slower resistances warm it besides), C no
// less than its heat capacity, and a cooling that is far faster than that of a cell in still air.
// Once E is 3 K, a thermometer that rose by less than a quarter of it since E began is not on the
// cell. A weak current never makes 3 K, and then nothing is judged: such a cell stays cool, too.
// (3 K, a quarter, five minutes: common practice, no source. Held against measured charges and
// discharges in tests/outside.)

#include "drivers/instant.h"
#include "drivers/quantity.h"

namespace chargewright::safety {

// What is known of the cell's body; a zero: not known, and nothing is judged.
struct Body {
  drivers::Ohms resistance_least{};
  drivers::JoulesPerKelvin heat_capacity_most{};
  [[nodiscard]] bool known() const {
    return resistance_least.value() > 0 && heat_capacity_most.value() > 0;
  }
};

class Warming {
 public:
  static constexpr double cooling_time = 300;  // s
  static constexpr double judged_from = 3;     // K
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

// One thermometer's own rise, beside the cell's.
class FollowedWarming {
 public:
  void forget() { *this = FollowedWarming{}; }
  void see(double celsius, double least);
  [[nodiscard]] bool behind() const { return behind_; }
  [[nodiscard]] double rise() const { return celsius_ - lowest_; }

 private:
  bool begun_ = false;
  bool behind_ = false;
  double lowest_ = 0;  // since the warming began
  double celsius_ = 0;
};

}  // namespace chargewright::safety

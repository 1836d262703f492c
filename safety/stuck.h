#pragma once
// Sensors that do not change while power flows (S3). What is judged, and what is not:
//
// A pair (voltage and current of one place) is stuck when neither shows one digit of change. In a
// constant-current phase the voltage moves, in a constant-voltage phase the current does; both at
// rest for long is not what a cell does. How long: `stuck_after`, and 4 % of the charge limit
// besides (where there is one), since a flat voltage moves with charge and not with time.
//
// A thermometer may legitimately rest for hours, so it is judged against a contrast in the heating:
// a heavy current (half its limit, and enough to warm the cell) for `stuck_after`, that changed by
// a factor of two, and ten times `stuck_after` later the thermometer has not moved one digit.
//
// Apart from these (safety/rules), a source is judged that shows no current though its voltage is
// below the one set: there it gives the current set, and its meter does not show it.
// (Numbers: common practice, no source.)

#include "drivers/instant.h"

namespace chargewright::safety {

class StuckPair {
 public:
  // A new current reading with the voltage that goes with it, and the charge passed until now.
  void see(double volts, double amperes, double coulombs, bool flowing, drivers::Instant at);
  [[nodiscard]] drivers::Duration unchanged() const { return last_ - since_; }
  [[nodiscard]] double charge() const { return coulombs_ - coulombs_since_; }

 private:
  double volts_ = 0;
  double amperes_ = 0;
  double coulombs_ = 0;
  double coulombs_since_ = 0;
  drivers::Instant since_{};
  drivers::Instant last_{};
};

class StuckThermometer {
 public:
  void see(double celsius, double amperes, double heavy_amperes, drivers::Duration stuck_after,
           drivers::Instant at);
  void forget() { *this = StuckThermometer{}; }
  // Time without a digit of change since the heating changed; zero: no contrast yet.
  [[nodiscard]] drivers::Duration unmoved() const {
    return contrast_ ? last_ - contrast_since_ : drivers::Duration::zero();
  }

 private:
  bool begun_ = false;
  double celsius_ = 0;
  double least_ = 0;  // |current|, A, since the last change
  double most_ = 0;
  drivers::Duration heavy_{};
  bool contrast_ = false;
  drivers::Instant contrast_since_{};
  drivers::Instant last_{};
};

inline constexpr double stuck_charge_share = 0.04;  // of the charge limit
inline constexpr int stuck_thermometer_factor = 10;

}  // namespace chargewright::safety

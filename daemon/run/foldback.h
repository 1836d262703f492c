#pragma once
// Rides a temperature ceiling by lowering the current (thermal foldback). Heat grows with the
// square of the current, so the square is what is steered: its share of the most allowed is
// proportional to the distance below the ceiling within a band of 1 K, with an integral that
// carries what the cell's cooling takes away. The integral's time follows the heating rate seen at
// full current, so that small hot cells and large slow packs are both approached without swinging
// over; it stands still while the share is at either end (no wind-up).
//
// Plain code; K, A, degC; moves at most once per reading.

#include "drivers/instant.h"
#include "drivers/quantity.h"

namespace chargewright::daemon {

class Foldback {
 public:
  Foldback(drivers::Celsius ceiling, drivers::Amperes most);

  // One reading of the hottest sensor, taken at `at`, while `flowing` flowed.
  void see(drivers::Celsius temperature, drivers::Amperes flowing, drivers::Instant at);

  [[nodiscard]] drivers::Amperes current() const;  // the ceiling on current that follows
  [[nodiscard]] bool is_folding() const { return share_ < 1; }

 private:
  void watch_heating(double degrees_c, double flowing_a, drivers::Instant at);

  double ceiling_c_;
  double most_a_;
  double share_ = 0;     // of the square of the most; nothing until a temperature is known
  double integral_ = 0;  // part of share_
  double rate_ = 0;      // K/s at full current, the highest seen; 0: not known yet
  bool begun_ = false;
  drivers::Instant last_{};
  drivers::Instant window_began_{};
  double window_began_c_ = 0;
};

}  // namespace chargewright::daemon

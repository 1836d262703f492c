#pragma once
// Whether the cell that rests is still the same one (S1, S3). After a charge its voltage sinks as a
// sum of exponentials, ever more slowly: from one reading to the next it moves at most as fast as
// between the two before. A leap beyond that is another cell, or none.

#include "drivers/instant.h"

namespace chargewright::safety {

class RestingVoltage {
 public:
  // A reading while no current flows; `band`: what the voltmeter's own unrest may be, V.
  void see(double volts, double band, drivers::Instant when);
  void forget() { *this = RestingVoltage{}; }

  // It stands elsewhere than its own rest can have led it; `before` is where it was.
  [[nodiscard]] bool leapt() const { return leapt_; }
  [[nodiscard]] double before() const { return volts_; }

 private:
  int seen_ = 0;
  double volts_ = 0;  // the last reading, or the last before the leap
  drivers::Instant when_{};
  double pace_ = 0;  // V/s, between the last two readings
  bool leapt_ = false;
};

}  // namespace chargewright::safety

#pragma once
// Whether the circuit is closed, told from the current alone (S3). Under setpoints that stand
// still, the current into a cell is a sum of exponentials that die away, so from reading to reading
// it falls by a smaller and smaller share: never by a larger one than just before. A current that
// was on its way and is at nothing in the next reading did not taper, it was broken off.
//
// Setpoints that were lowered between two readings explain what Ohm's law gives them in the leads
// alone. A capacitor whose R times C is short against the interval of reading may fall to nothing
// within it: its known fall time explains that.

#include <optional>

#include "drivers/instant.h"
#include "drivers/quantity.h"

namespace chargewright::safety {

class Flow {
 public:
  struct Circumstances {
    drivers::Volts voltage_setpoint{};
    drivers::Amperes current_setpoint{};
    drivers::Ohms leads{};          // out and back, without the cell
    drivers::Amperes off{};         // "current stopped": at or below this
    drivers::Duration fall_time{};  // of safety::Body
  };

  // The output goes on; just before, the source's terminals were at this voltage, where known.
  void begin(std::optional<double> rest_volts) {
    *this = Flow{};
    rest_volts_ = rest_volts;
  }
  // A new reading of the current, asked after the setpoints were proved.
  // `cell_volts`: as last read; meaningful where a meter of its own stands there.
  void see(double amperes, double cell_volts, const Circumstances& at, drivers::Instant when);

  // It stopped as no cell stops it, and has not come back.
  [[nodiscard]] bool broke_off() const { return broke_off_; }
  // Asked when the first of the present readings without current was; meaningful while there is
  // none.
  [[nodiscard]] drivers::Instant stopped_since() const { return stopped_since_; }
  // The cell's voltage when current was last read.
  [[nodiscard]] double flowing_volts() const { return flowing_volts_; }
  // Since the output went on, more than "stopped" was read at least once.
  [[nodiscard]] bool ever() const { return ever_; }
  [[nodiscard]] std::optional<double> rest_volts() const { return rest_volts_; }

 private:
  [[nodiscard]] double least_expected(const Circumstances& at, drivers::Instant when) const;

  std::optional<double> rest_volts_{};
  bool broke_off_ = false;
  bool ever_ = false;
  bool begun_ = false;
  double amperes_ = 0;
  double flowing_volts_ = 0;
  drivers::Instant stopped_since_{};
  drivers::Instant when_{};
  Circumstances circumstances_{};
  double fall_per_second_ = 0;  // of its logarithm, in the reading before; at least 0
};

}  // namespace chargewright::safety

#pragma once
// One sensor of a simulated thermometer: it follows the body it touches with a first-order lag.

#include "drivers/instant.h"
#include "drivers/quantity.h"
#include "drivers/simulated/kept.h"

namespace chargewright::drivers::simulated {

struct ThermometerModel {
  Duration lag = std::chrono::seconds(2);
  Kelvins offset{};
  Kelvins resolution = kelvins(0.01);
};

class Sensor {
 public:
  explicit Sensor(const ThermometerModel& model) : model_(model) {}

  void start(Celsius body) { sensor_c_ = body_c_ = body.value(); }
  // The body is at `body` at the end of the step, and went there in a straight line: exact for it.
  void advance(Duration dt, Celsius body);
  [[nodiscard]] Celsius shown() const;

 private:
  ThermometerModel model_;
  double sensor_c_ = 20;
  double body_c_ = 20;
  Kept<Duration, double, 16> decay_;  // by the length of a step
};

}  // namespace chargewright::drivers::simulated

#include "drivers/simulated/thermometer.h"

#include <cmath>

#include "drivers/simulated/supply.h"

namespace chargewright::drivers::simulated {

void Sensor::advance(Duration dt, Celsius body) {
  const double lag = in_seconds(model_.lag);
  if (lag <= 0) {
    sensor_c_ = body_c_ = body.value();
    return;
  }
  if (!decay_.find(dt)) decay_.current() = std::exp(-in_seconds(dt) / lag);
  const double behind = (body.value() - body_c_) / in_seconds(dt) * lag;
  sensor_c_ = body.value() - behind + (sensor_c_ - body_c_ + behind) * decay_.current();
  body_c_ = body.value();
}

Celsius Sensor::shown() const {
  return celsius(rounded(sensor_c_ + model_.offset.value(), model_.resolution.value()));
}

}  // namespace chargewright::drivers::simulated

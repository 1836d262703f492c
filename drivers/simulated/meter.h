#pragma once
// A simulated voltmeter and ammeter at the cell's own terminals: resolution, gain and offset.

#include "drivers/quantity.h"
#include "drivers/simulated/supply.h"

namespace chargewright::drivers::simulated {

struct MeterModel {
  Volts voltage_resolution = volts(0.0001);
  Amperes current_resolution = amperes(0.0001);
  double gain = 1;
  Volts voltage_offset{};
  Amperes current_offset{};
};

inline Volts shown(const MeterModel& meter, Volts truth) {
  return volts(rounded(truth.value() * meter.gain + meter.voltage_offset.value(),
                       meter.voltage_resolution.value()));
}
inline Amperes shown(const MeterModel& meter, Amperes truth) {
  return amperes(rounded(truth.value() * meter.gain + meter.current_offset.value(),
                         meter.current_resolution.value()));
}

}  // namespace chargewright::drivers::simulated

#pragma once
// The gate: no setpoint reaches an output without passing here (S2). What it refuses:
//  - a setpoint that is negative or not a finite number;
//  - a voltage above the cell's full voltage plus the bounded lead compensation, above the voltage
//    limit plus that compensation, or above the source's rating;
//  - a current above the current limit or the rating of source and wiring;
//  - a power limit that would be exceeded even at the lowest voltage the cell may have. (Delivered
//    power is steered by the sequencer and cut at by the interlock: it depends on the cell's
//    voltage, so that a high voltage setpoint with a high current is no violation by itself.)
// A setpoint exactly on its bound passes; a rating of zero is unknown, and lets nothing pass.

#include "safety/guard.h"

namespace chargewright::safety {

struct GateVerdict {
  Refusal refusal = Refusal::none;
  double asked = 0;
  double bound = 0;
};

drivers::Volts voltage_bound(const RunPlan& run, const ChannelPlan& channel);
drivers::Amperes current_bound(const RunPlan& run, const ChannelPlan& channel);

GateVerdict pass_gate(State state, const RunPlan& run, const ChannelPlan& channel,
                      drivers::Volts voltage, drivers::Amperes current);

}  // namespace chargewright::safety

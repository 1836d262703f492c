#pragma once
// The simulated twin of one channel of a bench: the same instruments under the same numbers, the
// cell's model behind the channel's leads, everything accurate and nothing broken.

#include <optional>

#include "drivers/simulated/bench_model.h"
#include "drivers/simulated/cell.h"
#include "profiles/bench.h"
#include "profiles/cell.h"

namespace chargewright::daemon {

// How the cell is found. Neither: rested at its empty voltage.
struct CellStart {
  std::optional<double> state_of_charge{};  // as share_of_charge() says it
  std::optional<drivers::Volts> voltage{};
  std::optional<drivers::Celsius> ambient{};  // else as in the cell's model
};

drivers::simulated::BenchModel twin_of(const profiles::Bench& bench, std::size_t channel,
                                       const profiles::Cell& cell, const CellStart& start);

// How full it is, of the capacity of its file: 0 at the empty end, 1 when full. Of a capacitor less
// than nothing below its `empty` voltage.
double share_of_charge(const profiles::Cell& cell, const drivers::simulated::Cell& now);

}  // namespace chargewright::daemon

#pragma once
// The simulated twin of one channel of a bench: the same instruments under the same numbers, the
// cell's model behind the channel's leads, everything accurate and nothing broken.

#include <optional>

#include "drivers/simulated/bench_model.h"
#include "profiles/bench.h"
#include "profiles/cell.h"

namespace chargewright::daemon {

// How the cell is found. Neither: rested at its empty voltage.
struct CellStart {
  std::optional<double> state_of_charge{};
  std::optional<drivers::Volts> voltage{};
  std::optional<drivers::Celsius> ambient{};  // else as in the cell's model
};

drivers::simulated::BenchModel twin_of(const profiles::Bench& bench, std::size_t channel,
                                       const profiles::Cell& cell, const CellStart& start);

}  // namespace chargewright::daemon

#pragma once
// Makes the schedule of a failing storm short: what can be left out while the same claim still
// fails is left out, in halves, quarters and so on, down to single happenings ("delta debugging":
// A. Zeller, R. Hildebrandt, "Simplifying and Isolating Failure-Inducing Input", IEEE Transactions
// on Software Engineering 28, 2002).

#include <functional>
#include <vector>

#include "tests/storm/scenario.h"

namespace chargewright::storm {

// Indices into the happenings that are still needed. `fails`: does it with only these?
std::vector<std::size_t> shrunk(std::size_t count,
                                const std::function<bool(const std::vector<std::size_t>&)>& fails);

Scenario with_only(Scenario scenario, const std::vector<std::size_t>& kept);

}  // namespace chargewright::storm

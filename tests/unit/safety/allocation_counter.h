#pragma once
// Counts calls of operator new in this test program, to show that a steady state needs none.

#include <cstddef>

namespace chargewright::safety::testing {

std::size_t allocations();

}  // namespace chargewright::safety::testing

#pragma once
// Counts calls of operator new in this test program, to show that a steady state needs none.

#include <cstddef>

namespace chargewright::safety::testing {

std::size_t allocations();
// The calling thread's are counted apart from then on, to its end.
void watch_this_thread();
std::size_t watched_allocations();

}  // namespace chargewright::safety::testing

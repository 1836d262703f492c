#pragma once
// Lead compensation, and the levels at which the source's own protections are armed (S2): just
// above what it is steered to, as its accuracy and its dialect's proofs allow, and not above what
// the cell bears.

#include "profiles/bench.h"
#include "profiles/bench_times.h"
#include "profiles/cell.h"
#include "safety/guard.h"

namespace chargewright::profiles {

// For a plan whose limits are there; `current_max` is the highest ceiling of the profile's steps.
// The level of the over-voltage protection may lie above the source's rating.
void set_protections(safety::RunPlan& plan, const Cell& cell, const Bench& bench,
                     const BenchChannel& channel, const ProvedWithin& proved_within,
                     drivers::Amperes current_max);

}  // namespace chargewright::profiles

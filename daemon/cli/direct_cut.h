#pragma once
// Cuts a bench with no daemon between: opens the links itself, all at once, and orders off. For
// `chargewright cut` when the daemon is dead or not answering, and for the unit's ExecStopPost.
// Bounded in time; takes no lock, since a cut must never wait for who holds one.

#include <chrono>
#include <string>
#include <vector>

#include "drivers/failure.h"
#include "profiles/bench.h"

namespace chargewright::daemon {

struct DirectCut {
  bool all_off = false;  // every channel proved off
  std::vector<std::string> lines;
  // Of dialects that cannot be loaded: their instruments were not reached, all others were.
  drivers::Failures problems;
};

DirectCut direct_cut(const profiles::Bench& bench, const std::vector<std::string>& dialect_folders,
                     std::chrono::milliseconds within);

}  // namespace chargewright::daemon

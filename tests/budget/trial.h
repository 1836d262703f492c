#pragma once
// One random bench with a random cell, on which one limit is crossed on purpose: what the guard
// made of it, measured in the simulated physics, beside what the response-time budget promised
// (S7). The guard, its instruments and their bytes are those of a real bench, in virtual time.

#include <cstdint>
#include <string>

#include "safety/budget.h"

namespace chargewright::test {

enum class Path : std::uint8_t {
  source,     // everything works but what crosses the limit
  contactor,  // the source ignores "off", and may fall silent
  unread,     // the instrument that would show the crossing falls silent at it
};

struct Trial {
  bool crossed = false;      // else something else cut before, or no time was left
  bool off = false;          // and current has stopped
  drivers::Duration time{};  // from the crossing, as the instrument would show it, to no current
  drivers::Duration time_bound{};
  double overshoot = 0;  // of the cell, SI
  double overshoot_bound = 0;
  std::string what;  // for people: the bench, the cell and the crossing
};

// `cause` is that of the limit to be crossed. The same seed is the same trial.
Trial run_trial(safety::Cause cause, Path path, std::uint64_t seed);

}  // namespace chargewright::test

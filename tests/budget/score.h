#pragma once
// Trials of one limit along one path, summed up: no measured value beyond its bound, and how near
// the worst came to it.

#include <algorithm>
#include <cstdint>
#include <string>
#include <vector>

#include "tests/budget/trial.h"

namespace chargewright::test {

struct Score {
  std::uint64_t tried = 0;
  std::uint64_t crossed = 0;
  double nearest_time = 0;       // measured/bound, the worst
  double nearest_overshoot = 0;  // of those whose bound is not zero
  std::vector<std::string> broken;
};

inline Score score(safety::Cause cause, Path path, std::uint64_t first, std::uint64_t count) {
  Score score;
  for (std::uint64_t seed = first; seed < first + count; ++seed) {
    const Trial trial = run_trial(cause, path, seed);
    ++score.tried;
    if (!trial.crossed) continue;
    ++score.crossed;
    const double time = drivers::in_seconds(trial.time) / drivers::in_seconds(trial.time_bound);
    const double rounding = 2e-6 + 1e-6 * trial.overshoot_bound;  // of the settings
    if (path != Path::unread && trial.overshoot_bound > 10 * rounding) {
      score.nearest_overshoot =
          std::max(score.nearest_overshoot, trial.overshoot / trial.overshoot_bound);
    }
    score.nearest_time = std::max(score.nearest_time, time);
    const bool beyond = path != Path::unread && trial.overshoot > trial.overshoot_bound + rounding;
    if (trial.off && time <= 1 && !beyond) continue;
    score.broken.push_back("seed " + std::to_string(seed) + (trial.off ? "" : ": never off") +
                           ": time " + std::to_string(drivers::in_seconds(trial.time)) + " of " +
                           std::to_string(drivers::in_seconds(trial.time_bound)) +
                           " s, overshoot " + std::to_string(trial.overshoot) + " of " +
                           std::to_string(trial.overshoot_bound) + "; " + trial.what);
  }
  return score;
}

}  // namespace chargewright::test

#pragma once
// How long the daemon's end may take, in real time, so that a bench that is slow to answer is
// brought to off in good order, too (S4). Bounded: what proves nothing by then is the dead-man's.

#include <chrono>

#include "safety/plant.h"

namespace chargewright::daemon {

struct EndTimes {
  std::chrono::milliseconds runs{};     // told to stop, until all are over
  std::chrono::milliseconds outputs{};  // ordered off, until all are proved off
  // With what follows: the service manager is asked for as much.
  [[nodiscard]] std::chrono::milliseconds all() const {
    return runs + outputs + std::chrono::seconds(5);
  }
};

// The plant is stretched for that speed already.
EndTimes end_times(const safety::Plant& plant, double speed);

}  // namespace chargewright::daemon

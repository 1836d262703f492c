#pragma once
// What the run thread needs of the guard: a queue to ask by, and the published snapshot. The real
// one is the guard thread; tests have their own.

#include "safety/guard.h"

namespace chargewright::daemon {

class GuardPort {
 public:
  virtual ~GuardPort() = default;
  // False: the queue is full. Never blocks.
  virtual bool request(const safety::Request& request) = 0;
  virtual void snapshot(safety::Snapshot& into) = 0;
  // The instant by the clock that the guard's shell hands out (scaled on a simulated bench).
  virtual drivers::Instant now() = 0;
};

}  // namespace chargewright::daemon

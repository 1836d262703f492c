#pragma once
// What the daemon's other threads need of the guard: the sequencer's port, the events, who the
// instruments said they are. The real one is around safety::GuardThread; tests have their own.

#include <string>
#include <utility>
#include <vector>

#include "daemon/run/guard_port.h"

namespace chargewright::daemon {

class GuardSide : public GuardPort {
 public:
  // From one thread alone, the pump's.
  virtual bool take_event(safety::Event& event) = 0;
  virtual std::uint64_t events_lost() = 0;  // so many did not fit since the start
  // Instrument, its *IDN? answer; empty where it has not answered.
  virtual std::vector<std::pair<std::string, std::string>> identities() = 0;
};

}  // namespace chargewright::daemon

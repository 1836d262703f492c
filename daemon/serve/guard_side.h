#pragma once
// What the daemon's other threads need of the guard: the sequencer's port, the events, who the
// instruments said they are. The real one is around safety::GuardThread; tests have their own.

#include <string>
#include <vector>

#include "daemon/run/guard_port.h"

namespace chargewright::daemon {

struct InstrumentFacts {
  std::string name;
  std::string identity;  // its *IDN? answer; empty where it has not answered
  bool up = false;       // its link is open
  bool answers = false;  // and in step: it answers what it is asked
  bool simulated = false;
  drivers::Duration round_trip_worst{};  // since the start; 0: none yet
};

class GuardSide : public GuardPort {
 public:
  // From one thread alone, the pump's.
  virtual bool take_event(safety::Event& event) = 0;
  // From any.
  virtual std::uint64_t events_lost() = 0;                 // so many did not fit since the start
  virtual std::vector<InstrumentFacts> instruments() = 0;  // by InstrumentId
};

}  // namespace chargewright::daemon

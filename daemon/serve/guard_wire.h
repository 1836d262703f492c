#pragma once
// The guard thread as the rest of the daemon sees it, and what it is made from.

#include <memory>

#include "daemon/serve/guard_side.h"
#include "daemon/state/store.h"
#include "drivers/dialect.h"
#include "profiles/bench.h"
#include "safety/guard_thread.h"

namespace chargewright::daemon {

// Trips that a former life latched go in, so that their channels start tripped (S5), and the limits
// of each channel's last run, by which it is watched (S8).
safety::GuardThreadSpec guard_spec(const profiles::Bench& bench, const safety::Plant& plant,
                                   const std::vector<drivers::Dialect>& dialects, double speed,
                                   const StateStore& state,
                                   std::shared_ptr<safety::DeadManSide> dead_man);

class GuardWire : public GuardSide {
 public:
  GuardWire(const profiles::Bench& bench, safety::GuardThreadSpec spec);

  bool request(const safety::Request& request) override { return thread_.request(request); }
  void snapshot(safety::Snapshot& into) override { into = thread_.snapshot(); }
  drivers::Instant now() override { return thread_.now(); }
  bool take_event(safety::Event& event) override { return thread_.take_event(event); }
  std::uint64_t events_lost() override { return thread_.events_lost(); }
  std::vector<InstrumentFacts> instruments() override;

  safety::GuardThread& thread() { return thread_; }

 private:
  std::vector<std::string> names_;  // by InstrumentId
  safety::GuardThread thread_;
};

}  // namespace chargewright::daemon

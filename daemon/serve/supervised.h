#pragma once
// What a supervisor has charge of: the bench as its files say it, and the parts that do the work.

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "daemon/record/recorder.h"
#include "daemon/serve/backlog.h"
#include "daemon/serve/dead_man.h"
#include "daemon/serve/event_pump.h"
#include "daemon/serve/guard_side.h"
#include "daemon/state/machine_clock.h"
#include "daemon/state/store.h"
#include "drivers/dialect.h"
#include "profiles/bench.h"
#include "profiles/policy.h"
#include "safety/plant.h"

namespace chargewright::daemon {

struct Supervised {
  const profiles::Bench& bench;
  const profiles::Policy& policy;
  const safety::Plant& plant;
  const std::vector<drivers::Dialect>& dialects;  // by InstrumentId
  std::vector<RecordedFile> files;                // bench, policy, dialects: for every record
  std::string runs_folder;
  double speed = 1;
  GuardSide& guard;
  StateStore& state;
  Backlog& backlog;
  std::function<WallTime()> wall;
  Log log;
  std::function<MachineClock()> clocks = look_at_the_clocks;
  std::optional<ProvedOff> proved_off{};  // by the dead-man of the last life
};

// Of channels, instruments or steps, in their order.
std::vector<std::string> names_of(const auto& named) {
  std::vector<std::string> names;
  for (const auto& one : named) names.push_back(one.name);
  return names;
}

}  // namespace chargewright::daemon

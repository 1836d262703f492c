#pragma once
// Every file that the daemon runs by, loaded before anything is touched; all problems at once.

#include <string>
#include <vector>

#include "daemon/record/record.h"
#include "daemon/serve/daemon_options.h"
#include "drivers/dialect.h"
#include "profiles/bench.h"
#include "profiles/policy.h"
#include "safety/plant.h"

namespace chargewright::daemon {

struct DaemonFiles {
  profiles::Bench bench;
  profiles::Policy policy;
  std::vector<drivers::Dialect> dialects;  // by InstrumentId
  safety::Plant plant;
  std::vector<RecordedFile> recorded;  // bench, policy and dialects, as exact texts
};
drivers::Checked<DaemonFiles> load_daemon_files(const DaemonOptions& options);

}  // namespace chargewright::daemon

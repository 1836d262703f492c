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

// The texts that these were read from, of what they extend, too; each once.
std::vector<RecordedFile> dialect_texts(const std::vector<drivers::Dialect>& dialects);
// One for all dialects among these files: the SHA-256 of theirs, each with a line end, in order.
std::string dialects_sha256(const std::vector<RecordedFile>& files);

}  // namespace chargewright::daemon

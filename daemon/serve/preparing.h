#pragma once
// From the texts that a client sent to a run that may be armed: read, check, compare with what was
// approved. Plain code; every problem with its place.

#include "daemon/serve/operations.h"
#include "profiles/cell.h"
#include "profiles/check.h"
#include "profiles/profile.h"

namespace chargewright::daemon {

struct PreparedRun {
  profiles::Profile profile;
  profiles::Cell cell;
  profiles::CheckReport report;
};
Answer<PreparedRun> prepare(const NamedText& profile, const NamedText& cell,
                            const profiles::Bench& bench, std::size_t channel,
                            const profiles::Policy& policy, const profiles::Basis& basis);

}  // namespace chargewright::daemon

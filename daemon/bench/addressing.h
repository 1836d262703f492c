#pragma once
// Does each dialect tell one output or input of its instrument from another where the bench file
// names a second one? Else every message would go to the same: one channel's off would be another's
// and two thermometers the same one (S3, S4).

#include <vector>

#include "drivers/dialect.h"
#include "profiles/bench.h"

namespace chargewright::daemon {

// `dialects` by InstrumentId. Each terminal once, by the first of its verbs that names no number;
// empty where all is well.
drivers::Failures unaddressed(const profiles::Bench& bench,
                              const std::vector<drivers::Dialect>& dialects);

}  // namespace chargewright::daemon

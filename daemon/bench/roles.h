#pragma once
// Can each instrument do what its part on a channel needs? What a dialect only adds to that, the
// guard does without, and `check` says so; but a meter never becomes a thermometer (S1, S3).

#include <vector>

#include "drivers/dialect.h"
#include "profiles/bench.h"

namespace chargewright::daemon {

// `dialects` by InstrumentId. Each verb that is needed and `absent`; empty where all is well.
drivers::Failures unfit(const profiles::Bench& bench,
                        const std::vector<drivers::Dialect>& dialects);

}  // namespace chargewright::daemon

#pragma once
// The instruments that the guard talks to, as the bench file and their dialects say.

#include <vector>

#include "drivers/instrument.h"
#include "profiles/bench.h"

namespace chargewright::daemon {

// `dialects` by InstrumentId, as many as the bench has instruments.
std::vector<drivers::InstrumentSpec> instruments_of(const profiles::Bench& bench,
                                                    const std::vector<drivers::Dialect>& dialects);

}  // namespace chargewright::daemon

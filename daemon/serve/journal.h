#pragma once
// The daemon's log: standard error, with the journal's level marks under a service manager (which
// adds the time itself), with times elsewhere. spdlog stays in the body.

#include "daemon/serve/event_pump.h"

namespace chargewright::daemon {

// Safe from any thread.
Log open_journal();

}  // namespace chargewright::daemon

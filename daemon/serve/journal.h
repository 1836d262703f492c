#pragma once
// The daemon's log: standard error, with the journal's level marks under a service manager (which
// adds the time itself), with times elsewhere. spdlog stays in the body.
//
// Never waited for longer than a moment: a stopped terminal, or a pager that reads no more, must
// not hold up whoever serves a cut or records (S4, S10). What finds no room is lost, and counted.

#include "daemon/serve/event_pump.h"

namespace chargewright::daemon {

// Safe from any thread. The descriptor stays the caller's.
Log open_journal(int descriptor = 2);

}  // namespace chargewright::daemon

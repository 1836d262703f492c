#pragma once
// How long a command waits while a run is arming. It must not give up before the daemon does: a
// start that was told as refused may energise afterwards.

#include <chrono>

namespace chargewright::daemon {

// The sequencer ends an arming itself, after six times what the guard allows, which grows with
// `every`; a daemon that still arms after this is broken.
inline constexpr std::chrono::minutes arming_within{30};

}  // namespace chargewright::daemon

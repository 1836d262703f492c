#pragma once
// How long ago something was, over a crash of the daemon or of the whole machine (S9). Within one
// boot of the machine its own clock since boot says so, which nobody steps. Across a boot there is
// only the wall clock: it is believed where it is kept by a network or was set from a
// battery-backed clock, and not where it has gone back. Otherwise nobody knows. Any thread.

#include <optional>
#include <string>

#include "daemon/record/record.h"

namespace chargewright::daemon {

struct MachineClock {
  WallTime wall{};
  bool wall_is_sound = false;
  std::string boot;  // which boot of the machine; empty: not known
  double since_boot_s = 0;
};

// The boot is taken from CHARGEWRIGHT_BOOT (the unit hides /proc), or from the kernel.
MachineClock look_at_the_clocks();

// Real time from `then` to `now`, in seconds; nothing: nobody can say.
std::optional<double> seconds_between(const MachineClock& then, const MachineClock& now);

}  // namespace chargewright::daemon

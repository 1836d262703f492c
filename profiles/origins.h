#pragma once
// Who says which limit: cell, wiring, instrument, policy and profile side by side, and what comes
// of it where the tightest wins.

#include <vector>

#include "profiles/bench.h"
#include "profiles/cell.h"
#include "profiles/check.h"
#include "profiles/policy.h"
#include "profiles/profile.h"
#include "safety/limits.h"

namespace chargewright::profiles {

// Whether it is charged like a capacitor, whichever way its file says what it holds. Of `other`
// only where its file says so: it may be a battery.
bool is_capacitor(const Cell& cell);

// The limits of one origin, and where each is written.
struct Said {
  safety::Origin origin = safety::Origin::cell;
  safety::Limits limits;
  LimitsText written;  // of the other origins than policy and profile only the places
};

std::vector<Said> all_said(const Profile& profile, const Cell& cell, const Bench& bench,
                           const BenchChannel& channel, const Policy& policy);

safety::Limits merged(const std::vector<Said>& said);

// One line for each effective limit, in the order of safety::Limits.
std::vector<LimitLine> explain(const std::vector<Said>& said, const safety::Limits& effective);

// What the profile says in vain.
std::vector<drivers::Failure> remarks(const std::vector<Said>& said,
                                      const safety::Limits& effective);

}  // namespace chargewright::profiles

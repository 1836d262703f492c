#pragma once
// Explains and checks a profile against a cell, a channel of a bench and a policy: every effective
// limit with its origin (the tightest wins), every problem with its place, the plan that the guard
// is asked to enforce (S1, S2), and whether this bench can enforce it (S7). Plain code; touches no
// instrument.

#include <string>
#include <vector>

#include "drivers/failure.h"
#include "profiles/bench.h"
#include "profiles/cell.h"
#include "profiles/enforcement.h"
#include "profiles/policy.h"
#include "profiles/profile.h"
#include "safety/guard.h"

namespace chargewright::profiles {

// One effective limit, for people.
struct LimitLine {
  std::string quantity;                   // "voltage-above"
  std::string value;                      // "4.240 V", with " for 200 ms" where it has an on-delay
  std::string origin;                     // "profile"
  drivers::Place place;                   // where the tightest is written
  std::vector<std::string> tighter_than;  // "cell 4.250 V", ...
};

struct CheckReport {
  std::vector<drivers::Failure> problems;  // none: the profile may be run
  std::vector<drivers::Failure> notes;
  safety::RunPlan plan;  // meaningful without problems; `approved` is left to a person
  Procedure procedure;
  std::vector<LimitLine> lines;
  // What the profile asks for and the policy allows (S9).
  std::optional<Resumption> resumption;
  // Its problems and notes are among those above, where there are no others.
  Enforcement enforcement;
};

// `basis`: what is known of the instruments besides the bench file.
CheckReport check(const Profile& profile, const Cell& cell, const Bench& bench, std::size_t channel,
                  const Policy& policy, const Basis& basis = {});

}  // namespace chargewright::profiles

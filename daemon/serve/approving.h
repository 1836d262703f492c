#pragma once
// Editing a limit is a decision: how the limits of a run differ from those that a person approved
// last, and whether it may start with them. Tightening needs no approval; loosening, and the first
// use of a profile on a cell, do. So does letting it resume by itself (S9). Plain code.

#include <optional>
#include <string>
#include <vector>

#include "profiles/profile.h"
#include "safety/limits.h"

namespace chargewright::daemon {

// How a profile's way after an interruption reads: "stop", or how it resumes.
std::string words_of(const std::optional<profiles::Resumption>& resumption);
// Whether it would resume where, when or more often than what was approved would not have.
bool resumes_more(const std::optional<profiles::Resumption>& now,
                  const std::optional<profiles::Resumption>& approved);

// Nothing approved before: every limit wants a look.
bool needs_approval(const safety::Limits& now, const std::optional<safety::Limits>& approved);

// "voltage-above: 4.240 V approved, 4.250 V now (looser)", for those that differ; none where
// nothing was approved before.
std::vector<std::string> differences(const safety::Limits& now,
                                     const std::optional<safety::Limits>& approved);

}  // namespace chargewright::daemon

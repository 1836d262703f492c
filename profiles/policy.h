#pragma once
// The site's policy: what no profile on this machine may exceed, and what an unattended run must
// have. No file means no policy.

#include <cstdint>
#include <string>

#include "drivers/document.h"
#include "profiles/limits_text.h"

namespace chargewright::profiles {

struct Policy {
  LimitsText limits;  // absolute units only
  std::uint8_t thermometers = 0;
  drivers::Place thermometers_place;
  bool resumption_forbidden = false;  // no run resumes by itself, whatever its profile says (S9)
  std::string file;                   // empty: no policy
  std::string text;                   // the exact bytes, for the record
};

// A file that does not exist is no policy; one that cannot be read or holds a mistake is a failure.
drivers::Checked<Policy> load_policy(const std::string& path);
drivers::Checked<Policy> read_policy(const drivers::Document& document);

}  // namespace chargewright::profiles

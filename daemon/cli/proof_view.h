#pragma once
// The sheet of a proof test: text, JSON, and a page that stands alone and prints, with room for a
// name and a signature. Plain code.

#include <boost/json/object.hpp>
#include <string>

#include "daemon/plan/proof.h"

namespace chargewright::daemon {

std::string proof_text(const ProofSheet& sheet);
boost::json::object proof_json(const ProofSheet& sheet);
std::string proof_page(const ProofSheet& sheet);

// `all 14 trials passed`; what is left otherwise.
std::string proof_summary(const ProofSheet& sheet);
// `0.42 A and 5.00 V at most, for 5 min at most in each trial; 2.1 Wh in all`
std::string proof_bounds_text(const ProofPlan& plan);

}  // namespace chargewright::daemon

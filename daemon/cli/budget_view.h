#pragma once
// The response-time budget (S7) as `check` shows it: one line for each limit, and what the numbers
// rest on.

#include <boost/json/value.hpp>

#include "daemon/cli/look.h"
#include "profiles/enforcement.h"

namespace chargewright::daemon {

Table budget_table(const profiles::Enforcement& enforcement);
boost::json::array budget_json(const profiles::Enforcement& enforcement);

}  // namespace chargewright::daemon

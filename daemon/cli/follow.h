#pragma once
// Follows a channel: a view redrawn in place on a terminal, lines elsewhere. Ends when the run that
// it follows is over (or, on a terminal, by `q`, which leaves the run alone).

#include <string>

#include "daemon/cli/client.h"
#include "daemon/cli/exit_code.h"

namespace chargewright::daemon {

// An empty `run`: whatever run the channel carries.
ExitCode follow(const Client& client, const std::string& channel, const std::string& run,
                bool as_json);

}  // namespace chargewright::daemon

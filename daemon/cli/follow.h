#pragma once
// Follows a channel: a view redrawn in place on a terminal, lines elsewhere. Ends when the run that
// it follows is over (or, on a terminal, by `q`, which leaves the run alone).

#include <cstdint>
#include <string>

#include "daemon/cli/client.h"
#include "daemon/cli/exit_code.h"

namespace chargewright::daemon {

// Number of the daemon's last event, or 0: what came before is not news.
std::uint64_t last_event(const Client& client);

// An empty `run`: whatever run the channel carries. Events are shown from `after` on.
ExitCode follow(const Client& client, const std::string& channel, const std::string& run,
                std::uint64_t after, bool as_json);

// What followed `run` finds another one there, or none.
ExitCode report_forgotten(const std::string& run);

}  // namespace chargewright::daemon

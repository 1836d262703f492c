#pragma once
// Steps that the verbs share: choosing the channel, printing what the daemon would not do, and what
// exit code follows from it.

#include <boost/json/value.hpp>
#include <optional>
#include <string>
#include <variant>

#include "daemon/cli/client.h"
#include "daemon/cli/command_line.h"
#include "daemon/cli/exit_code.h"
#include "drivers/failure.h"

namespace chargewright::daemon {

// Prints to standard error, one line each.
ExitCode complain(const drivers::Failures& problems, ExitCode code);
ExitCode complain(const drivers::Failure& problem, ExitCode code);

// The reply's error, printed; the exit code by its kind.
ExitCode complain(const Reply& reply);
std::string kind_of(const Reply& reply);  // of its error; empty where it is none
ExitCode exit_code_of_denial(std::string_view kind);
ExitCode exit_code_of_phase(std::string_view phase);

// The channel named on the command line, or the only one; else how the program ends.
std::variant<std::string, ExitCode> choose_channel(const Client& client, const CommandLine& line);

// `/v1/channels/NAME` with what follows.
std::string channel_path(const std::string& channel, const std::string& verb = {});

// Reads the channel again and again until `until` says so; the last facts, or nothing when the time
// is over.
drivers::Result<std::optional<boost::json::object>> await(
    const Client& client, const std::string& channel, double seconds,
    const std::function<bool(const boost::json::object&)>& until);

}  // namespace chargewright::daemon

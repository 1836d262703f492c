#pragma once
// The arguments of `chargewrightd`.

#include <optional>
#include <string>
#include <vector>

namespace chargewright::daemon {

struct DaemonOptions {
  std::string bench;
  std::string policy = "/etc/chargewright/policy.yaml";
  std::string state = "/var/lib/chargewright";
  std::string runs;  // default: STATE/runs
  std::string socket = "/run/chargewright/control";
  std::vector<std::string> dialects;  // looked through before the usual folders
  double speed = 1;
  int dead_man_after_ms = 200;  // silence of the guard, in real time, after which the dead-man cuts
};

// Nothing: the program ends at once with `exit_code` (help, version, a slip: already printed).
std::optional<DaemonOptions> parse_daemon_options(int count, const char* const* words,
                                                  int& exit_code);

}  // namespace chargewright::daemon

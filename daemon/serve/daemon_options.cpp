#include "daemon/serve/daemon_options.h"

#include <CLI/CLI.hpp>
#include <iostream>

namespace chargewright::daemon {

std::optional<DaemonOptions> parse_daemon_options(int count, const char* const* words,
                                                  int& exit_code) {
  DaemonOptions options;
  CLI::App app{"Runs one bench: guards its outputs, charges by profiles, records.",
               "chargewrightd"};
  app.set_version_flag("--version", "chargewrightd " CHARGEWRIGHT_VERSION);
  app.add_option("--bench", options.bench, "the bench's file")->required();
  app.add_option("--policy", options.policy, "the site's policy file")->capture_default_str();
  app.add_option("--state", options.state, "folder for what must survive a restart")
      ->capture_default_str();
  app.add_option("--runs", options.runs, "folder for records (default: STATE/runs)");
  app.add_option("--socket", options.socket, "the control socket")
      ->envname("CHARGEWRIGHT_SOCKET")
      ->capture_default_str();
  app.add_option("--dialects", options.dialects, "a folder with dialects, looked through first");
  app.add_option("--speed", options.speed, "speed of the clock; simulated benches only")
      ->check(CLI::Range(0.01, 1000.0))
      ->capture_default_str();
  app.add_option("--dead-man-after", options.dead_man_after_ms,
                 "milliseconds of silence of the guard after which the dead-man process ends the "
                 "daemon and cuts")
      ->check(CLI::Range(100, 5000))
      ->capture_default_str();
  try {
    app.parse(count, words);
  } catch (const CLI::ParseError& end) {
    exit_code = app.exit(end, std::cout, std::cerr) == 0 ? 0 : 1;
    return {};
  }
  if (options.runs.empty()) options.runs = options.state + "/runs";
  return options;
}

}  // namespace chargewright::daemon

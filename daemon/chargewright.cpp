// The command: talks to the daemon, or works on files alone.

#include <csignal>
#include <exception>
#include <iostream>

#include "daemon/cli/command_line.h"
#include "daemon/cli/verbs.h"

int main(int count, char** words) {
  using namespace chargewright::daemon;
  std::signal(SIGPIPE, SIG_IGN);  // a reader that left is an answer of write(), not our death
  try {
    const ParsedCommandLine parsed = parse_command_line(count, words);
    const ExitCode code = parsed.command ? run_verb(*parsed.command) : parsed.exit_code;
    return static_cast<int>(code);
  } catch (const std::exception& mistake) {
    std::cerr << "a fault of this program: " << mistake.what() << '\n';
    return static_cast<int>(ExitCode::usage);
  }
}

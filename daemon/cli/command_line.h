#pragma once
// The arguments of `chargewright`, read and checked; nothing is done here. CLI11 stays in the body.

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "daemon/cli/exit_code.h"

namespace chargewright::daemon {

enum class CliVerb : std::uint8_t {
  check,
  rehearse,
  drill,
  start,
  stop,
  cut,
  acknowledge,
  approve,
  watch,
  runs,
  export_run,
};

struct CommandLine {
  CliVerb verb = CliVerb::check;
  std::string socket;
  bool socket_named = false;     // on the command line
  bool socket_exported = false;  // in the environment; neither: where a daemon usually listens
  bool json = false;

  std::string profile;  // files
  std::string cell;
  std::string bench;
  std::string policy;
  std::vector<std::string> dialects;  // folders, looked through first

  std::string channel;  // empty: the only one there is
  bool accept_cautions = false;
  bool yes = false;
  bool watch = false;
  bool direct = false;
  double cut_within_s = 5;
  std::string state;             // cut: the daemon's folder; empty: where it usually is
  bool keep_resumption = false;  // cut: not a person's word (S9)
  double start_charge = 0;       // rehearse: state of charge of the cell at the start, 0 to 1
  std::optional<double> ambient_degc;
  std::string html;   // drill: the page to write
  bool real = false;  // drill: the proof test on the real bench
  std::string sheet;  // of it: the name of its files, without the endings

  std::string run;
  std::string format = "bdf";
  std::string output;
};

// Either what to do, or how the program ends at once (help, version, a slip: already printed).
struct ParsedCommandLine {
  std::optional<CommandLine> command;
  ExitCode exit_code = ExitCode::done;
};
ParsedCommandLine parse_command_line(int count, const char* const* words);

}  // namespace chargewright::daemon

#include "daemon/cli/command_line.h"

#include <CLI/CLI.hpp>
#include <cstdlib>
#include <filesystem>
#include <iostream>
#include <map>

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;

// Where a packaged daemon listens: its own place, or the only instance's.
std::string usual_socket() {
  const std::string usual = "/run/chargewright/control";
  std::error_code ignored;
  if (fs::exists(usual, ignored)) return usual;
  std::vector<std::string> instances;
  for (const auto& entry : fs::directory_iterator("/run/chargewright", ignored)) {
    const auto socket = entry.path() / "control";
    if (fs::exists(socket, ignored)) instances.push_back(socket.string());
  }
  return instances.size() == 1 ? instances.front() : usual;
}

void add_files(CLI::App& verb, CommandLine& line) {
  verb.add_option("profile", line.profile, "the profile's file")->required();
  verb.add_option("--cell", line.cell, "the cell's file; else the one that the profile names");
}

void add_bench(CLI::App& verb, CommandLine& line) {
  verb.add_option("--bench", line.bench, "the bench's file")->required();
  verb.add_option("--policy", line.policy, "the site's policy file")
      ->default_str("/etc/chargewright/policy.yaml");
  verb.add_option("--dialects", line.dialects, "a folder with dialects, looked through first");
}

void add_channel(CLI::App& verb, CommandLine& line) {
  verb.add_option("--channel", line.channel, "which channel, where the bench has several");
}

// The drill is two things, in a rehearsal and on the real bench; what belongs to one only.
const char* slip_of_drill(const CommandLine& line) {
  if (!line.real && line.profile.empty()) return "drill needs a profile, or --real";
  if (!line.real && !line.sheet.empty()) return "--sheet goes with --real only";
  if (line.real && !line.profile.empty()) {
    return "drill --real makes its own profile, of little current: name none";
  }
  if (line.real && line.cell.empty()) {
    return "drill --real needs --cell: which small cell is connected?";
  }
  if (line.real && (!line.html.empty() || line.ambient_degc || line.start_charge != 0)) {
    return "--html, --from and --ambient are of a rehearsal; a sheet is kept by --sheet";
  }
  return nullptr;
}

}  // namespace

ParsedCommandLine parse_command_line(int count, const char* const* words) {
  CommandLine line;
  CLI::App app{
      "Runs charge profiles on programmable supplies, with an interlock that cuts on any limit.\n"
      "Exit codes: 0 done, 1 usage or own fault, 2 bad input, 3 stopped, 4 tripped, 5 refused,\n"
      "6 could not connect, 7 failed.",
      "chargewright"};
  app.set_version_flag("--version", "chargewright " CHARGEWRIGHT_VERSION);
  app.require_subcommand(1);
  app.fallthrough();
  app.add_option("--socket", line.socket,
                 "the daemon's control socket; else that of CHARGEWRIGHT_SOCKET");

  std::map<const CLI::App*, CliVerb> verbs;
  const auto verb = [&](CliVerb which, const char* name, const char* what) -> CLI::App& {
    CLI::App* sub = app.add_subcommand(name, what);
    verbs[sub] = which;
    return *sub;
  };
  const auto reads = [&](CLI::App& sub) { sub.add_flag("--json", line.json, "print JSON"); };

  CLI::App& check =
      verb(CliVerb::check, "check", "explain and check files; no instrument is touched");
  add_files(check, line);
  add_bench(check, line);
  add_channel(check, line);
  reads(check);

  CLI::App& rehearse =
      verb(CliVerb::rehearse, "rehearse", "run a profile on the simulated bench, in virtual time");
  add_files(rehearse, line);
  add_bench(rehearse, line);
  add_channel(rehearse, line);
  rehearse.add_option("--from", line.start_charge, "state of charge at the start, 0 to 1")
      ->check(CLI::Range(0.0, 1.0));
  rehearse.add_option("--ambient", line.ambient_degc, "temperature around the cell, degC")
      ->check(CLI::Range(-60.0, 100.0));
  reads(rehearse);

  CLI::App& drill = verb(CliVerb::drill, "drill",
                         "meet every fault in a rehearsal, and say what notices it; exit code 4: "
                         "something is not survived. With --real: a guided proof test of the real "
                         "bench, with a small cell and little current; exit code 7: a trial "
                         "failed, 3: some were skipped");
  drill.add_option("profile", line.profile, "the profile's file; not with --real");
  drill.add_option("--cell", line.cell,
                   "the cell's file; else the one that the profile names. With --real: the small "
                   "cell that is connected");
  drill.add_flag("--real", line.real,
                 "lead a person through the proof test on the bench that the daemon runs");
  drill.add_option("--sheet", line.sheet,
                   "with --real: where to keep the sheet, without the endings .txt, .json, .html");
  add_bench(drill, line);
  add_channel(drill, line);
  drill.add_option("--from", line.start_charge, "state of charge at the start, 0 to 1")
      ->check(CLI::Range(0.0, 1.0));
  drill.add_option("--ambient", line.ambient_degc, "temperature around the cell, degC")
      ->check(CLI::Range(-60.0, 100.0));
  drill.add_option("--html", line.html, "also write a page to look at and to print");
  reads(drill);

  CLI::App& start = verb(CliVerb::start, "start", "start a run");
  add_files(start, line);
  add_channel(start, line);
  start.add_flag("--accept-cautions", line.accept_cautions,
                 "the usual cautions were read and are accepted");
  start.add_flag("--watch", line.watch,
                 "follow the run to its end; the exit code tells its outcome");

  add_channel(verb(CliVerb::stop, "stop", "end a run in good order, output off"), line);

  CLI::App& cut = verb(CliVerb::cut, "cut",
                       "everything off, now: every bench of this machine, unless one is named; "
                       "works without the daemon too");
  add_channel(cut, line);
  cut.add_flag("--direct", line.direct,
               "do not ask the daemon: talk to the instruments of every channel");
  cut.add_option("--bench", line.bench,
                 "the bench's file, for a direct cut; every installed one where not given");
  cut.add_option("--dialects", line.dialects, "a folder with dialects, looked through first");
  cut.add_option("--state", line.state, "the daemon's state folder, for a direct cut");
  cut.add_flag("--keep-resumption", line.keep_resumption,
               "for the service manager: a direct cut is not a person's word, and a run whose "
               "profile resumes by itself may do so");
  cut.add_option("--within", line.cut_within_s,
                 "seconds to wait for the proof of off, 5 where not given")
      ->check(CLI::Range(0.1, 60.0));

  add_channel(verb(CliVerb::acknowledge, "acknowledge",
                   "a latched trip was looked into; allow starts again"),
              line);

  CLI::App& approve =
      verb(CliVerb::approve, "approve", "approve the limits of a profile for a cell");
  add_files(approve, line);
  add_channel(approve, line);
  approve.add_flag("--yes", line.yes, "the difference was looked at; do not ask");

  CLI::App& watch = verb(CliVerb::watch, "watch", "live view of a channel (q leaves, c cuts)");
  add_channel(watch, line);
  reads(watch);

  reads(verb(CliVerb::runs, "runs", "the runs on record"));

  CLI::App& exported = verb(CliVerb::export_run, "export", "write the readings of a run to a file");
  exported.add_option("run", line.run, "which run, as `runs` names it")->required();
  exported.add_option("--format", line.format, "bdf (Open Battery Data Format) or csv")
      ->check(CLI::IsMember({"bdf", "csv"}));
  exported.add_option("-o,--output", line.output, "the file to write; else standard output");

  try {
    app.parse(count, words);
  } catch (const CLI::ParseError& end) {
    // 0: help or version were asked for.
    const int code = app.exit(end, std::cout, std::cerr);
    return {.command = {}, .exit_code = code == 0 ? ExitCode::done : ExitCode::usage};
  }
  line.verb = verbs.at(app.get_subcommands().front());
  line.socket_named = !line.socket.empty();
  if (!line.socket_named) {
    const char* exported = std::getenv("CHARGEWRIGHT_SOCKET");
    line.socket_exported = exported != nullptr && *exported != '\0';
    line.socket = line.socket_exported ? exported : usual_socket();
  }
  if (line.policy.empty()) line.policy = "/etc/chargewright/policy.yaml";
  if (const char* slip = line.verb == CliVerb::drill ? slip_of_drill(line) : nullptr) {
    std::cerr << slip << '\n';
    return {.command = {}, .exit_code = ExitCode::usage};
  }
  return {.command = std::move(line), .exit_code = ExitCode::done};
}

}  // namespace chargewright::daemon

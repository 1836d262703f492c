#include <boost/json.hpp>
#include <iostream>

#include "daemon/cli/asking.h"
#include "daemon/cli/bench_basis.h"
#include "daemon/cli/budget_view.h"
#include "daemon/cli/files.h"
#include "daemon/cli/look.h"
#include "daemon/cli/verbs.h"
#include "daemon/serve/api.h"
#include "profiles/check.h"

namespace chargewright::daemon {
namespace {

using boost::json::array;
using boost::json::object;

std::string place_text(const drivers::Place& place) {
  if (place.file.empty()) return {};
  return place.file + ':' + std::to_string(place.line) + ':' + std::to_string(place.column);
}

array failures_json(const std::vector<drivers::Failure>& failures) {
  array json;
  for (const auto& failure : failures) json.emplace_back(to_json(failure));
  return json;
}

object report_json(const profiles::CheckReport& report) {
  array limits;
  for (const auto& line : report.lines) {
    limits.emplace_back(
        object{{"limit", line.quantity},
               {"value", line.value},
               {"origin", line.origin},
               {"place", place_text(line.place)},
               {"tighter_than", array(line.tighter_than.begin(), line.tighter_than.end())}});
  }
  const auto& rests_on = report.enforcement.rests_on;
  return {{"limits", std::move(limits)},
          {"budget", budget_json(report.enforcement)},
          {"budget_rests_on", array(rests_on.begin(), rests_on.end())},
          {"notes", failures_json(report.notes)},
          {"problems", failures_json(report.problems)}};
}

void print_limits(const profiles::CheckReport& report) {
  Table table{{"limit", "value", "origin", "written at", "tighter than"}};
  for (const auto& line : report.lines) {
    std::string looser;
    for (const auto& other : line.tighter_than) looser += (looser.empty() ? "" : ", ") + other;
    table.push_back({line.quantity, line.value, line.origin, place_text(line.place), looser});
  }
  std::cout << to_text(table);
}

void print_budget(const profiles::Enforcement& enforcement) {
  if (enforcement.rows.empty()) return;
  std::cout << "\nfrom a limit crossed to current stopped, at worst:\n"
            << to_text(budget_table(enforcement));
  for (const auto& basis : enforcement.rests_on) std::cout << "  " << basis << '\n';
}

void print_steps(const profiles::Procedure& procedure) {
  Table table{{"step", "does", "until", "within"}};
  for (const auto& step : procedure.steps) {
    std::string does = "rest " + drivers::to_text(step.rest);
    if (step.verb == profiles::StepVerb::charge) {
      does =
          drivers::to_text(step.ceilings.current) + ", " + drivers::to_text(step.ceilings.voltage);
      if (step.ceilings.power) does += ", " + drivers::to_text(*step.ceilings.power);
      if (step.ceilings.temperature) does += ", " + drivers::to_text(*step.ceilings.temperature);
    }
    table.push_back({step.name, does, step.until.empty() ? "" : describe(step.until),
                     step.within ? drivers::to_text(*step.within) : ""});
  }
  std::cout << to_text(table);
}

}  // namespace

ExitCode check_verb(const CommandLine& line) {
  const auto files = load_profile_and_cell(line);
  const auto bench = load_bench_files(line);
  drivers::Failures problems;
  if (!files) problems = files.error();
  if (!bench) {
    for (const auto& problem : bench.error().list) problems.list.push_back(problem);
  }
  profiles::Basis basis;
  if (bench) {
    const auto dialects = load_bench_dialects(line, *bench);
    if (dialects) {
      basis = load_basis(line, *bench, *dialects);
    } else {
      for (const auto& problem : dialects.error().list) problems.list.push_back(problem);
    }
  }
  if (!problems.list.empty()) {
    if (line.json) {
      std::cout << boost::json::serialize(object{{"problems", failures_json(problems.list)}})
                << '\n';
      return ExitCode::bad_input;
    }
    return complain(problems, ExitCode::bad_input);
  }

  auto report = profiles::check(files->profile, files->cell, bench->bench, bench->channel,
                                bench->policy, basis);
  for (auto& note : not_in_force(line, *bench)) report.notes.push_back(std::move(note));
  const ExitCode code = report.problems.empty() ? ExitCode::done : ExitCode::bad_input;
  if (line.json) {
    std::cout << boost::json::serialize(report_json(report)) << '\n';
    return code;
  }
  std::cout << files->profile.name << " on " << files->cell.name << ", channel "
            << bench->bench.channels[bench->channel].name << " of " << bench->bench.name << "\n\n";
  print_steps(report.procedure);
  std::cout << '\n';
  print_limits(report);
  print_budget(report.enforcement);
  if (!report.notes.empty()) std::cout << '\n';
  for (const auto& note : report.notes) std::cout << "note: " << describe(note) << '\n';
  if (report.problems.empty()) {
    std::cout << "\nno problems\n";
    return code;
  }
  std::cout << std::flush;
  return complain(drivers::Failures{report.problems}, code);
}

}  // namespace chargewright::daemon

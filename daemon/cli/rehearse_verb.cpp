#include <boost/json.hpp>
#include <cmath>
#include <iostream>

#include "daemon/cli/asking.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/look.h"
#include "daemon/cli/planned.h"
#include "daemon/cli/verbs.h"

namespace chargewright::daemon {
namespace {

using boost::json::array;
using boost::json::object;
using boost::json::value;

value number(double x) { return std::isfinite(x) ? value(x) : value(nullptr); }

std::string outcome_text(const Rehearsal& rehearsal) {
  switch (rehearsal.phase) {
    case Phase::tripped:
      return "tripped: " + describe(rehearsal.trip);
    case Phase::refused:
      return "refused: " + std::string{describe(rehearsal.refusal)};
    case Phase::failed:
      return rehearsal.broken_off ? "broken off: it takes longer than is rehearsed"
                                  : "failed: a step did not reach its end in its time";
    default:
      return std::string{key_of(rehearsal.phase)};
  }
}

object rehearsal_json(const Rehearsal& r, const profiles::Procedure& procedure) {
  array steps;
  for (const auto& step : r.steps) {
    steps.push_back(object{{"step", procedure.steps[step.step].name},
                           {"cycle", step.cycle},
                           {"duration_s", drivers::in_seconds(step.duration)},
                           {"charge_in_ah", number(step.charge_in_ah)},
                           {"energy_in_wh", number(step.energy_in_wh)},
                           {"hottest_degc", number(step.temperature_max)}});
  }
  array margins;
  for (const auto& margin : r.margins) {
    margins.push_back(object{{"limit", margin.quantity},
                             {"unit", margin.unit},
                             {"at", number(margin.limit)},
                             {"extreme", number(margin.extreme)},
                             {"margin", number(margin.margin)},
                             {"origin", key_of(margin.origin)}});
  }
  object binding;
  for (std::size_t i = 0; i < r.binding_s.size(); ++i) {
    binding[key_of(static_cast<Binding>(i))] = number(r.binding_s[i]);
  }
  array curve;
  for (const auto& point : r.curve) {
    curve.push_back(object{{"at_s", number(point.at_s)},
                           {"voltage_v", number(point.volts)},
                           {"current_a", number(point.amperes)},
                           {"temperature_degc", number(point.degrees_c)},
                           {"state_of_charge", number(point.state_of_charge)},
                           {"binding", key_of(point.binding)}});
  }
  return {{"phase", key_of(r.phase)},
          {"outcome", outcome_text(r)},
          {"duration_s", drivers::in_seconds(r.duration)},
          {"on_time_s", drivers::in_seconds(r.on_time)},
          {"charge_in_ah", number(r.charge_in_ah)},
          {"energy_in_wh", number(r.energy_in_wh)},
          {"voltage_max_v", number(r.volts_max)},
          {"voltage_min_v", number(r.volts_min)},
          {"current_max_a", number(r.amperes_max)},
          {"power_max_w", number(r.watts_max)},
          {"temperature_max_degc", number(r.degrees_c_max)},
          {"state_of_charge_begin", number(r.state_of_charge_begin)},
          {"state_of_charge_end", number(r.state_of_charge_end)},
          {"steps", std::move(steps)},
          {"margins", std::move(margins)},
          {"binding_s", std::move(binding)},
          {"curve", std::move(curve)}};
}

void print_summary(const Rehearsal& r) {
  std::cout << "ends: " << outcome_text(r) << '\n';
  const Table table{
      {"takes", span_text(drivers::in_seconds(r.duration)), "of it with the output on",
       span_text(drivers::in_seconds(r.on_time))},
      {"goes in", quantity_text(r.charge_in_ah, 4, "Ah"), "energy",
       quantity_text(r.energy_in_wh, 3, "Wh")},
      {"charge", quantity_text(r.state_of_charge_begin * 100, 0, "%"), "to",
       quantity_text(r.state_of_charge_end * 100, 0, "%")},
      {"voltage", quantity_text(r.volts_min, 3, "V"), "to", quantity_text(r.volts_max, 3, "V")},
      {"current up to", quantity_text(r.amperes_max, 3, "A"), "power up to",
       quantity_text(r.watts_max, 2, "W")},
      {"temperature", temperature_text(r.degrees_c_min), "to", temperature_text(r.degrees_c_max)},
  };
  std::cout << to_text(table) << '\n';
}

void print_steps(const Rehearsal& r, const profiles::Procedure& procedure) {
  constexpr std::size_t shown_max = 40;  // a profile may repeat a step thousands of times
  Table table{{"step", "takes", "goes in", "energy", "hottest"}};
  for (std::size_t i = 0; i < std::min(r.steps.size(), shown_max); ++i) {
    const auto& step = r.steps[i];
    std::string name = procedure.steps[step.step].name;
    if (step.cycle > 0) name += ", round " + std::to_string(step.cycle + 1);
    table.push_back({name, span_text(drivers::in_seconds(step.duration)),
                     quantity_text(step.charge_in_ah, 4, "Ah"),
                     quantity_text(step.energy_in_wh, 3, "Wh"),
                     temperature_text(step.temperature_max)});
  }
  std::cout << to_text(table);
  if (r.steps.size() > shown_max) {
    std::cout << "and " << r.steps.size() - shown_max << " more steps (all of them: --json)\n";
  }
  std::cout << '\n';
}

void print_binding(const Rehearsal& r) {
  Table table{{"what set the current", "for", "share"}};
  const double all = drivers::in_seconds(r.duration);
  for (std::size_t i = 0; i < r.binding_s.size(); ++i) {
    if (!(r.binding_s[i] > 0)) continue;
    table.push_back({std::string{describe(static_cast<Binding>(i))}, span_text(r.binding_s[i]),
                     all > 0 ? quantity_text(r.binding_s[i] / all * 100, 0, "%") : "-"});
  }
  std::cout << to_text(table) << '\n';
}

void print_margins(const Rehearsal& r) {
  Table table{{"limit", "at", "nearest", "margin", "origin"}};
  for (const auto& margin : r.margins) {
    table.push_back({std::string{margin.quantity}, quantity_text(margin.limit, 3, margin.unit),
                     quantity_text(margin.extreme, 3, margin.unit),
                     quantity_text(margin.margin, 3, margin.unit),
                     std::string{key_of(margin.origin)}});
  }
  std::cout << to_text(table);
}

}  // namespace

ExitCode rehearse_verb(const CommandLine& line) {
  const auto planned = load_planned(line);
  if (!planned) return complain(planned.error(), ExitCode::bad_input);
  const profiles::Procedure& procedure = planned->report.procedure;
  const Rehearsal rehearsal = rehearse(planned->rehearsal());
  if (line.json) {
    std::cout << boost::json::serialize(rehearsal_json(rehearsal, procedure)) << '\n';
  } else {
    std::cout << planned->files.profile.name << " on " << planned->files.cell.name
              << ", rehearsed on the cell's model: a plan, not a promise\n\n";
    print_summary(rehearsal);
    print_steps(rehearsal, procedure);
    print_binding(rehearsal);
    print_margins(rehearsal);
  }
  return exit_code_of_phase(key_of(rehearsal.phase));
}

}  // namespace chargewright::daemon

#include "daemon/cli/proof_view.h"

#include <boost/json/array.hpp>

#include "daemon/cli/drill_view.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/look.h"

namespace chargewright::daemon {

using boost::json::array;
using boost::json::object;
using boost::json::value;

namespace {

value number(const std::optional<double>& x) { return x ? value(*x) : value(nullptr); }

template <class Texts>
array array_of(const Texts& texts) {
  array json;
  for (const auto& text : texts) json.emplace_back(text);
  return json;
}

std::string off_text(const ProofResult& result) {
  return result.off_ms ? quantity_text(result.off_ms, 0, "ms") : "-";
}

}  // namespace

std::string proof_bounds_text(const ProofPlan& plan) {
  return quantity_text(plan.amperes, 3, "A") + " and " + quantity_text(plan.volts, 2, "V") +
         " at most, cut at " + quantity_text(plan.amperes_limit, 3, "A") + ", for " +
         span_text(drivers::in_seconds(plan.each)) + " at most in each trial; at most " +
         quantity_text(plan.watt_hours, 2, "Wh") + " in all";
}

std::string proof_summary(const ProofSheet& sheet) {
  const std::size_t all = sheet.results.size();
  if (sheet.proved()) return "all " + std::to_string(all) + " trials passed";
  return std::to_string(sheet.count(ProofVerdict::passed)) + " of " + std::to_string(all) +
         " trials passed, " + std::to_string(sheet.count(ProofVerdict::failed)) + " failed, " +
         std::to_string(sheet.count(ProofVerdict::skipped)) +
         " skipped: the bench is not proved, and not left alone";
}

std::string proof_text(const ProofSheet& sheet) {
  std::string text = "Proof test of bench " + sheet.bench + ", channel " + sheet.channel +
                     "\n\nbegun " + sheet.started + ", ended " + sheet.ended + ", with cell " +
                     sheet.cell + ", chargewright " + sheet.version + '\n' +
                     proof_bounds_text(sheet.plan) + '\n';
  for (const auto& line : sheet.instruments) text += "  " + line + '\n';
  text += '\n';
  Table table{{"trial", "verdict", "noticed after", "then off after", "seen", "what was found"}};
  for (const ProofResult& result : sheet.results) {
    table.push_back({result.trial.title, std::string(key_of(result.finding.verdict)),
                     drill_time_text(result.noticed_s), off_text(result),
                     result.seen.empty() ? "-" : result.seen, result.finding.reason});
  }
  text += to_text(table) + '\n' + proof_summary(sheet) + '\n';
  if (!sheet.ended_early.empty()) text += "ended early: " + sheet.ended_early + '\n';
  text +=
      "\n`noticed` counts from when the deed was asked for, a person's time included; `off`\n"
      "from the notice until the output was proved off.\n\nNot covered, to be proved otherwise:\n";
  for (const auto& line : sheet.plan.not_covered) text += "  - " + line + '\n';
  return text + "\nName:                                Date:              Signature:\n";
}

object proof_json(const ProofSheet& sheet) {
  array trials;
  for (const ProofResult& result : sheet.results) {
    trials.push_back(object{{"trial", result.trial.key},
                            {"title", result.trial.title},
                            {"deed", result.trial.act},
                            {"must", result.trial.must},
                            {"within_s", drivers::in_seconds(result.trial.within)},
                            {"verdict", key_of(result.finding.verdict)},
                            {"reason", result.finding.reason},
                            {"noticed_after_s", number(result.noticed_s)},
                            {"off_after_ms", number(result.off_ms)},
                            {"seen", result.seen.empty() ? value(nullptr) : value(result.seen)},
                            {"evidence", array_of(result.evidence)}});
  }
  return {{"bench", sheet.bench},
          {"channel", sheet.channel},
          {"cell", sheet.cell},
          {"version", sheet.version},
          {"started", sheet.started},
          {"ended", sheet.ended},
          {"instruments", array_of(sheet.instruments)},
          {"current_max_a", sheet.plan.amperes},
          {"voltage_max_v", sheet.plan.volts},
          {"energy_max_wh", sheet.plan.watt_hours},
          {"proved", sheet.proved()},
          {"ended_early", sheet.ended_early.empty() ? value(nullptr) : value(sheet.ended_early)},
          {"trials", std::move(trials)},
          {"not_covered", array_of(sheet.plan.not_covered)}};
}

}  // namespace chargewright::daemon

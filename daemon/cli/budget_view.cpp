#include "daemon/cli/budget_view.h"

#include <boost/json.hpp>
#include <cmath>

#include "daemon/cli/facts.h"
#include "drivers/quantity_text.h"

namespace chargewright::daemon {
namespace {

using boost::json::array;
using boost::json::object;
using boost::json::value;
using profiles::BudgetRow;
using profiles::Verdict;

std::string time_text(drivers::Duration time) {
  const double seconds = drivers::in_seconds(time);
  return seconds < 10 ? quantity_text(seconds * 1000, 0, "ms") : quantity_text(seconds, 0, "s");
}

std::string amount_text(double si, const BudgetRow& row) {
  if (!std::isfinite(si)) return "unbounded";
  return quantity_text(si / row.per_unit, 3, row.unit);
}

std::string verdict_text(Verdict verdict) {
  switch (verdict) {
    case Verdict::holds:
      return "holds";
    case Verdict::exceeds:
      return "CANNOT BE ENFORCED";
    case Verdict::no_bound:
      return "";
  }
  return {};
}

value number(double x) { return std::isfinite(x) ? value(x) : value(nullptr); }

object response_json(const safety::Response& response, const BudgetRow& row) {
  const safety::BudgetTerms& t = response.terms;
  const auto s = [](drivers::Duration d) { return drivers::in_seconds(d); };
  return {{"time_s", s(response.time)},
          {"overshoot", number(response.overshoot / row.per_unit)},
          {"terms_s",
           {{"interval", s(t.interval)},
            {"link", s(t.link)},
            {"on_delay", s(t.on_delay)},
            {"judging", s(t.judging)},
            {"cut", s(t.cut)},
            {"settling", s(t.settling)}}}};
}

}  // namespace

Table budget_table(const profiles::Enforcement& enforcement) {
  Table table{{"limit", "seen", "cut", "in all", "unread", "overshoot", "margin", "verdict",
               "by the contactor alone"}};
  for (const BudgetRow& row : enforcement.rows) {
    const safety::Response& source = row.line.source;
    const safety::BudgetTerms& t = source.terms;
    std::string contactor = "-";
    if (row.line.contactor) {
      contactor = time_text(row.line.contactor->time) + ", " +
                  amount_text(row.line.contactor->overshoot, row);
    }
    table.push_back({std::string(row.quantity), time_text(t.interval + t.link + t.on_delay),
                     time_text(t.judging + t.cut + t.settling), time_text(source.time),
                     time_text(row.line.time_unread), amount_text(source.overshoot, row),
                     row.margin ? amount_text(*row.margin, row) : "-", verdict_text(row.verdict),
                     contactor});
  }
  return table;
}

array budget_json(const profiles::Enforcement& enforcement) {
  array rows;
  for (const BudgetRow& row : enforcement.rows) {
    object json{{"limit", row.quantity},
                {"unit", row.unit},
                {"source_obeys", response_json(row.line.source, row)},
                {"time_unread_s", drivers::in_seconds(row.line.time_unread)},
                {"margin", row.margin ? number(*row.margin / row.per_unit) : value(nullptr)},
                {"verdict", key_of(row.verdict)}};
    json["contactor_alone"] =
        row.line.contactor ? value(response_json(*row.line.contactor, row)) : value(nullptr);
    rows.push_back(std::move(json));
  }
  return rows;
}

}  // namespace chargewright::daemon

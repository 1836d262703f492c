#include "daemon/cli/drill_view.h"

#include <algorithm>
#include <boost/json/array.hpp>
#include <cmath>

#include "daemon/cli/facts.h"
#include "daemon/cli/look.h"

namespace chargewright::daemon {

using boost::json::array;
using boost::json::object;
using boost::json::value;

namespace {

constexpr DrillVerdict verdicts[] = {DrillVerdict::survived, DrillVerdict::by_instrument,
                                     DrillVerdict::harmless, DrillVerdict::not_survived};

value number(const std::optional<double>& x) {
  return x && std::isfinite(*x) ? value(*x) : value(nullptr);
}

object extreme_json(const DrillExtreme& e) {
  return {{"at_fault", number(e.at_fault)},
          {"most", number(e.most)},
          {"limit", number(e.limit)},
          {"beyond_limit", number(e.beyond_limit())}};
}

std::string heading(const Drill& drill, const DrillTitle& t) {
  return t.profile + " on " + t.cell + ", bench " + t.bench + ", channel " + t.channel + ": " +
         std::to_string(drill.rows.size()) + " faults met in simulation";
}

// Rows of one fault that were answered alike.
struct Alike {
  const DrillRow* first;
  std::vector<const DrillRow*> rows;
};

std::vector<Alike> alike(const Drill& drill) {
  std::vector<Alike> groups;
  for (const DrillRow& row : drill.rows) {
    const auto same = std::ranges::find_if(groups, [&](const Alike& group) {
      const DrillRow& f = *group.first;
      return f.fault.name == row.fault.name && f.fault.subject == row.fault.subject &&
             f.noticed_by == row.noticed_by && f.verdict == row.verdict &&
             (row.fault.faults.empty() || row.fault.faults[0].channel == f.fault.faults[0].channel);
    });
    if (same == groups.end()) {
      groups.push_back({&row, {&row}});
    } else {
      same->rows.push_back(&row);
    }
  }
  std::ranges::stable_sort(groups, std::greater{},
                           [](const Alike& g) { return static_cast<int>(g.first->verdict); });
  return groups;
}

// How much of what the budget allows was used; of a time without a bound, least of all.
double share_of(const DrillCrossing& crossing) {
  if (!crossing.stopped_s) return HUGE_VAL;
  return crossing.stopped_bound_s ? *crossing.stopped_s / *crossing.stopped_bound_s : -1;
}

const DrillCrossing* nearest_of(const std::vector<DrillCrossing>& crossings) {
  const auto most = std::ranges::max_element(crossings, {}, share_of);
  return most == crossings.end() ? nullptr : &*most;
}

// The largest overshoots of the group, and the crossings that came nearest to their bounds.
DrillRow worst_of(const Alike& group) {
  DrillRow worst = *group.first;
  const auto worse = [](DrillExtreme& into, const DrillExtreme& with) {
    if (with.beyond_limit() > into.beyond_limit()) into = with;
  };
  for (const DrillRow* row : group.rows) {
    worse(worst.volts, row->volts);
    worse(worst.amperes, row->amperes);
    worse(worst.degrees_c, row->degrees_c);
    for (const DrillCrossing& crossing : row->crossings) {
      const auto same = std::ranges::find(worst.crossings, crossing.cause, &DrillCrossing::cause);
      if (same == worst.crossings.end()) {
        worst.crossings.push_back(crossing);
        continue;
      }
      if (share_of(crossing) > share_of(*same)) {
        same->stopped_s = crossing.stopped_s;
        same->stopped_bound_s = crossing.stopped_bound_s;
      }
      if (crossing.overshoot > same->overshoot) {
        same->overshoot = crossing.overshoot;
        same->overshoot_bound = crossing.overshoot_bound;
      }
    }
  }
  return worst;
}

std::string moments_of(const Alike& group) {
  std::string text;
  for (const DrillRow* row : group.rows) text += (text.empty() ? "" : ", ") + row->moment_words;
  if (group.rows.size() > 2) return std::to_string(group.rows.size()) + " moments";
  return text;
}

}  // namespace

std::string drill_time_text(const std::optional<double>& seconds) {
  if (!seconds) return "-";
  if (*seconds < 1) return quantity_text(*seconds * 1000, 0, "ms");
  if (*seconds < 60) return quantity_text(*seconds, 1, "s");
  return span_text(*seconds);
}

std::string drill_beyond_text(const DrillRow& row) {
  std::string text;
  const auto add = [&](safety::Cause cause, double beyond, int digits, std::string_view unit) {
    const double least = 0.5 * std::pow(10, -digits);
    if (beyond < least) return;
    text += (text.empty() ? "+" : ", +") + quantity_text(beyond, digits, unit);
    const auto of = std::ranges::find(row.crossings, cause, &DrillCrossing::cause);
    if (of == row.crossings.end() || !of->overshoot_bound) return;
    if (std::isfinite(*of->overshoot_bound)) {
      text += " of " + quantity_text(*of->overshoot_bound, digits, unit);
    }
  };
  add(safety::Cause::voltage_high, row.volts.beyond_limit(), 3, "V");
  add(safety::Cause::current_high, row.amperes.beyond_limit(), 2, "A");
  add(safety::Cause::temperature_high, row.degrees_c.beyond_limit(), 1, "K");
  return text.empty() ? "within" : text;
}

std::string drill_crossing_text(const DrillRow& row) {
  const DrillCrossing* nearest = nearest_of(row.crossings);
  if (nearest == nullptr) return "-";
  const std::string took = nearest->stopped_s ? drill_time_text(nearest->stopped_s) : "never";
  if (!nearest->stopped_bound_s) return took;
  return took + " of " + drill_time_text(nearest->stopped_bound_s);
}

std::string drill_text(const Drill& drill, const DrillTitle& title) {
  std::string text = heading(drill, title) + "\n\n";
  Table table{{"fault", "when", "noticed by", "after", "stopped", "limit crossed", "beyond limits",
               "verdict"}};
  for (const Alike& group : alike(drill)) {
    const auto slowest = [&](std::optional<double> DrillRow::*time) {
      std::optional<double> most;
      for (const DrillRow* row : group.rows) {
        if (row->*time && (!most || *(row->*time) > *most)) most = row->*time;
      }
      return drill_time_text(most);
    };
    const DrillRow worst = worst_of(group);
    table.push_back({group.first->fault.words, moments_of(group),
                     group.first->noticed_by.empty() ? "-" : group.first->noticed_by,
                     slowest(&DrillRow::notice_s), slowest(&DrillRow::stopped_s),
                     drill_crossing_text(worst), drill_beyond_text(worst),
                     std::string(key_of(group.first->verdict))});
  }
  text += to_text(table) + '\n';
  for (const DrillVerdict verdict : verdicts) {
    text += std::string(key_of(verdict)) + ": " + std::to_string(drill.count(verdict)) + '\n';
  }
  if (drill.count(DrillVerdict::not_survived) > 0) {
    text += "\nNot survived:\n";
    for (const DrillRow& row : drill.rows) {
      if (row.verdict != DrillVerdict::not_survived) continue;
      text += "  " + row.fault.words + ", " + row.moment_words + ": " + row.sentence + '\n';
    }
  }
  text +=
      "\n`after` and `stopped` count from the fault; `limit crossed` from when an instrument "
      "showed\n"
      "a limit crossed until no current could flow. `of`: what the response-time budget allows;\n"
      "more than that counts as not survived. Times and overshoots are those of the simulation,\n"
      "with the faults thought of. They show what the rules do, and replace neither the fuse nor\n"
      "the proof test on the real bench.\n";
  return text;
}

object drill_json(const Drill& drill, const DrillTitle& title) {
  array rows;
  for (const DrillRow& row : drill.rows) {
    array crossings;
    for (const DrillCrossing& crossing : row.crossings) {
      crossings.push_back(object{{"cause", key_of(crossing.cause)},
                                 {"stopped_after_s", number(crossing.stopped_s)},
                                 {"stopped_bound_s", number(crossing.stopped_bound_s)},
                                 {"overshoot", number(crossing.overshoot)},
                                 {"overshoot_bound", number(crossing.overshoot_bound)},
                                 {"breaks_bound", crossing.breaks_bound()}});
    }
    rows.push_back(
        object{{"fault", row.fault.name},
               {"subject", row.fault.subject},
               {"words", row.fault.words},
               {"moment", row.moment_words},
               {"noticed_by", row.noticed_by.empty() ? value(nullptr) : value(row.noticed_by)},
               {"notice", row.notice},
               {"noticed_after_s", number(row.notice_s)},
               {"stopped_after_s", number(row.stopped_s)},
               {"voltage_v", extreme_json(row.volts)},
               {"current_a", extreme_json(row.amperes)},
               {"temperature_degc", extreme_json(row.degrees_c)},
               {"crossings", std::move(crossings)},
               {"every_s", number(row.every_s)},
               {"verdict", key_of(row.verdict)},
               {"sentence", row.sentence}});
  }
  object counts;
  for (const DrillVerdict verdict : verdicts) counts[key_of(verdict)] = drill.count(verdict);
  return {{"profile", title.profile}, {"cell", title.cell},          {"bench", title.bench},
          {"channel", title.channel}, {"counts", std::move(counts)}, {"rows", std::move(rows)}};
}

}  // namespace chargewright::daemon

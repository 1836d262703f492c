#pragma once
// A drill for people and programs: text for a terminal, JSON with every row, and a page that stands
// alone (no script, no other file) and prints. Plain code.

#include <boost/json/object.hpp>
#include <string>

#include "daemon/plan/drill.h"

namespace chargewright::daemon {

struct DrillTitle {
  std::string profile;
  std::string cell;
  std::string bench;
  std::string channel;
};

// Moments with the same answer in one line, with the longest times and the largest overshoots.
std::string drill_text(const Drill& drill, const DrillTitle& title);
boost::json::object drill_json(const Drill& drill, const DrillTitle& title);
std::string drill_page(const Drill& drill, const DrillTitle& title);

// `24 ms`, `2.3 s`, `4 min 10 s`; a dash where there is none.
std::string drill_time_text(const std::optional<double>& seconds);
// `+0.012 V of 0.051 V, +1.3 K` beyond the limits, with what the response-time budget allows where
// it says so; `within` where none was left.
std::string drill_beyond_text(const DrillRow& row);
// `42 ms of 187 ms` from a limit's crossing to no current, of what the budget allows; the one that
// came nearest, where there are several. A dash: no limit was crossed.
std::string drill_crossing_text(const DrillRow& row);

}  // namespace chargewright::daemon

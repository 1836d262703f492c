#include "daemon/serve/approvals.h"

#include <boost/json.hpp>

#include "daemon/serve/approving.h"

namespace chargewright::daemon {
namespace {

using boost::json::array;
using boost::json::object;

// What differs from what was approved, in words; nothing where nothing was.
std::vector<std::string> changes(const PreparedRun& run, const std::optional<Approval>& approval) {
  if (!approval) return {};
  auto lines = differences(run.report.plan.limits, approval->limits);
  if (run.report.resumption != approval->resumption) {
    lines.push_back("after-interruption: " + words_of(approval->resumption) + " approved, " +
                    words_of(run.report.resumption) + " now" +
                    (resumes_more(run.report.resumption, approval->resumption) ? " (looser)" : ""));
  }
  return lines;
}

}  // namespace

bool Approvals::covers(const PreparedRun& run) const {
  const auto approval = state_.approval(run.profile.name, run.cell.name);
  return approval && !needs_approval(run.report.plan.limits, approval->limits) &&
         !resumes_more(run.report.resumption, approval->resumption);
}

std::optional<Denied> Approvals::missing(const PreparedRun& run) const {
  if (covers(run)) return {};
  const auto approval = state_.approval(run.profile.name, run.cell.name);
  const auto before = approval ? std::optional{approval->limits} : std::nullopt;
  Denied denied = deny(Denial::unapproved,
                       !before ? "the limits of this profile were never approved for this cell"
                       : needs_approval(run.report.plan.limits, before)
                           ? "limits are looser than those last approved"
                           : "that it resumes by itself after an interruption is not approved",
                       "look at them and approve them with `chargewright approve`");
  const auto lines = changes(run, approval);
  denied.facts["differences"] = array(lines.begin(), lines.end());
  return denied;
}

object Approvals::shown(const PreparedRun& run) const {
  const auto approval = state_.approval(run.profile.name, run.cell.name);
  array limits;
  for (const auto& line : run.report.lines) {
    limits.emplace_back(line.quantity + ' ' + line.value + " (" + line.origin + ')');
  }
  if (run.report.resumption) {
    limits.emplace_back("after-interruption " + words_of(run.report.resumption) + " (profile)");
  }
  const auto changed = changes(run, approval);
  return {{"limits", std::move(limits)},
          {"approved_before", approval.has_value()},
          {"differences", array(changed.begin(), changed.end())},
          {"needs_approval", !covers(run)}};
}

drivers::Result<void> Approvals::approve(const PreparedRun& run, const Person& by, WallTime at) {
  return state_.approve({.profile = run.profile.name,
                         .cell = run.cell.name,
                         .limits = run.report.plan.limits,
                         .by_uid = by.uid,
                         .at = at,
                         .resumption = run.report.resumption});
}

}  // namespace chargewright::daemon

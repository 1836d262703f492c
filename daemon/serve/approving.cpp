#include "daemon/serve/approving.h"

#include "daemon/state/limit_list.h"
#include "drivers/quantity_text.h"

namespace chargewright::daemon {
namespace {

using safety::Limit;
using safety::Limits;

template <class Q>
std::string words(const std::optional<Limit<Q>>& limit) {
  if (!limit) return "none";
  std::string text = drivers::to_text(limit->value);
  if (limit->on_delay > drivers::Duration::zero()) {
    text += " for " + drivers::to_text(limit->on_delay);
  }
  if (limit->at_once) text += ", " + drivers::to_text(limit->at_once->value) + " at once";
  return text;
}

}  // namespace

std::string words_of(const std::optional<profiles::Resumption>& resumption) {
  if (!resumption) return "stop";
  return "resume within " + drivers::to_text(resumption->within) + ", " +
         (resumption->times == 1 ? "once" : std::to_string(resumption->times) + " times in a row") +
         ", warned " + drivers::to_text(resumption->warning) + " before";
}

bool resumes_more(const std::optional<profiles::Resumption>& now,
                  const std::optional<profiles::Resumption>& approved) {
  if (!now) return false;
  return !approved || now->within > approved->within || now->times > approved->times ||
         now->warning < approved->warning;
}

bool needs_approval(const Limits& now, const std::optional<Limits>& approved) {
  return !approved || !safety::no_looser(now, *approved);
}

std::vector<std::string> differences(const Limits& now, const std::optional<Limits>& approved) {
  std::vector<std::string> lines;
  if (!approved) return lines;  // everything differs from nothing
  for_each_limit([&]<class Q>(std::string_view key, std::optional<Limit<Q>> Limits::*place) {
    Limits before;  // this limit alone, so that it alone is judged
    Limits after;
    before.*place = (*approved).*place;
    after.*place = now.*place;
    const std::string was = words(before.*place);
    const std::string is = words(after.*place);
    if (was == is && safety::no_looser(after, before) && safety::no_looser(before, after)) return;
    std::string line = std::string{key} + ": " + was + " approved, " + is + " now";
    if (!safety::no_looser(after, before)) line += " (looser)";
    lines.push_back(std::move(line));
  });
  return lines;
}

}  // namespace chargewright::daemon

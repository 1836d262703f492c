#include "tests/storm/shrink.h"

#include <algorithm>
#include <numeric>

namespace chargewright::storm {

std::vector<std::size_t> shrunk(std::size_t count,
                                const std::function<bool(const std::vector<std::size_t>&)>& fails) {
  std::vector<std::size_t> kept(count);
  std::iota(kept.begin(), kept.end(), 0);
  std::size_t parts = 2;
  while (!kept.empty()) {
    const std::size_t size = (kept.size() + parts - 1) / parts;
    bool less = false;
    for (std::size_t from = 0; from < kept.size() && !less; from += size) {
      std::vector<std::size_t> rest(kept.begin(), kept.begin() + static_cast<std::ptrdiff_t>(from));
      const std::size_t to = std::min(from + size, kept.size());
      rest.insert(rest.end(), kept.begin() + static_cast<std::ptrdiff_t>(to), kept.end());
      if (!fails(rest)) continue;
      kept = std::move(rest);
      less = true;
    }
    if (less) {
      parts = std::max<std::size_t>(parts - 1, 2);
    } else if (size == 1) {
      break;
    } else {
      parts = std::min(parts * 2, kept.size());
    }
  }
  return kept;
}

Scenario with_only(Scenario scenario, const std::vector<std::size_t>& kept) {
  std::vector<Happening> happenings;
  for (const std::size_t index : kept) happenings.push_back(scenario.happenings.at(index));
  scenario.happenings = std::move(happenings);
  return scenario;
}

}  // namespace chargewright::storm

#include "drivers/simulated/fault.h"

#include <array>

namespace chargewright::drivers::simulated {
namespace {

constexpr std::array<std::string_view, fault_kind_count> names{"mute",
                                                               "slow",
                                                               "garbage",
                                                               "not-a-number",
                                                               "stuck",
                                                               "link-dropped",
                                                               "ignores-output-off",
                                                               "sensor-lost",
                                                               "sensor-off-cell",
                                                               "lead-off",
                                                               "reversed",
                                                               "leads-loosened",
                                                               "cell-heats",
                                                               "knob-turned",
                                                               "cell-swapped",
                                                               "output-switched",
                                                               "output-selected"};

}  // namespace

std::string_view name_of(FaultKind kind) { return names[static_cast<std::size_t>(kind)]; }

std::optional<FaultKind> fault_named(std::string_view name) {
  for (std::size_t k = 0; k < names.size(); ++k) {
    if (names[k] == name) return static_cast<FaultKind>(k);
  }
  return {};
}

}  // namespace chargewright::drivers::simulated

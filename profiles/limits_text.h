#pragma once
// The `limits:` mapping of a profile or a policy, as written: each limit with its place, so that a
// message can point at it, and with its relation to the cell's capacity still open.

#include <optional>
#include <string>

#include "drivers/document.h"
#include "profiles/condition.h"
#include "safety/limits.h"

namespace chargewright::profiles {

struct LimitText {
  double value = 0;  // V, A, W, degC, K/s, C, J or s, by relation
  Relation relation = Relation::absolute;
  drivers::Duration on_delay{};
  std::string text;  // as written, "3.3 C"
  drivers::Place place;
};

// As safety::Limits, field by field.
struct LimitsText {
  std::optional<LimitText> voltage_above;
  std::optional<LimitText> voltage_below;
  std::optional<LimitText> current_above;
  std::optional<LimitText> current_reverse;
  std::optional<LimitText> power_above;
  std::optional<LimitText> temperature_above;
  std::optional<LimitText> temperature_below;
  std::optional<LimitText> temperature_rising;
  std::optional<LimitText> charge_above;
  std::optional<LimitText> energy_above;
  std::optional<LimitText> run_time;
  std::optional<LimitText> step_time;
};

// A profile may write C-rates and percentages of the capacity; a policy knows no cell.
enum class Units { absolute_only, also_relative };

LimitsText read_limits(const drivers::Document& document, const drivers::Node& node, Units units,
                       drivers::Failures& problems);

safety::Limits resolve(const LimitsText& limits, drivers::Coulombs capacity, safety::Origin origin);

}  // namespace chargewright::profiles

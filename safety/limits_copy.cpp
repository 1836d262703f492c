#include "safety/limits_copy.h"

#include <bit>
#include <optional>

namespace chargewright::safety {
namespace {

std::uint64_t bits(drivers::Duration value) { return static_cast<std::uint64_t>(value.count()); }
template <class Q>
std::uint64_t bits(const Q& value) {
  return std::bit_cast<std::uint64_t>(value.value());
}

// Each limit with its place among all, in one order. This happens at every
// judgement: no copy is made to be compared.
template <class Visit>
void each(const Limits& limits, const Visit& visit) {
  visit(limits.voltage_above, 0);
  visit(limits.voltage_below, 1);
  visit(limits.current_above, 2);
  visit(limits.current_reverse, 3);
  visit(limits.power_above, 4);
  visit(limits.temperature_above, 5);
  visit(limits.temperature_below, 6);
  visit(limits.temperature_rising, 7);
  visit(limits.charge_above, 8);
  visit(limits.energy_above, 9);
  visit(limits.run_time, 10);
  visit(limits.step_time, 11);
}

template <class Q>
std::uint64_t origins(const Limit<Q>& limit) {
  const std::uint64_t set = 1 | static_cast<std::uint64_t>(limit.origin) << 8;
  if (!limit.at_once) return set;
  return set | 2 | static_cast<std::uint64_t>(limit.at_once->origin) << 16;
}

}  // namespace

void LimitsCopy::keep(const Limits& limits) {
  static_assert(sizeof(Limits) == limits_ * sizeof(std::optional<Limit<drivers::Volts>>),
                "a limit was added: visit it here, too");
  not_known_ = ~std::uint64_t{1};
  each(limits, [this](const auto& limit, std::size_t place) {
    Words& kept = inverted_[place];
    kept.fill(~std::uint64_t{0});
    if (!limit) return;
    kept[0] = ~origins(*limit);
    kept[1] = ~bits(limit->value);
    kept[2] = ~bits(limit->on_delay);
    if (limit->at_once) kept[3] = ~bits(limit->at_once->value);
  });
}

bool LimitsCopy::agrees(const Limits& limits, bool known) const {
  std::uint64_t differ = ~(not_known_ ^ (known ? 1U : 0U));
  if (!known) return differ == 0;
  each(limits, [&](const auto& limit, std::size_t place) {
    const Words& kept = inverted_[place];
    if (!limit) {
      differ |= ~kept[0];
      return;
    }
    differ |= ~(kept[0] ^ origins(*limit));
    differ |= ~(kept[1] ^ bits(limit->value));
    differ |= ~(kept[2] ^ bits(limit->on_delay));
    if (limit->at_once) differ |= ~(kept[3] ^ bits(limit->at_once->value));
  });
  return differ == 0;
}

}  // namespace chargewright::safety

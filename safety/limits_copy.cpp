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

template <class Q>
void write(const std::optional<Limit<Q>>& limit, std::uint64_t*& to) {
  if (limit) {
    std::uint64_t set = 1 | static_cast<std::uint64_t>(limit->origin) << 8;
    to[1] = bits(limit->value);
    to[2] = bits(limit->on_delay);
    if (limit->at_once) {
      set |= 2 | static_cast<std::uint64_t>(limit->at_once->origin) << 16;
      to[3] = bits(limit->at_once->value);
    }
    to[0] = set;
  }
  to += 4;
}

}  // namespace

LimitsCopy::Words LimitsCopy::words_of(const Limits& limits, bool known) {
  static_assert(sizeof(Limits) == limits_ * sizeof(std::optional<Limit<drivers::Volts>>),
                "a limit was added: write it here, too");
  Words words{};
  words[words_ - 1] = known ? 1 : 0;
  if (!known) return words;
  std::uint64_t* to = words.data();
  write(limits.voltage_above, to);
  write(limits.voltage_below, to);
  write(limits.current_above, to);
  write(limits.current_reverse, to);
  write(limits.power_above, to);
  write(limits.temperature_above, to);
  write(limits.temperature_below, to);
  write(limits.temperature_rising, to);
  write(limits.charge_above, to);
  write(limits.energy_above, to);
  write(limits.run_time, to);
  write(limits.step_time, to);
  return words;
}

void LimitsCopy::keep(const Limits& limits) { inverted_ = inverted(words_of(limits, true)); }

bool LimitsCopy::agrees(const Limits& limits, bool known) const {
  const Words words = words_of(limits, known);
  std::uint64_t differ = 0;
  for (std::size_t k = 0; k < words_; ++k) differ |= ~(words[k] ^ inverted_[k]);
  return differ == 0;
}

}  // namespace chargewright::safety

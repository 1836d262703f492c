#pragma once
// The second copy of the limits in force: kept elsewhere, bit by bit the other way round, and
// compared with the first at every judgement (S2). Memory that changed without our doing, or a
// stray write of our own, makes the two differ, and that cuts: a limit that is not surely the one
// asked for is none.

#include <array>
#include <cstddef>
#include <cstdint>

#include "safety/limits.h"

namespace chargewright::safety {

class LimitsCopy {
 public:
  void keep(const Limits& limits);
  // Are these the limits that were kept; or, where `known` is false, were none kept?
  [[nodiscard]] bool agrees(const Limits& limits, bool known) const;

 private:
  static constexpr std::size_t limits_ = 12;
  // Of one limit: what is set and its origins, value, on-delay, value without on-delay.
  using Words = std::array<std::uint64_t, 4>;

  std::uint64_t not_known_ = ~std::uint64_t{0};
  std::array<Words, limits_> inverted_{};  // of no meaning until some are kept
};

}  // namespace chargewright::safety

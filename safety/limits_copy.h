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
  // Of each limit: what is set and its origins, value, on-delay, value without on-delay.
  static constexpr std::size_t words_ = 4 * limits_ + 1;
  using Words = std::array<std::uint64_t, words_>;
  static Words words_of(const Limits& limits, bool known);

  Words inverted_ = inverted(Words{});
  static constexpr Words inverted(Words words) {
    for (std::uint64_t& word : words) word = ~word;
    return words;
  }
};

}  // namespace chargewright::safety

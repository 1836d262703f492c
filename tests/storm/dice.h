#pragma once
// Random numbers that are the same on every machine: a 64-bit seed, SplitMix64 (G. Steele, D. Lea,
// C. Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014), and distributions of
// our own, since the standard library's differ between libraries.

#include <cstddef>
#include <cstdint>
#include <initializer_list>

namespace chargewright::storm {

class Dice {
 public:
  explicit Dice(std::uint64_t seed) : state_(seed) {}

  std::uint64_t bits() {
    std::uint64_t z = (state_ += 0x9E37'79B9'7F4A'7C15);
    z = (z ^ (z >> 30U)) * 0xBF58'476D'1CE4'E5B9;
    z = (z ^ (z >> 27U)) * 0x94D0'49BB'1331'11EB;
    return z ^ (z >> 31U);
  }
  // [0, 1)
  double share() { return static_cast<double>(bits() >> 11U) * 0x1.0p-53; }
  double between(double low, double high) { return low + (high - low) * share(); }
  // 0 .. count - 1
  std::size_t below(std::size_t count) {
    return static_cast<std::size_t>(share() * static_cast<double>(count));
  }
  int whole(int low, int high) {
    return low + static_cast<int>(below(static_cast<std::size_t>(high - low + 1)));
  }
  bool chance(double p) { return share() < p; }
  template <class T>
  T one_of(std::initializer_list<T> list) {
    return *(list.begin() + below(list.size()));
  }

 private:
  std::uint64_t state_;
};

}  // namespace chargewright::storm

#pragma once
// One build holds every mutant: each changed expression asks here whether it is the one chosen
// (environment variable MUTANT), else it is as written. MUTANT=reach notes which were asked.

#include <array>
#include <chrono>
#include <cstdlib>
#include <string_view>
#include <type_traits>

namespace mutation {

inline constexpr int most = 100'000;
inline constexpr int reaching = -1;

inline int chosen() {
  static const int mutant = [] {
    const char* text = std::getenv("MUTANT");
    if (text == nullptr) return -2;
    return std::string_view(text) == "reach" ? reaching : std::atoi(text);
  }();
  return mutant;
}

inline std::array<bool, most> reached{};

// Never for the compiler to evaluate: a table with one in it is made when the program starts.
inline bool asks(int mutant) {
  if (chosen() == reaching) reached[static_cast<std::size_t>(mutant)] = true;
  return chosen() == mutant;
}

// As written where the compiler evaluates it.
constexpr bool is(int mutant) { return std::is_constant_evaluated() ? false : asks(mutant); }

// Another value of a constant.
template <class T>
constexpr T other(const T& value) {
  if constexpr (std::is_same_v<T, bool>) {
    return !value;
  } else if constexpr (std::is_integral_v<T>) {
    return static_cast<T>(value + 1);
  } else if constexpr (std::is_floating_point_v<T>) {
    return value == 0 ? T{1} : value * T{1.5};
  } else if constexpr (requires { value + value; }) {
    return value + value;
  } else {
    return T{};
  }
}

}  // namespace mutation

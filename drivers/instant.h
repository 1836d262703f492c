#pragma once
// Time as the deciding code sees it: an argument. The clock has no now(), so only a shell can make
// an Instant; a speed factor (simulated benches only) scales what the shell hands in.

#include <chrono>
#include <limits>

namespace chargewright::drivers {

struct Monotonic {
  using duration = std::chrono::nanoseconds;
  using rep = duration::rep;
  using period = duration::period;
  using time_point = std::chrono::time_point<Monotonic>;
  static constexpr bool is_steady = true;
};

using Duration = Monotonic::duration;
using Instant = Monotonic::time_point;

// Later than anything that happens: "no deadline".
inline constexpr Instant never{Duration{std::numeric_limits<Duration::rep>::max()}};

constexpr double in_seconds(Duration d) { return std::chrono::duration<double>(d).count(); }

// Rounds to the nearest nanosecond; `s` must be finite and within +-290 years.
constexpr Duration seconds(double s) {
  return Duration{static_cast<Duration::rep>(s * 1e9 + (s < 0 ? -0.5 : 0.5))};
}

// instant + wait, held at `never` where the sum would overflow. For wait >= 0.
constexpr Instant later(Instant instant, Duration wait) {
  return wait >= never - instant ? never : instant + wait;
}

}  // namespace chargewright::drivers

// budget_trials [FIRST_SEED [COUNT]]: for each limit and path, how many trials crossed it, how near
// the worst came to its bound, and every seed beyond it. Exit code 1 if there is one.

#include <array>
#include <cstdio>
#include <cstdlib>

#include "tests/budget/score.h"

int main(int argc, char** argv) {
  using namespace chargewright;
  using safety::Cause;
  const std::uint64_t first = argc > 1 ? std::strtoull(argv[1], nullptr, 10) : 1;
  const std::uint64_t count = argc > 2 ? std::strtoull(argv[2], nullptr, 10) : 200;
  constexpr std::array causes{
      Cause::voltage_high,     Cause::current_high,       Cause::power_high,
      Cause::temperature_high, Cause::temperature_rising, Cause::charge_high,
      Cause::energy_high,      Cause::run_time,           Cause::step_time};
  constexpr std::array names{"source", "contactor", "unread"};
  bool broken = false;
  std::printf("%-20s %-10s %8s %8s %10s %10s %8s\n", "limit", "path", "tried", "crossed", "time",
              "overshoot", "beyond");
  for (const Cause cause : causes) {
    for (const test::Path path : {test::Path::source, test::Path::contactor, test::Path::unread}) {
      const bool needs_reading = cause != Cause::run_time && cause != Cause::step_time;
      if (path == test::Path::unread && (!needs_reading || cause == Cause::temperature_rising)) {
        continue;
      }
      const auto score = test::score(cause, path, first, count);
      std::printf("%-20s %-10s %8llu %8llu %10.3f %10.3f %8zu\n",
                  std::string(safety::key_of(cause)).c_str(), names[static_cast<std::size_t>(path)],
                  static_cast<unsigned long long>(score.tried),
                  static_cast<unsigned long long>(score.crossed), score.nearest_time,
                  score.nearest_overshoot, score.broken.size());
      for (std::size_t k = 0; k < std::min<std::size_t>(score.broken.size(), 5); ++k) {
        std::printf("  %s\n", score.broken[k].c_str());
      }
      broken = broken || !score.broken.empty();
    }
  }
  return broken ? 1 : 0;
}

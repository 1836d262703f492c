#include "daemon/serve/end_times.h"

#include <algorithm>

namespace chargewright::daemon {

EndTimes end_times(const safety::Plant& plant, double speed) {
  using namespace std::chrono_literals;
  constexpr auto longest = 60s;
  drivers::Duration proof{};
  for (const safety::ChannelPlan& plan : plant.channels) {
    proof = std::max(proof, plan.prove_off_within);
  }
  const double real_s =
      std::min(drivers::in_seconds(proof) / speed, std::chrono::duration<double>(longest).count());
  const std::chrono::milliseconds off{static_cast<int>(real_s * 1000)};
  return {.runs = std::max<std::chrono::milliseconds>(8s, off + 3s),
          .outputs = std::max<std::chrono::milliseconds>(5s, off + 1s)};
}

}  // namespace chargewright::daemon

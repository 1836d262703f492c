#include "daemon/serve/link_times.h"

#include <algorithm>

namespace chargewright::daemon {

RoundTrips LinkTimes::measured() const {
  RoundTrips worst;
  for (const auto& instrument : on_.guard.instruments()) {
    if (instrument.round_trip_worst == drivers::Duration::zero()) continue;
    worst[instrument.name] =
        drivers::seconds(drivers::in_seconds(instrument.round_trip_worst) / on_.speed);
  }
  return worst;
}

std::vector<drivers::Duration> LinkTimes::worst() const {
  RoundTrips worst = on_.state.round_trips();
  for (const auto& [instrument, time] : measured()) {
    worst[instrument] = std::max(worst[instrument], time);
  }
  std::vector<drivers::Duration> all;
  for (const auto& instrument : on_.bench.instruments) all.push_back(worst[instrument.name]);
  return all;
}

void LinkTimes::remember() const {
  const RoundTrips worst = measured();
  if (worst.empty()) return;
  if (auto kept = on_.state.remember(worst); !kept) {
    on_.log(LogLevel::warning, describe(kept.error()));
  }
}

}  // namespace chargewright::daemon

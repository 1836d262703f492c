#include "daemon/serve/guard_wire.h"

#include "daemon/bench/instruments.h"
#include "daemon/serve/end_times.h"

namespace chargewright::daemon {

safety::GuardThreadSpec guard_spec(const profiles::Bench& bench, const safety::Plant& plant,
                                   const std::vector<drivers::Dialect>& dialects, double speed,
                                   const StateStore& state,
                                   std::shared_ptr<safety::DeadManSide> dead_man) {
  safety::GuardThreadSpec spec{.plant = plant,
                               .instruments = instruments_of(bench, dialects),
                               .links = {},
                               .speed = speed,
                               .trips = {}};
  for (const auto& instrument : bench.instruments) spec.links.push_back(instrument.link);
  spec.dead_man = std::move(dead_man);
  spec.stop_within = end_times(plant, speed).outputs;
  for (std::size_t i = 0; i < bench.channels.size(); ++i) {
    if (const auto limits = state.limits(i)) {
      spec.limits.emplace_back(static_cast<std::uint8_t>(i), *limits);
    }
    const auto trip = state.trip(i);
    if (!trip) continue;
    spec.trips.push_back(trip->fault);
    spec.trips.back().channel = static_cast<std::uint8_t>(i);
  }
  return spec;
}

GuardWire::GuardWire(const profiles::Bench& bench, safety::GuardThreadSpec spec)
    : thread_(std::move(spec)) {
  for (const auto& instrument : bench.instruments) names_.push_back(instrument.name);
}

std::vector<InstrumentFacts> GuardWire::instruments() {
  std::vector<InstrumentFacts> all;
  const auto status = thread_.instruments();
  for (std::size_t i = 0; i < names_.size() && i < status.size(); ++i) {
    all.push_back({.name = names_[i],
                   .identity = status[i].identification.data(),
                   .up = status[i].up,
                   .answers = status[i].answers,
                   .simulated = status[i].simulated,
                   .round_trip_worst = status[i].round_trip_worst});
  }
  return all;
}

}  // namespace chargewright::daemon

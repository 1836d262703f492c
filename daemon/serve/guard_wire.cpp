#include "daemon/serve/guard_wire.h"

namespace chargewright::daemon {

safety::GuardThreadSpec guard_spec(const profiles::Bench& bench, const safety::Plant& plant,
                                   const std::vector<drivers::Dialect>& dialects, double speed,
                                   const StateStore& state) {
  safety::GuardThreadSpec spec{
      .plant = plant, .instruments = {}, .links = {}, .speed = speed, .trips = {}};
  for (std::size_t i = 0; i < bench.instruments.size(); ++i) {
    const auto& facts = bench.instruments[i];
    spec.instruments.push_back({.name = facts.name,
                                .id = static_cast<drivers::InstrumentId>(i),
                                .identity = facts.identity,
                                .dialect = dialects[i]});
    if (facts.respond) spec.instruments.back().dialect.respond = *facts.respond;
    spec.links.push_back(facts.link);
  }
  for (std::size_t i = 0; i < bench.channels.size(); ++i) {
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
                   .simulated = status[i].simulated});
  }
  return all;
}

}  // namespace chargewright::daemon

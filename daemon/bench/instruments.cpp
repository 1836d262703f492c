#include "daemon/bench/instruments.h"

namespace chargewright::daemon {

std::vector<drivers::InstrumentSpec> instruments_of(const profiles::Bench& bench,
                                                    const std::vector<drivers::Dialect>& dialects) {
  std::vector<drivers::InstrumentSpec> specs;
  for (std::size_t i = 0; i < bench.instruments.size(); ++i) {
    const auto& facts = bench.instruments[i];
    specs.push_back({.name = facts.name,
                     .id = static_cast<drivers::InstrumentId>(i),
                     .identity = facts.identity,
                     .dialect = dialects[i]});
    if (facts.respond) specs.back().dialect.respond = *facts.respond;
  }
  return specs;
}

}  // namespace chargewright::daemon

#pragma once
// A bench of one channel `left` whose instruments speak the shipped dialects, each by a name of its
// own: what a test of parts and addresses changes one thing of.

#include <gtest/gtest.h>

#include "drivers/dialect.h"
#include "profiles/bench.h"
#include "tests/support/places.h"

namespace chargewright::daemon {

class ShippedBench : public testing::Test {
 protected:
  static constexpr drivers::InstrumentId supply = 0, meter = 1, probe = 2, relay = 3;

  ShippedBench() {
    for (const auto& [name, dialect] : {std::pair{"supply", "scpi-supply"},
                                        {"meter", "scpi-meter"},
                                        {"probe", "scpi-thermometer"},
                                        {"relay", "scpi-switch"}}) {
      dialects.push_back(
          drivers::load_dialect(dialect, {test::in_source("drivers/dialects")}).value());
      bench.instruments.emplace_back();
      bench.instruments.back().name = name;
      bench.instruments.back().dialect = std::string("of-the-") + name;
    }
    bench.channels.resize(1);
    left().name = "left";
    left().source = left().voltmeter = left().ammeter = {.instrument = supply};
    left().thermometers = {{.instrument = probe, .channel = 1}};
    left().contactor = {.instrument = relay, .channel = 2};
  }
  profiles::BenchChannel& left() { return bench.channels[0]; }

  profiles::Bench bench;
  std::vector<drivers::Dialect> dialects;
};

}  // namespace chargewright::daemon

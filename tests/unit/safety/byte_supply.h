#pragma once
// What the tests of the wires share: a bench of one supply, and its end of the line.

#include <string>
#include <utility>
#include <vector>

#include "drivers/dialect.h"
#include "safety/wires.h"
#include "support.h"
#include "tests/support/places.h"

namespace chargewright::safety::testing {

inline Plant plant_of_one_supply() {
  Plant plant = plant_of(plan_of({.voltmeter = false, .thermometers = 0}));
  plant.instruments = 1;
  return plant;
}

inline std::vector<drivers::InstrumentSpec> one_supply(std::string identity = "") {
  return {
      {.name = "supply",
       .identity = std::move(identity),
       .dialect =
           drivers::load_dialect("scpi-supply", {test::in_source("drivers/dialects")}).value()}};
}

// Lets the supply hear whatever was written, a line at a time, until nothing more is.
template <class Hear>
void let_hear(Wires& wires, std::string& written, Instant now, Hear hear) {
  wires.pump(now);
  while (!written.empty()) {
    const std::string lines = std::exchange(written, {});
    for (std::size_t begin = 0; begin < lines.size();) {
      const std::size_t end = lines.find('\n', begin);
      hear(lines.substr(begin, end - begin));
      begin = end + 1;
    }
    wires.pump(now);
  }
}

}  // namespace chargewright::safety::testing

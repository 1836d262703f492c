#pragma once
// Leads and joints between the source and the cell: what they drop and what they may carry.

#include <optional>
#include <string>

#include "drivers/document.h"
#include "drivers/quantity_text.h"

namespace chargewright::profiles {

using OhmsPerMetre = drivers::Quantity<decltype(drivers::si::resistance{} / drivers::si::length{})>;

// Solid annealed copper at 20 degC of this cross-section.
OhmsPerMetre solid_copper(drivers::SquareMetres area);
// Flexible (class 5) copper conductor at 20 degC: the standard's maximum for the sizes in its
// table, and between them the table's excess over solid copper, by area.
OhmsPerMetre flexible_copper(drivers::SquareMetres area);
// Copper at another temperature than 20 degC, as a factor on its resistance.
double copper_factor(drivers::Celsius at);

struct Wiring {
  enum class Conductor { awg, metric } conductor = Conductor::metric;
  std::optional<drivers::SquareMetres> gauge;
  std::optional<drivers::Metres> length;    // one way
  drivers::Ohms joints{};                   // all of them together
  std::optional<drivers::Ohms> resistance;  // of the whole loop, measured: rules over the rest
  std::optional<drivers::Amperes> rated;
  drivers::Place place;
  drivers::Place rated_place;
};

// Out and back, and the joints.
drivers::Ohms loop_resistance(const Wiring& wiring, drivers::Celsius at = drivers::celsius(20));

Wiring read_wiring(const drivers::Document& document, const drivers::Node& node,
                   drivers::Failures& problems);

}  // namespace chargewright::profiles

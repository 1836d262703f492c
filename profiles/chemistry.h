#pragma once
// Outer bands of each chemistry, per cell: they catch slips in a cell file, and recommend nothing.
// The data sheet decides; a cell that lies outside says `chemistry: other`, which has no band.

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/quantity.h"

namespace chargewright::profiles {

struct Chemistry {
  std::string_view key;
  bool capacitor = false;
  std::optional<drivers::Volts> upper_max;  // never-above of one cell at most this
  std::optional<drivers::Volts> lower_min;  // never-below of one cell at least this
  // What it takes beyond full becomes gas, and heat when that recombines.
  bool heats_when_full = false;
};

const Chemistry* find_chemistry(std::string_view key);
std::vector<std::string> chemistry_keys();

}  // namespace chargewright::profiles

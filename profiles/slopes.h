#pragma once
// What a cell does per ampere and second, at its worst, for the response-time budget (S7): from the
// parameters that its file states under `model`. What the file does not state is typical of the
// chemistry, and then taken at half its capacity per volt and twice its resistance; the heat
// capacity by its mass, or else at half (common practice, no source).

#include <string>

#include "profiles/cell.h"
#include "safety/budget.h"

namespace chargewright::profiles {

struct SlopesAt {
  drivers::Volts voltage{};    // where the limit on voltage stands; what lies below is not judged
  drivers::Amperes most{};     // the most current there may be
  drivers::Amperes steered{};  // the most that is steered to
  drivers::Celsius coldest{};  // of the cell while it is charged
  drivers::Celsius hottest{};  // where the limit on temperature stands
  drivers::Duration lag{};     // of the thermometer
};
safety::CellSlopes slopes_of(const Cell& cell, const SlopesAt& at);

// What of it is assumed, in words; empty: nothing.
std::string assumed_of(const Cell& cell);

}  // namespace chargewright::profiles

#pragma once
// Can this bench see and cut fast enough to enforce the limits of a profile on this cell (S7)? The
// response-time budget for people: whether each limit holds within the margin to the cell's own
// `never-above`, and where it does not, what would make it hold, in numbers. Plain code.

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "drivers/failure.h"
#include "profiles/bench_times.h"

namespace chargewright::profiles {

enum class Verdict : std::uint8_t {
  holds,
  exceeds,
  no_bound,  // the cell states no bound of its own for this quantity
};
std::string_view key_of(Verdict verdict);

struct BudgetRow {
  std::string_view quantity;     // "voltage-above"
  std::string_view unit;         // of overshoot and margin as shown, "Ah" for instance
  double per_unit = 1;           // SI per unit shown
  safety::BudgetLine line;       // SI
  std::optional<double> margin;  // SI, from the limit to the cell's own bound
  Verdict verdict = Verdict::no_bound;
};

struct Enforcement {
  std::vector<BudgetRow> rows;
  std::vector<std::string> rests_on;
  std::vector<drivers::Failure> problems;
  std::vector<drivers::Failure> notes;
};

struct EnforcementSetup {
  const safety::RunPlan& plan;
  const Cell& cell;
  const Bench& bench;
  std::size_t channel = 0;
  const Basis& basis;
  drivers::Amperes current_max{};  // highest ceilings of the profile's steps
  drivers::Volts voltage_max{};
  std::function<drivers::Place(std::string_view quantity)> place_of;  // of a limit
  std::function<std::string(std::string_view quantity)> words_of;  // "4.250 V (cell, hut.yaml:5)"
};
Enforcement enforcement_of(const EnforcementSetup& setup);

}  // namespace chargewright::profiles

#pragma once
// A charge profile: what its file says (Profile), and what a run does (Procedure: resolved against
// a cell, in plain SI numbers, flattened). A step sets ceilings, and ends at a reading.

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "drivers/document.h"
#include "drivers/quantity_text.h"
#include "profiles/cell.h"
#include "profiles/condition.h"
#include "profiles/limits_text.h"

namespace chargewright::profiles {

inline constexpr int repeat_depth_max = 4;
inline constexpr std::size_t executed_steps_max = 10'000;

// Exactly one verb out of this list in each step.
enum class StepVerb : std::uint8_t { charge, rest, repeat };
std::string_view key_of(StepVerb verb);

struct CeilingsText {
  drivers::CurrentText current;
  drivers::Volts voltage{};
  std::optional<drivers::Watts> power;
  std::optional<drivers::Celsius> temperature;
  drivers::Place current_place;
  drivers::Place voltage_place;
  drivers::Place power_place;
  drivers::Place temperature_place;
};

struct Step {
  std::string name;  // "step 3" where the file gives none
  StepVerb verb = StepVerb::rest;
  CeilingsText charge;                      // for charge
  drivers::Duration rest{};                 // for rest
  int times = 1;                            // for repeat
  std::vector<Step> steps;                  // for repeat
  Condition until;                          // charge: always there; rest: may be empty
  std::optional<drivers::Duration> within;  // charge: not met by then, the run fails, output off
  drivers::Place place;
  drivers::Place until_place;
};

// What a run may do by itself after the daemon died under it: with the machine's power, by a kill
// or a crash (S9). Times are of the bench's clock, but for the warning, which is a person's.
struct Resumption {
  drivers::Duration within{};   // the interruption may be that old when the output goes on again
  int times = 1;                // in a row, without a person
  drivers::Duration warning{};  // told for so long before
  bool operator==(const Resumption&) const = default;
};
inline constexpr drivers::Duration resume_within_max = std::chrono::hours(24);
inline constexpr int resume_times_max = 10;
inline constexpr drivers::Duration resume_warning_usual = std::chrono::seconds(30);
// Shorter, nobody at the bench could do anything about it (common practice, no source).
inline constexpr drivers::Duration resume_warning_min = std::chrono::seconds(10);
inline constexpr drivers::Duration resume_warning_max = std::chrono::minutes(10);

struct Profile {
  std::string name;
  std::string description;
  std::string cell;  // name of the cell file; empty: any cell, named at the start
  std::vector<Step> steps;
  LimitsText limits;
  std::optional<Resumption> resumption;  // absent: an interruption is the end of the run
  drivers::Place resumption_place;
  drivers::Place cell_place;
  drivers::Place limits_place;  // of `limits:`, or of the file's beginning where it is missing

  std::string file;
  std::string text;  // the exact bytes, for the record
};

drivers::Checked<Profile> load_profile(const std::string& path);
drivers::Checked<Profile> read_profile(const drivers::Document& document);

// The cell that a profile names: NAME.yaml beside the profile, then in `folders`, in turn.
drivers::Checked<Cell> load_cell_of(const Profile& profile,
                                    const std::vector<std::string>& folders);

struct Ceilings {
  drivers::Amperes current{};
  drivers::Volts voltage{};
  std::optional<drivers::Watts> power;
  std::optional<drivers::Celsius> temperature;
};

struct PlannedStep {
  std::string name;
  StepVerb verb = StepVerb::rest;  // charge or rest
  Ceilings ceilings;               // for charge
  drivers::Duration rest{};        // for rest: ends after this, or sooner by `until`
  Condition until;                 // resolved; charge: always there
  std::optional<drivers::Duration> within;
  drivers::Place place;
};

struct Procedure {
  std::string name;
  std::vector<PlannedStep> steps;  // each step of the file once, in its order, repeats unfolded
  struct Executed {
    std::uint16_t step = 0;   // index into steps
    std::uint16_t cycle = 0;  // how often the innermost repeat around it had gone round, from 0
  };
  std::vector<Executed> order;  // what the run does, one after another; at most executed_steps_max
  drivers::Coulombs capacity{};
};

Procedure resolve(const Profile& profile, const Cell& cell);

}  // namespace chargewright::profiles

#pragma once
// Plays a scenario through the daemon's own code on simulated byte streams, with a person at the
// bench who acts on what has ended, and counts what came of it.

#include <array>
#include <cstdint>
#include <map>
#include <optional>
#include <string>

#include "tests/storm/oracle.h"
#include "tests/storm/scenario.h"

namespace chargewright::storm {

// What was reached, so that one sees that everything was.
struct Coverage {
  std::map<std::string, std::uint64_t> outcomes;  // of runs, by phase; refusals by name
  std::map<std::string, std::uint64_t> trips;     // by cause
  std::map<std::string, std::uint64_t> causes;    // present, also beside another
  std::map<std::string, std::uint64_t> deeds;     // by name, and in which state of the channel
  std::array<Overshoots::Seen, Overshoots::quantities.size()> overshoots{};
  std::uint64_t seeds = 0, runs = 0, readings = 0, moments = 0;
  double bench_hours = 0;   // virtual time, each channel by itself
  double charge_hours = 0;  // of it with a run under way
  void add(const Coverage& other);
};

struct Outcome {
  std::optional<Violation> violation;
  Coverage coverage;
};

struct PlayOptions {
  bool trace = false;
  double overshoot_share = 1;  // of the budget's bounds (oracle_overshoot.h)
};

Outcome play(const Scenario& scenario, const PlayOptions& options = {});

}  // namespace chargewright::storm

#pragma once
// One storm: a bench, its cells and profiles as files that a person could have written, and what
// befalls them, all from one 64-bit seed.

#include <string>
#include <string_view>
#include <vector>

#include "daemon/run/sequencer.h"
#include "drivers/instrument.h"
#include "drivers/simulated/bench_model.h"
#include "drivers/simulated/byte_link.h"
#include "drivers/simulated/fault.h"
#include "profiles/bench.h"
#include "profiles/check.h"

namespace chargewright::storm {

// What befalls the bench. Those that last end by themselves.
enum class Deed : std::uint8_t {
  fault,          // of the simulated device, by its kind; lasts
  stall,          // the link holds everything back; lasts
  pieces,         // bytes arrive in pieces; lasts
  late,           // bytes take longer; lasts
  twice,          // every answer arrives twice; lasts
  drop,           // the link drops, and may be reopened at once
  noise,          // bytes that nobody asked for
  hang,           // the sequencers; lasts
  cut,            // a person's
  acknowledge,    // a person's, perhaps too early
  stop,           // a person's
  start,          // a person's, perhaps while another run is under way
  dead_man_lost,  // nobody would cut if the daemon died now
  restart,        // the guard dies, and another begins
  reorder,        // another link is served first from now on
};
inline constexpr std::size_t deed_count = static_cast<std::size_t>(Deed::reorder) + 1;
std::string_view name_of(Deed deed);

struct Happening {
  drivers::Instant at{};
  Deed deed = Deed::fault;
  drivers::InstrumentId device = 0;
  std::uint8_t channel = 0;  // of the device for `fault`, of the bench for what a person does
  drivers::Duration lasts{};
  drivers::simulated::BenchFault fault{};
  // Waits from `at` until the cell of that output is charged and stands at this share of full; 0:
  // does not wait. Only of what happens once.
  double nearly_full = 0;
  std::size_t size = 0;      // of pieces, noise; link served first
  drivers::Duration time{};  // between pieces, lateness
};
std::string describe(const Happening& happening, const profiles::Bench& bench);

// What one channel may be asked to do.
struct Job {
  profiles::Cell cell;
  std::string cell_text;
  std::string profile_text;
  profiles::CheckReport checked;
  double fullness = 0.1;  // of the cell that is laid in before each run
};

struct Scenario {
  std::uint64_t seed = 0;
  std::string bench_text;
  profiles::Bench bench;
  std::vector<std::vector<Job>> jobs;  // by channel; at least one each
  drivers::simulated::BenchModel model;
  safety::Plant plant;
  std::vector<drivers::InstrumentSpec> instruments;
  std::vector<drivers::simulated::ByteLinkModel> links;
  std::vector<Happening> happenings;  // in order
  drivers::Duration lasts{};
  drivers::Duration patience{};  // of the person, before acting on a run that has ended
  bool hasty = false;            // that person starts at the very moment of acknowledging
  bool resumes = false;          // runs that a death of the guard interrupted go on (S9)
  bool calm = false;             // nothing happens, and no limit is tighter than it should be
};

inline constexpr drivers::Instant opening{std::chrono::hours(1)};

Scenario scenario_of(std::uint64_t seed);

}  // namespace chargewright::storm

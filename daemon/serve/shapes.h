#pragma once
// The shapes in which the API tells facts (docs/api.md). Keys carry their unit; what is not known
// is null, never zero. Plain code.

#include <boost/json/value.hpp>
#include <optional>
#include <string>
#include <vector>

#include "daemon/record/record.h"
#include "daemon/run/progress.h"
#include "daemon/state/state_json.h"
#include "safety/guard.h"

namespace chargewright::daemon {

// The run that a channel carries, or carried last.
struct RunFacts {
  std::string id;
  std::string profile;
  std::string cell;
  std::vector<std::string> steps;  // names, by Progress::step_in_file
  Progress progress{};
  safety::Event refused{};  // the last refusal in this run, with its numbers
  std::string resumes{};    // id of the interrupted run that it goes on with (S9)
};

// An interrupted run that may go on by itself, or does not (S9).
struct ResumptionFacts {
  std::string run{};
  std::string state{};  // waiting, warning, resuming, given-up
  double seconds_left = 0;
  std::string why{};
  std::string description{};
};

struct ChannelFacts {
  std::string bench;
  std::string name;
  std::optional<RunFacts> run{};
  std::optional<LatchedTrip> trip{};
  double speed = 1;
  std::optional<ResumptionFacts> resumption{};
  drivers::Duration reading_age_max = drivers::Duration::max();  // what is older is not known
};

boost::json::object channel_json(const ChannelFacts& facts, const safety::ChannelSnapshot& channel,
                                 drivers::Instant at);

boost::json::object trip_json(const LatchedTrip& trip);

// One line of the event stream; nothing for what only the record keeps (each reading).
std::optional<boost::json::object> event_json(const safety::Event& event,
                                              const std::string& channel,
                                              const std::vector<std::string>& instruments);
boost::json::object progress_json(const RunFacts& run, const std::string& channel,
                                  drivers::Instant at);

boost::json::object run_json(const RecordSummary& summary);

// The id of a run: its record's file name without the folder and `.run`.
std::string run_id(const std::string& record_path);

}  // namespace chargewright::daemon

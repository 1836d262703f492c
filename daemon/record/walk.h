#pragma once
// A walk through the readings of a record in the order in which they were judged, with what was
// the case at each: latest reading of every other quantity, step, and charge and energy so far.
// Charge is tallied as the interlock does it (safety/tally.h), so that an export and a run agree;
// of a run that was resumed it goes on from what was carried.

#include <optional>
#include <vector>

#include "daemon/record/database.h"
#include "drivers/reading.h"
#include "safety/tally.h"

namespace chargewright::daemon {

struct StoredReading {
  drivers::Reading reading;  // Instants count from the beginning of the run
  bool at_source = false;
};

class RecordWalk {
 public:
  static drivers::Result<RecordWalk> start(Database& database);
  drivers::Result<bool> next();  // false: the end

  [[nodiscard]] const StoredReading& stored() const { return stored_; }
  // A usable voltage at the cell's terminals (at the source's, where nothing else was read).
  [[nodiscard]] bool is_cell_voltage() const;

  // Latest usable readings so far; empty where there was none, or it is older than two intervals.
  [[nodiscard]] bool output_is_on() const { return on_; }
  [[nodiscard]] std::optional<double> current() const;
  [[nodiscard]] std::optional<double> temperature(std::size_t sensor) const;
  [[nodiscard]] std::size_t sensors() const { return sensors_.size(); }

  // After the last reading: what else was recorded up to `end`, which is none before it. How long
  // before `end` current was counted last while the output is on; zero where it is off.
  drivers::Duration finish(drivers::Instant end);

  [[nodiscard]] std::int64_t step() const { return step_; }    // from 0
  [[nodiscard]] std::int64_t cycle() const { return cycle_; }  // from 0
  [[nodiscard]] const safety::Tally& tally() const { return tally_; }
  [[nodiscard]] drivers::Instant at() const { return stored_.reading.answered; }

 private:
  struct Latest {
    drivers::Instant at{};
    double value = 0;
    bool usable = false;
  };
  struct Sensor {
    drivers::InstrumentId instrument = 0;
    std::uint8_t input = 0;
    Latest latest;
  };
  struct OutputChange {
    drivers::Instant at{};
    bool only_setpoints = false;
    bool on = false;
  };
  struct StepChange {
    drivers::Instant at{};
    std::int64_t step = 0;
    std::int64_t cycle = 0;
  };
  drivers::Result<void> load_changes(Database& database);
  drivers::Result<void> load_sensors(Database& database);
  drivers::Result<void> find_interval(Database& database);
  void pass_changes(drivers::Instant until);
  void take_in();
  [[nodiscard]] std::optional<double> fresh(const Latest& latest) const;

  Statement rows_;
  StoredReading stored_;
  bool voltage_at_source_ = false;
  bool current_at_source_ = false;
  drivers::Duration interval_{};
  drivers::Amperes off_current_{};  // with the output off, up to this it counts as none
  Latest voltage_;
  Latest current_;
  std::vector<Sensor> sensors_;
  std::vector<OutputChange> outputs_;
  std::vector<StepChange> steps_;
  std::size_t next_output_ = 0;
  std::size_t next_step_ = 0;
  std::int64_t step_ = 0;
  std::int64_t cycle_ = 0;
  bool on_ = false;
  drivers::Instant counted_{};  // up to here; while the output is on
  safety::Tally tally_;
};

}  // namespace chargewright::daemon

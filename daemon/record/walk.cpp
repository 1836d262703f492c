#include "daemon/record/walk.h"

#include <algorithm>
#include <cmath>

#include "daemon/record/open_record.h"
#include "profiles/bench.h"

namespace chargewright::daemon {

using drivers::Duration;
using drivers::Instant;
using drivers::Result;

namespace {

drivers::Measurand measurand_from(const std::string& key) {
  if (key == "current") return drivers::Measurand::current;
  if (key == "temperature") return drivers::Measurand::temperature;
  return drivers::Measurand::voltage;
}

drivers::Validity validity_from(const std::string& key) {
  if (key == "valid") return drivers::Validity::valid;
  if (key == "not-a-number") return drivers::Validity::not_a_number;
  if (key == "infinite") return drivers::Validity::infinite;
  if (key == "unparsable") return drivers::Validity::unparsable;
  return drivers::Validity::absent;
}

Instant instant(std::int64_t nanoseconds) { return Instant{Duration{nanoseconds}}; }

// Times of a run are at most a century from its beginning: sums of two do not overflow.
Result<void> check_times(Database& database) {
  constexpr std::string_view beyond = " NOT BETWEEN -3155760000000000000 AND 3155760000000000000)";
  std::string sql =
      "SELECT EXISTS (SELECT 1 FROM reading WHERE typeof(asked) <> 'integer' OR "
      "typeof(answered) <> 'integer' OR asked";
  for (const std::string_view next :
       {" OR EXISTS (SELECT 1 FROM reading WHERE answered",
        " OR EXISTS (SELECT 1 FROM event WHERE typeof(at) <> 'integer' OR at",
        " OR EXISTS (SELECT 1 FROM progress WHERE typeof(at) <> 'integer' OR at"}) {
    sql.append(beyond).append(next);
  }
  const Result<std::int64_t> damaged = database.integer(sql.append(beyond));
  if (damaged.has_error()) return damaged.error();
  if (*damaged == 0) return {};
  return drivers::Failure{{.file = database.path()}, "the record is damaged: a time in it", {}};
}

// The channel as the record's own bench file describes it; where it has none, or one that cannot be
// read, as a bench file that says nothing of these things.
Result<profiles::BenchChannel> channel_of(Database& database) {
  Result<Statement> rows = database.prepare(
      "SELECT file.text, file.name, run.channel FROM file, run WHERE file.role = 'bench'");
  if (rows.has_error()) return rows.error();
  const Result<bool> row = rows->step();
  if (row.has_error()) return row.error();
  if (!*row) return profiles::BenchChannel{};
  const auto document = drivers::parse_document(rows->text(0), rows->text(1));
  if (!document) return profiles::BenchChannel{};
  const auto bench = profiles::read_bench(*document);
  if (!bench) return profiles::BenchChannel{};
  const auto channel = profiles::find_channel(*bench, rows->text(2));
  return channel ? bench->channels[*channel] : profiles::BenchChannel{};
}

// Is every usable reading of this quantity one at the source's terminals?
Result<bool> only_at_source(Database& database, const std::string& measurand) {
  const Result<std::int64_t> at_cell = database.integer(
      "SELECT EXISTS (SELECT 1 FROM reading WHERE at_source = 0 AND measurand = '" + measurand +
      "')");
  if (at_cell.has_error()) return at_cell.error();
  return *at_cell == 0;
}

}  // namespace

Result<RecordWalk> RecordWalk::start(Database& database) {
  if (auto sound = check_times(database); sound.has_error()) return sound.error();
  RecordWalk walk;
  const auto channel = channel_of(database);
  if (channel.has_error()) return channel.error();
  walk.off_current_ = channel->off_current;
  walk.tally_ = safety::Tally(channel->allowed_age);
  const auto resumed = read_resumed(database);
  if (resumed.has_error()) return resumed.error();
  if (*resumed) walk.tally_.begin({}, (*resumed)->carried);
  for (auto load :
       {&RecordWalk::load_changes, &RecordWalk::load_sensors, &RecordWalk::find_interval}) {
    if (auto done = (walk.*load)(database); done.has_error()) return done.error();
  }
  Result<Statement> rows = database.prepare(
      "SELECT asked, answered, measurand, instrument, input, at_source, validity, value "
      "FROM reading ORDER BY id");
  if (rows.has_error()) return rows.error();
  walk.rows_ = std::move(*rows);
  return walk;
}

Result<void> RecordWalk::load_changes(Database& database) {
  Result<Statement> outputs = database.prepare(
      "SELECT at, kind = 'setpoints-set', is_on FROM event "
      "WHERE kind IN ('output-changed', 'setpoints-set') ORDER BY at, id");
  if (outputs.has_error()) return outputs.error();
  for (;;) {
    const Result<bool> row = outputs->step();
    if (row.has_error()) return row.error();
    if (!*row) break;
    outputs_.push_back({.at = instant(outputs->integer(0)),
                        .only_setpoints = outputs->integer(1) != 0,
                        .on = outputs->integer(2) != 0});
  }
  Result<Statement> steps =
      database.prepare("SELECT at, step, cycle FROM progress ORDER BY at, id");
  if (steps.has_error()) return steps.error();
  for (;;) {
    const Result<bool> row = steps->step();
    if (row.has_error()) return row.error();
    if (!*row) break;
    steps_.push_back({instant(steps->integer(0)), steps->integer(1), steps->integer(2)});
  }
  return {};
}

Result<void> RecordWalk::load_sensors(Database& database) {
  Result<Statement> sensors = database.prepare(
      "SELECT DISTINCT instrument, input FROM reading WHERE measurand = 'temperature' "
      "ORDER BY instrument, input");
  if (sensors.has_error()) return sensors.error();
  for (;;) {
    const Result<bool> row = sensors->step();
    if (row.has_error()) return row.error();
    if (!*row) break;
    sensors_.push_back({static_cast<drivers::InstrumentId>(sensors->integer(0)),
                        static_cast<std::uint8_t>(sensors->integer(1)),
                        {}});
  }
  return {};
}

// The median of the first spacings of the cell's voltage readings: a gap does not move it.
Result<void> RecordWalk::find_interval(Database& database) {
  const Result<bool> voltage_at_source = only_at_source(database, "voltage");
  if (voltage_at_source.has_error()) return voltage_at_source.error();
  const Result<bool> current_at_source = only_at_source(database, "current");
  if (current_at_source.has_error()) return current_at_source.error();
  voltage_at_source_ = *voltage_at_source;
  current_at_source_ = *current_at_source;
  Result<Statement> times = database.prepare(
      "SELECT answered FROM reading WHERE measurand = 'voltage' AND validity = 'valid' AND "
      "at_source = ? ORDER BY id LIMIT 1001");
  if (times.has_error()) return times.error();
  times->bind(1, int{voltage_at_source_});
  std::vector<std::int64_t> spacings;
  std::optional<std::int64_t> last;
  for (;;) {
    const Result<bool> row = times->step();
    if (row.has_error()) return row.error();
    if (!*row) break;
    if (last) spacings.push_back(times->integer(0) - *last);
    last = times->integer(0);
  }
  if (spacings.empty()) {
    interval_ = std::chrono::seconds(1);
  } else {
    const auto middle = spacings.begin() + static_cast<std::ptrdiff_t>(spacings.size() / 2);
    std::nth_element(spacings.begin(), middle, spacings.end());
    interval_ = std::min<Duration>(Duration{*middle}, std::chrono::hours(24));
  }
  return {};
}

Result<bool> RecordWalk::next() {
  const Result<bool> row = rows_.step();
  if (row.has_error() || !*row) return row;
  stored_.reading = {.measurand = measurand_from(rows_.text(2)),
                     .validity = validity_from(rows_.text(6)),
                     .instrument = static_cast<drivers::InstrumentId>(rows_.integer(3)),
                     .input = static_cast<std::uint8_t>(rows_.integer(4)),
                     .value = rows_.real(7),
                     .asked = instant(rows_.integer(0)),
                     .answered = instant(rows_.integer(1))};
  if (stored_.reading.valid() && rows_.is_null(7)) {
    stored_.reading.validity = drivers::Validity::not_a_number;
  }
  stored_.at_source = rows_.integer(5) != 0;
  pass_changes(at());
  take_in();
  return true;
}

Duration RecordWalk::finish(Instant end) {
  pass_changes(end);
  return on_ ? std::max(end - counted_, Duration::zero()) : Duration::zero();
}

void RecordWalk::pass_changes(Instant until) {
  for (; next_output_ < outputs_.size() && outputs_[next_output_].at <= until; ++next_output_) {
    const OutputChange& change = outputs_[next_output_];
    if (!change.only_setpoints) {
      if (change.on && !on_) counted_ = change.at;
      on_ = change.on;
      tally_.output(change.on, change.at);
    } else if (on_) {
      tally_.break_at(change.at);
    }
  }
  for (; next_step_ < steps_.size() && steps_[next_step_].at <= until; ++next_step_) {
    step_ = steps_[next_step_].step;
    cycle_ = steps_[next_step_].cycle;
  }
}

void RecordWalk::take_in() {
  const drivers::Reading& reading = stored_.reading;
  const Latest latest{reading.answered, reading.value, reading.valid()};
  switch (reading.measurand) {
    case drivers::Measurand::voltage:
      if (stored_.at_source == voltage_at_source_) voltage_ = latest;
      break;
    case drivers::Measurand::current:
      if (stored_.at_source != current_at_source_) break;
      current_ = latest;
      if (latest.usable && voltage_.usable) {
        const bool flows = on_ || std::abs(latest.value) > off_current_.value();
        tally_.add(latest.at, drivers::amperes(flows ? latest.value : 0),
                   drivers::volts(voltage_.value));
        counted_ = latest.at;
      }
      break;
    case drivers::Measurand::temperature:
      for (Sensor& sensor : sensors_) {
        if (sensor.instrument == reading.instrument && sensor.input == reading.input) {
          sensor.latest = latest;
        }
      }
      break;
  }
}

bool RecordWalk::is_cell_voltage() const {
  return stored_.reading.measurand == drivers::Measurand::voltage && stored_.reading.valid() &&
         stored_.at_source == voltage_at_source_;
}

std::optional<double> RecordWalk::fresh(const Latest& latest) const {
  if (!latest.usable || at() - latest.at > 2 * interval_) return std::nullopt;
  return latest.value;
}

std::optional<double> RecordWalk::current() const { return fresh(current_); }
std::optional<double> RecordWalk::temperature(std::size_t sensor) const {
  return fresh(sensors_[sensor].latest);
}

}  // namespace chargewright::daemon

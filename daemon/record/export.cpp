#include <cmath>

#include "daemon/record/open_record.h"
#include "daemon/record/walk.h"
#include "daemon/record/whole_file.h"
#include "daemon/record/words.h"
#include "drivers/quantity_text.h"

namespace chargewright::daemon {
namespace {

using drivers::exact;
using drivers::Failure;
using drivers::Result;

// A field of RFC 4180: quoted where it must be.
std::string quoted(const std::string& text) {
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string field = "\"";
  for (const char c : text) {
    field += c;
    if (c == '"') field += c;
  }
  return field + '"';
}

// What the exports share: time since the beginning, and the wall clock by it. Where the clock of a
// simulated bench was sped up, a row's wall time is when it really happened.
struct Times {
  const RecordHeader& header;
  [[nodiscard]] double test_s(drivers::Instant at) const {
    return drivers::in_seconds(at.time_since_epoch());
  }
  [[nodiscard]] double unix_s(drivers::Instant at) const {
    // Whole microseconds: a double of today's seconds holds no more.
    const auto started =
        std::chrono::duration_cast<std::chrono::microseconds>(header.started.time_since_epoch());
    const double since = test_s(at) / header.speed * 1e6;
    return std::round(static_cast<double>(started.count()) + since) / 1e6;
  }
};

// Open Battery Data Format, preferred labels; steps and cycles are counted from 1.
Result<void> write_bdf(RecordWalk& walk, const Times& times, WholeFile& file) {
  std::string line = "Test Time / s,Voltage / V,Current / A,Unix Time / s,Cycle Count / 1,";
  line += "Step Count / 1,";
  for (std::size_t i = 0; i < walk.sensors(); ++i) {
    line += "Surface Temperature T" + std::to_string(i + 1) + " / degC,";
  }
  line += "Charging Capacity / Ah,Discharging Capacity / Ah,";
  line += "Charging Energy / Wh,Discharging Energy / Wh\n";
  for (;;) {
    if (auto written = file.write(line); written.has_error()) return written;
    Result<bool> more = true;
    do {
      more = walk.next();
      if (more.has_error()) return more.error();
    } while (*more && !walk.is_cell_voltage());
    if (!*more) return {};
    const auto cell = [](std::optional<double> value) { return value ? exact(*value) : ""; };
    line = exact(times.test_s(walk.at())) + ',' + exact(walk.stored().reading.value) + ',' +
           cell(walk.current()) + ',' + exact(times.unix_s(walk.at())) + ',' +
           std::to_string(walk.cycle() + 1) + ',' + std::to_string(walk.step() + 1) + ',';
    for (std::size_t i = 0; i < walk.sensors(); ++i) line += cell(walk.temperature(i)) + ',';
    line += exact(drivers::in_ampere_hours(walk.tally().charge_in())) + ',' +
            exact(drivers::in_ampere_hours(walk.tally().charge_out())) + ',' +
            exact(drivers::in_watt_hours(walk.tally().energy_in())) + ',' +
            exact(drivers::in_watt_hours(walk.tally().energy_out())) + '\n';
  }
}

Result<void> write_csv(RecordWalk& walk, const Times& times, const RecordHeader& header,
                       WholeFile& file) {
  std::string line = "time_s,unix_time_s,asked_s,quantity,unit,value,validity,instrument,input,";
  line += "terminals,step\n";
  for (;;) {
    if (auto written = file.write(line); written.has_error()) return written;
    const Result<bool> more = walk.next();
    if (more.has_error()) return more.error();
    if (!*more) return {};
    const drivers::Reading& reading = walk.stored().reading;
    const std::size_t id = reading.instrument;
    const std::string name =
        id < header.instruments.size() ? header.instruments[id] : std::to_string(id);
    line = exact(times.test_s(reading.answered)) + ',' + exact(times.unix_s(reading.answered)) +
           ',' + exact(times.test_s(reading.asked)) + ',';
    line += key_of(reading.measurand);
    line += ',';
    line += unit_of(reading.measurand);
    line += ',' + (reading.valid() ? exact(reading.value) : "") + ',';
    line += key_of(reading.validity);
    line += ',' + quoted(name) + ',' + std::to_string(reading.input) + ',' +
            (walk.stored().at_source ? "source" : "cell") + ',' + std::to_string(walk.step() + 1) +
            '\n';
  }
}

}  // namespace

Result<void> export_record(const std::string& record, ExportFormat format, const std::string& to) {
  Result<Database> database = open_record(record, Database::Mode::read);
  if (database.has_error()) return database.error();
  if (auto sound = database->check(); sound.has_error()) return sound;
  const Result<RecordSummary> summary = summarise(*database);
  if (summary.has_error()) return summary.error();
  Result<RecordWalk> walk = RecordWalk::start(*database);
  if (walk.has_error()) return walk.error();
  Result<WholeFile> file = WholeFile::begin(to);
  if (file.has_error()) return file.error();
  const Times times{summary->header};
  const auto written = format == ExportFormat::bdf
                           ? write_bdf(*walk, times, *file)
                           : write_csv(*walk, times, summary->header, *file);
  if (written.has_error()) return written;
  return file->publish();
}

}  // namespace chargewright::daemon

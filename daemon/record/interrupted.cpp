#include "daemon/record/interrupted.h"

#include <algorithm>

#include "daemon/record/digest.h"
#include "daemon/record/open_record.h"
#include "daemon/record/walk.h"
#include "daemon/record/words.h"

namespace chargewright::daemon {

using drivers::Duration;
using drivers::Failure;
using drivers::Result;

namespace {

Result<void> read_files(Database& database, RecordHeader& header) {
  Result<Statement> rows =
      database.prepare("SELECT role, name, sha256, text FROM file ORDER BY rowid");
  if (rows.has_error()) return rows.error();
  header.files.clear();
  for (;;) {
    const Result<bool> row = rows->step();
    if (row.has_error()) return row.error();
    if (!*row) return {};
    RecordedFile file{rows->text(0), rows->text(1), rows->text(3)};
    if (sha256(file.text) != rows->text(2)) {
      return Failure{{.file = database.path()},
                     "the record is damaged: `" + file.name + "` is not what its digest says",
                     {}};
    }
    header.files.push_back(std::move(file));
  }
}

Result<void> read_phases(Database& database, InterruptedRun& run) {
  Result<Statement> rows = database.prepare("SELECT at, phase, step FROM progress ORDER BY id");
  if (rows.has_error()) return rows.error();
  std::optional<std::int64_t> step;
  std::int64_t began = 0;
  for (;;) {
    const Result<bool> row = rows->step();
    if (row.has_error()) return row.error();
    if (!*row) break;
    const auto phase = phase_of(rows->text(1));
    if (!phase) return Failure{{.file = database.path()}, "the record has an unknown phase", {}};
    run.phase = *phase;
    if (run.phase != Phase::running || rows->integer(2) == step) continue;
    // The step at which it was resumed has lasted since before.
    const bool goes_on = !step && run.header.resumed;
    began = rows->integer(0) - (goes_on ? run.header.resumed->carried.step_time.count() : 0);
    step = rows->integer(2);
  }
  if (!step) return {};
  if (*step < 0 || *step > 0xFFFF) {
    return Failure{{.file = database.path()}, "the record has an impossible step", {}};
  }
  run.carried.step = static_cast<std::uint16_t>(*step);
  run.carried.step_time = std::max(Duration{run.length.count() - began}, Duration::zero());
  return {};
}

Result<void> read_readings(Database& database, InterruptedRun& run) {
  Result<RecordWalk> walk = RecordWalk::start(database);
  if (walk.has_error()) return walk.error();
  bool was_on = false;
  for (;;) {
    const Result<bool> more = walk->next();
    if (more.has_error()) return more.error();
    if (!*more) break;
    was_on = was_on || walk->output_is_on();
    if (walk->is_cell_voltage()) {
      run.voltage_last = walk->stored().reading.value;
      if (!was_on) run.voltage_before = run.voltage_last;
    }
    if (const auto current = walk->current(); current && walk->output_is_on()) {
      run.current_most = std::max(run.current_most, *current);
    }
  }
  const drivers::Instant end{run.length};
  run.unread = walk->finish(end);
  const safety::Tally& tally = walk->tally();
  run.carried.charge_in = tally.charge_in();
  run.carried.charge_out = tally.charge_out();
  run.carried.uncertain = tally.uncertain();
  run.carried.energy_in = tally.energy_in();
  run.carried.energy_out = tally.energy_out();
  run.carried.on_time = tally.on_time(end);
  return {};
}

}  // namespace

Result<InterruptedRun> read_interrupted(const std::string& path) {
  Result<Database> database = open_record(path, Database::Mode::read);
  if (database.has_error()) return database.error();
  if (auto sound = database->check(); sound.has_error()) return sound.error();
  const Result<RecordSummary> summary = summarise(*database);
  if (summary.has_error()) return summary.error();
  InterruptedRun run;
  run.header = summary->header;
  if (summary->end) run.ended = summary->end->phase;
  if (auto read = read_files(*database, run.header); read.has_error()) return read.error();
  const Result<std::int64_t> cuts = database->integer(
      "SELECT count(*) FROM event WHERE kind IN ('cause-present', 'cut-stage', 'tripped', "
      "'refused', 'alarm')");
  if (cuts.has_error()) return cuts.error();
  run.cut_began = *cuts != 0;
  const Result<std::int64_t> length = database->integer(
      "SELECT max(0, (SELECT coalesce(max(answered), 0) FROM reading), (SELECT coalesce(max(at), "
      "0) FROM event), (SELECT coalesce(max(at), 0) FROM progress))");
  if (length.has_error()) return length.error();
  run.length = Duration{*length};
  if (auto read = read_readings(*database, run); read.has_error()) return read.error();
  if (auto read = read_phases(*database, run); read.has_error()) return read.error();
  return run;
}

}  // namespace chargewright::daemon

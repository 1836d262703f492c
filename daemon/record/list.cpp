#include <algorithm>
#include <filesystem>

#include "daemon/record/open_record.h"
#include "daemon/record/walk.h"
#include "daemon/record/words.h"

namespace chargewright::daemon {

using drivers::Failure;
using drivers::Result;

namespace {

// The records of a folder, unsorted. A folder that cannot be read is a problem of its own.
Result<std::vector<std::string>> record_files(const std::string& folder) {
  std::error_code error;
  std::vector<std::string> paths;
  std::filesystem::directory_iterator entry(folder, error);
  for (; !error && entry != std::filesystem::directory_iterator(); entry.increment(error)) {
    const std::string path = entry->path().string();
    if (!entry->is_regular_file(error) || entry->path().extension() != ".run") continue;
    if (looks_like_a_record(path) || std::filesystem::exists(path + "-wal", error)) {
      paths.push_back(path);
    }
  }
  if (error) {
    return Failure{{.file = folder},
                   "cannot list the records: " + error.message(),
                   "check that the folder exists and may be read"};
  }
  return paths;
}

// Whether this bench's life before left it open. Another bench may record into the same folder.
Result<bool> is_left_open(Database& database, const std::string& bench) {
  Result<Statement> mine =
      database.prepare("SELECT 1 FROM run WHERE bench = ? AND NOT EXISTS (SELECT 1 FROM run_end)");
  if (mine.has_error()) return mine.error();
  mine->bind(1, bench);
  return mine->step();
}

Result<void> close_one(Database& database, WallTime now) {
  if (auto sound = database.check(); sound.has_error()) return sound;
  Result<RecordWalk> walk = RecordWalk::start(database);
  if (walk.has_error()) return walk.error();
  for (;;) {
    const Result<bool> more = walk->next();
    if (more.has_error()) return more.error();
    if (!*more) break;
  }
  const safety::Tally& tally = walk->tally();
  Result<Statement> insert =
      database.prepare("INSERT INTO run_end VALUES (1, ?, ?, ?, ?, ?, ?, ?)");
  if (insert.has_error()) return insert.error();
  const auto unix_ns = std::chrono::nanoseconds(now.time_since_epoch()).count();
  return insert->run(
      key_of(Phase::interrupted), std::int64_t{unix_ns},
      drivers::in_ampere_hours(tally.charge_in()), drivers::in_ampere_hours(tally.charge_out()),
      drivers::in_watt_hours(tally.energy_in()), drivers::in_watt_hours(tally.energy_out()),
      drivers::in_seconds(tally.on_time(walk->at())));
}

}  // namespace

std::vector<RecordSummary> list_records(const std::string& folder, std::vector<Failure>& problems) {
  std::vector<RecordSummary> summaries;
  const Result<std::vector<std::string>> paths = record_files(folder);
  if (paths.has_error()) {
    problems.push_back(paths.error());
    return summaries;
  }
  for (const std::string& path : *paths) {
    Result<RecordSummary> summary = summarise(path);
    if (summary.has_error()) {
      problems.push_back(summary.error());
    } else {
      summaries.push_back(std::move(*summary));
    }
  }
  std::sort(summaries.begin(), summaries.end(), [](const auto& a, const auto& b) {
    if (a.header.started != b.header.started) return a.header.started > b.header.started;
    return a.path > b.path;
  });
  return summaries;
}

Result<std::vector<std::string>> close_interrupted(const std::string& folder,
                                                   const std::string& bench, WallTime now) {
  const Result<std::vector<std::string>> paths = record_files(folder);
  if (paths.has_error()) return paths.error();
  std::vector<std::string> closed;
  for (const std::string& path : *paths) {
    // One damaged record must not keep the daemon from closing the others: `runs` reports it.
    Result<Database> database = open_record(path, Database::Mode::write);
    if (database.has_error()) continue;
    const Result<bool> left_open = is_left_open(*database, bench);
    if (left_open.has_error() || !*left_open) continue;
    if (close_one(*database, now).has_error()) continue;
    if (database->execute("PRAGMA journal_mode = DELETE").has_error()) continue;
    closed.push_back(path);
  }
  return closed;
}

}  // namespace chargewright::daemon

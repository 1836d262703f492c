#include "daemon/record/open_record.h"

#include <sys/stat.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <fstream>

#include "daemon/record/schema.h"
#include "daemon/record/words.h"

namespace chargewright::daemon {

using drivers::Failure;
using drivers::Result;

namespace {

// The SQLite file format: 16 bytes of magic; application id at byte 68, big-endian.
struct Marks {
  bool database = false;
  bool ours = false;
};

Marks marks_of(const std::string& path) {
  std::array<char, 100> header{};
  std::ifstream file(path, std::ios::binary);
  file.read(header.data(), header.size());
  if (file.gcount() != static_cast<std::streamsize>(header.size())) return {};
  Marks marks;
  marks.database = std::memcmp(header.data(), "SQLite format 3", 16) == 0;
  std::uint32_t id = 0;
  for (std::size_t i = 68; i < 72; ++i) id = (id << 8U) | static_cast<unsigned char>(header[i]);
  marks.ours = marks.database && id == static_cast<std::uint32_t>(record_application_id);
  return marks;
}

Result<std::vector<std::string>> column(Database& database, std::string_view sql) {
  Result<Statement> query = database.prepare(sql);
  if (query.has_error()) return query.error();
  std::vector<std::string> texts;
  for (;;) {
    const Result<bool> row = query->step();
    if (row.has_error()) return row.error();
    if (!*row) return texts;
    texts.push_back(query->text(0));
  }
}

WallTime wall_time(std::int64_t unix_ns) {
  return WallTime{
      std::chrono::duration_cast<WallTime::duration>(std::chrono::nanoseconds(unix_ns))};
}

Result<void> read_run(Database& database, RecordHeader& header) {
  Result<Statement> run = database.prepare(
      "SELECT bench, channel, profile, cell, started_unix_ns, speed, version FROM run");
  if (run.has_error()) return run.error();
  const Result<bool> row = run->step();
  if (row.has_error()) return row.error();
  if (!*row) return Failure{{.file = database.path()}, "the record has no beginning", {}};
  header.bench = run->text(0);
  header.channel = run->text(1);
  header.profile = run->text(2);
  header.cell = run->text(3);
  header.started = wall_time(run->integer(4));
  header.speed = run->real(5);
  header.version = run->text(6);
  if (!(header.speed >= 1e-3 && header.speed <= 1e6)) {
    return Failure{{.file = database.path()}, "the record is damaged: the speed of its clock", {}};
  }
  return {};
}

Result<void> read_lists(Database& database, RecordHeader& header) {
  auto steps = column(database, "SELECT name FROM step ORDER BY id");
  if (steps.has_error()) return steps.error();
  header.steps = std::move(*steps);
  auto instruments = column(database, "SELECT name FROM instrument ORDER BY id");
  if (instruments.has_error()) return instruments.error();
  header.instruments = std::move(*instruments);
  auto names = column(database, "SELECT instrument FROM identity ORDER BY rowid");
  if (names.has_error()) return names.error();
  auto answers = column(database, "SELECT answer FROM identity ORDER BY rowid");
  if (answers.has_error()) return answers.error();
  for (std::size_t i = 0; i < names->size() && i < answers->size(); ++i) {
    header.identities.emplace_back((*names)[i], (*answers)[i]);
  }
  auto roles = column(database, "SELECT role FROM file ORDER BY rowid");
  if (roles.has_error()) return roles.error();
  auto files = column(database, "SELECT name FROM file ORDER BY rowid");
  if (files.has_error()) return files.error();
  for (std::size_t i = 0; i < roles->size() && i < files->size(); ++i) {
    header.files.push_back({(*roles)[i], (*files)[i], {}});
  }
  return {};
}

Result<std::optional<RecordEnd>> read_end(Database& database) {
  Result<Statement> query = database.prepare(
      "SELECT phase, at_unix_ns, charge_in_ah, charge_out_ah, energy_in_wh, energy_out_wh, "
      "on_time_s FROM run_end");
  if (query.has_error()) return query.error();
  const Result<bool> row = query->step();
  if (row.has_error()) return row.error();
  if (!*row) return std::optional<RecordEnd>{};
  const std::optional<Phase> phase = phase_of(query->text(0));
  if (!phase) {
    return Failure{
        {.file = database.path()}, "the record ends in an unknown way: " + query->text(0), {}};
  }
  return std::optional{RecordEnd{.phase = *phase,
                                 .at = wall_time(query->integer(1)),
                                 .charge_in_ah = query->real(2),
                                 .charge_out_ah = query->real(3),
                                 .energy_in_wh = query->real(4),
                                 .energy_out_wh = query->real(5),
                                 .on_time_s = query->real(6)}};
}

Result<std::string> last_words(Database& database, std::string_view kind) {
  auto words = column(database, "SELECT text FROM event WHERE kind = '" + std::string(kind) +
                                    "' ORDER BY id DESC LIMIT 1");
  if (words.has_error()) return words.error();
  return words->empty() ? std::string{} : words->front();
}

}  // namespace

bool looks_like_a_record(const std::string& path) { return marks_of(path).ours; }

Result<Database> open_record(const std::string& path, Database::Mode mode) {
  struct stat status {};
  if (stat(path.c_str(), &status) != 0) {
    return Failure{
        {.file = path}, std::string("cannot read the record: ") + std::strerror(errno), {}};
  }
  const Failure not_a_record{{.file = path},
                             "this is not a record of a run",
                             "records are files ending in .run that the daemon wrote"};
  if (!S_ISREG(status.st_mode)) return not_a_record;
  if (!marks_of(path).ours) {
    // A run that was killed in its first moments has its marks in the log beside it only.
    if (!marks_of(path).database && status.st_size != 0) return not_a_record;
    struct stat log {};
    if (stat((path + "-wal").c_str(), &log) != 0) return not_a_record;
  }
  Result<Database> database = Database::open(path, mode);
  if (database.has_error()) return database;
  const Result<std::int64_t> id = database->integer("PRAGMA application_id");
  if (id.has_error()) return id.error();
  if (*id != record_application_id) return not_a_record;
  const Result<std::int64_t> version = database->integer("PRAGMA user_version");
  if (version.has_error()) return version.error();
  if (*version > record_version) {
    return Failure{{.file = path},
                   "the record is of version " + std::to_string(*version) +
                       ", newer than this program can read (" + std::to_string(record_version) +
                       ")",
                   "use the version of the program that wrote it, or a newer one"};
  }
  return database;
}

Result<std::optional<Resumed>> read_resumed(Database& database) {
  const Result<std::int64_t> version = database.integer("PRAGMA user_version");
  if (version.has_error()) return version.error();
  if (*version < 2) return std::optional<Resumed>{};
  Result<Statement> query = database.prepare(
      "SELECT run, times, step, step_time_s, charge_in_ah, charge_out_ah, charge_uncertain_ah, "
      "energy_in_wh, energy_out_wh, on_time_s FROM resumption");
  if (query.has_error()) return query.error();
  const Result<bool> row = query->step();
  if (row.has_error()) return row.error();
  if (!*row) return std::optional<Resumed>{};
  const Failure damaged{
      {.file = database.path()}, "the record is damaged: what it says of its resumption", {}};
  constexpr double century_s = 3155760000;
  for (const int column : {3, 9}) {
    if (!(query->real(column) >= 0 && query->real(column) <= century_s)) return damaged;
  }
  const std::int64_t times = query->integer(1);
  const std::int64_t step = query->integer(2);
  if (times < 1 || times > 1'000'000 || step < 0 || step > 0xFFFF) return damaged;
  Resumed resumed{.run = query->text(0),
                  .times = static_cast<int>(times),
                  .carried = {.charge_in = drivers::ampere_hours(query->real(4)),
                              .charge_out = drivers::ampere_hours(query->real(5)),
                              .uncertain = drivers::ampere_hours(query->real(6)),
                              .energy_in = drivers::watt_hours(query->real(7)),
                              .energy_out = drivers::watt_hours(query->real(8)),
                              .on_time = drivers::seconds(query->real(9)),
                              .step = static_cast<std::uint16_t>(step),
                              .step_time = drivers::seconds(query->real(3))}};
  if (!safety::defect(resumed.carried).empty()) return damaged;
  return std::optional{std::move(resumed)};
}

Result<RecordSummary> summarise(Database& database) {
  RecordSummary summary;
  summary.path = database.path();
  if (auto done = read_run(database, summary.header); done.has_error()) return done.error();
  if (auto done = read_lists(database, summary.header); done.has_error()) return done.error();
  auto resumed = read_resumed(database);
  if (resumed.has_error()) return resumed.error();
  summary.header.resumed = std::move(*resumed);
  auto end = read_end(database);
  if (end.has_error()) return end.error();
  summary.end = *end;
  auto trip = last_words(database, "tripped");
  if (trip.has_error()) return trip.error();
  summary.trip = *trip;
  auto refusal = last_words(database, "refused");
  if (refusal.has_error()) return refusal.error();
  summary.refusal = *refusal;
  return summary;
}

Result<RecordSummary> summarise(const std::string& path) {
  Result<Database> database = open_record(path, Database::Mode::read);
  if (database.has_error()) return database.error();
  return summarise(*database);
}

}  // namespace chargewright::daemon

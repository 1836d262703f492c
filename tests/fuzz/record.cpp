// Records that were damaged, or never were records (S10): each is read or refused in words, a whole
// export is made or none. The first byte says how the file comes about: values changed in a sound
// record, bytes changed in one, or the very bytes of the input.

#include "daemon/record/record.h"

#include <sqlite3.h>

#include <array>
#include <cstring>

#include "daemon/record/database.h"
#include "daemon/record/open_record.h"
#include "tests/fuzz/fuzz.h"
#include "tests/unit/daemon/record_story.h"

namespace chargewright::fuzz {
namespace {

using namespace daemon;

std::string short_run() {
  const std::string runs = folder() + "/sound";
  std::filesystem::create_directory(runs);
  auto writer = RecordWriter::create(runs, story::header());
  CLAIM(writer.has_value());
  RecordWriter& record = **writer;
  CLAIM(record.add(story::output(true, 1)).has_value());
  for (int s = 1; s < 6; ++s) {
    CLAIM(record.add(story::volts(3.5 + 0.1 * s, s)).has_value());
    CLAIM(record.add(story::amperes(2, s + 0.1)).has_value());
    CLAIM(record.add(story::degrees(20 + s, s + 0.2)).has_value());
  }
  CLAIM(record.add(story::step(1), story::at(3)).has_value());
  CLAIM(record.add(story::trip(6)).has_value());
  CLAIM(record.end({.phase = Phase::tripped, .at = story::header().started}).has_value());
  return story::text_of(record.path());
}

// Cells of the record get values that no writer of ours wrote.
void change_values(const std::string& path, Plan& plan) {
  constexpr std::array cells{"reading SET answered",
                             "reading SET asked",
                             "reading SET value",
                             "reading SET measurand",
                             "reading SET validity",
                             "reading SET instrument",
                             "reading SET input",
                             "reading SET at_source",
                             "event SET at",
                             "event SET is_on",
                             "event SET kind",
                             "event SET text",
                             "progress SET at",
                             "progress SET step_in_file",
                             "progress SET cycle",
                             "run SET started_unix_ns",
                             "run SET speed",
                             "run SET bench",
                             "run_end SET phase",
                             "run_end SET at_unix_ns",
                             "run_end SET charge_in_ah",
                             "step SET name",
                             "instrument SET name",
                             "identity SET answer"};
  sqlite3* database = nullptr;
  CLAIM(sqlite3_open(path.c_str(), &database) == SQLITE_OK);
  sqlite3_exec(database, "PRAGMA synchronous=OFF; PRAGMA journal_mode=MEMORY; BEGIN", nullptr,
               nullptr, nullptr);
  while (!plan.is_over()) {
    const std::string sql = std::string("UPDATE ") + cells[plan.up_to(cells.size() - 1)] +
                            " = ? WHERE rowid = " + std::to_string(plan.up_to(20));
    sqlite3_stmt* statement = nullptr;
    CLAIM(sqlite3_prepare_v2(database, sql.c_str(), -1, &statement, nullptr) == SQLITE_OK);
    std::string bytes;
    std::int64_t whole = 0;
    double real = 0;
    switch (plan.up_to(3)) {
      case 0:
        bytes = plan.take(8);
        std::memcpy(&whole, bytes.data(), bytes.size());
        sqlite3_bind_int64(statement, 1, whole);
        break;
      case 1:
        bytes = plan.take(8);
        std::memcpy(&real, bytes.data(), bytes.size());
        sqlite3_bind_double(statement, 1, real);
        break;
      case 2:
        bytes = plan.piece();
        sqlite3_bind_text(statement, 1, bytes.data(), static_cast<int>(bytes.size()),
                          SQLITE_STATIC);
        break;
      default:
        break;  // null
    }
    sqlite3_step(statement);  // constraints may refuse it
    sqlite3_finalize(statement);
  }
  sqlite3_exec(database, "COMMIT", nullptr, nullptr, nullptr);
  sqlite3_close(database);
}

std::string with_changed_bytes(std::string bytes, Plan& plan) {
  while (!plan.is_over()) {
    const std::size_t at = plan.byte() * 256U + plan.byte();
    const std::string_view with = plan.take(plan.up_to(8));
    if (with.empty()) {
      bytes.resize(std::min(bytes.size(), at + 1));
    } else if (at < bytes.size()) {
      bytes.replace(at, with.size(), with);
    }
  }
  return bytes;
}

void claim_whole_or_none(const std::string& record, ExportFormat format, const std::string& to) {
  std::filesystem::remove(to);
  const auto exported = export_record(record, format, to);
  CLAIM(std::filesystem::exists(to) == exported.has_value());
  if (!exported) {
    CLAIM(!exported.error().cause.empty());
    return;
  }
  const std::string text = story::text_of(to);
  CLAIM(text.ends_with('\n'));
  CLAIM(text.find("nan") == std::string::npos || text.find("inf") == std::string::npos);
}

void read(const std::string& path) {
  const auto summary = summarise(path);
  if (!summary) CLAIM(!summary.error().cause.empty());
  std::vector<drivers::Failure> problems;
  const auto list = list_records(folder() + "/runs", problems);
  if (summary) CLAIM(list.size() == 1);
  if (!summary && looks_like_a_record(path)) CLAIM(list.size() + problems.size() >= 1);
  claim_whole_or_none(path, ExportFormat::bdf, folder() + "/export.bdf.csv");
  claim_whole_or_none(path, ExportFormat::csv, folder() + "/export.csv");
  const auto closed = close_interrupted(
      folder() + "/runs", summary ? summary->header.bench : std::string{}, story::header().started);
  if (!closed) return;
  for (const std::string& record : *closed) {
    const auto now = summarise(record);
    CLAIM(now.has_value() && now->end.has_value());
  }
}

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  static const std::string sound = short_run();
  const std::string runs = folder() + "/runs";
  std::filesystem::remove_all(runs);
  std::filesystem::create_directory(runs);
  const std::string path = runs + "/fuzzed.run";
  Plan plan(data, size);
  switch (plan.up_to(2)) {
    case 0:
      write_file(path, sound);
      change_values(path, plan);
      break;
    case 1:
      write_file(path, with_changed_bytes(sound, plan));
      break;
    default:
      write_file(path, plan.take(size));
      break;
  }
  read(path);
  return 0;
}

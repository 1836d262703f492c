#include "daemon/record/record.h"

#include <gtest/gtest.h>
#include <sys/resource.h>
#include <sys/stat.h>

#include <csignal>

#include "daemon/record/database.h"
#include "daemon/record/digest.h"
#include "daemon/record/interrupted.h"
#include "daemon/record/schema.h"
#include "tests/unit/daemon/record_story.h"

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

std::unique_ptr<RecordWriter> create(const story::Folder& folder) {
  return RecordWriter::create(folder.path, story::header()).value();
}

std::int64_t count(const std::string& path, const char* table) {
  Database database = Database::open(path, Database::Mode::read).value();
  return database.integer(std::string("SELECT count(*) FROM ") + table).value();
}

// What a power loss would leave: the files as they are at this moment, opened elsewhere.
std::string copy_of(const std::string& path, const story::Folder& elsewhere) {
  const std::string copy = elsewhere.path + "/copy.run";
  for (const char* suffix : {"", "-wal"}) {
    std::error_code ignored;
    fs::remove(copy + suffix, ignored);
    if (fs::exists(path + suffix)) fs::copy_file(path + suffix, copy + suffix);
  }
  return copy;
}

// FIPS 180-4 test vectors ("abc", and the empty message), as published by NIST.
TEST(Record, states_files_by_their_sha256) {
  EXPECT_EQ(sha256("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_EQ(sha256(""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
}

TEST(Record, is_named_by_start_bench_channel_and_profile_and_never_overwrites) {
  const story::Folder folder;
  const auto first = create(folder);
  const auto second = create(folder);
  const std::string stem = "/20250615T150640Z-hut-bench-left-refill_between_sorties";
  EXPECT_EQ(first->path(), folder.path + stem + ".run");
  EXPECT_EQ(second->path(), folder.path + stem + "-2.run");
}

TEST(Record, cannot_leave_its_folder_by_its_name) {
  const story::Folder folder;
  RecordHeader header = story::header();
  header.bench = "../../etc";
  header.profile = std::string(5000, 'x');
  const auto writer = RecordWriter::create(folder.path, header).value();
  EXPECT_EQ(fs::path(writer->path()).parent_path(), folder.path);
}

TEST(Record, is_readable_by_its_group_and_by_nobody_else) {
  const story::Folder folder;
  const auto writer = create(folder);
  struct stat status {};
  ASSERT_EQ(stat(writer->path().c_str(), &status), 0);
  EXPECT_EQ(status.st_mode & 0777U, 0640U);
}

TEST(Record, is_refused_where_the_folder_does_not_exist) {
  const auto writer = RecordWriter::create("/nonexistent/folder", story::header());
  ASSERT_TRUE(writer.has_error());
  EXPECT_NE(describe(writer.error()).find("cannot create the record"), std::string::npos);
}

TEST(Record, gives_back_its_header_and_its_end) {
  const story::Folder folder;
  const auto writer = create(folder);
  ASSERT_TRUE(writer->add(story::volts(3.7, 1)));
  ASSERT_TRUE(writer->end({.phase = Phase::stopped,
                           .at = story::header().started + std::chrono::seconds(9),
                           .charge_in_ah = 1.5,
                           .on_time_s = 8}));
  const RecordSummary summary = summarise(writer->path()).value();
  EXPECT_EQ(summary.header.bench, "hut-bench");
  EXPECT_EQ(summary.header.profile, "refill between sorties");
  EXPECT_EQ(summary.header.started, story::header().started);
  EXPECT_EQ(summary.header.steps, story::header().steps);
  EXPECT_EQ(summary.header.instruments, story::header().instruments);
  EXPECT_EQ(summary.header.identities, story::header().identities);
  ASSERT_TRUE(summary.end);
  EXPECT_EQ(summary.end->phase, Phase::stopped);
  EXPECT_EQ(summary.end->charge_in_ah, 1.5);
  EXPECT_EQ(summary.end->at, story::header().started + std::chrono::seconds(9));
}

TEST(Record, keeps_the_exact_bytes_of_what_was_run) {
  const story::Folder folder;
  const auto writer = create(folder);
  Database database = Database::open(writer->path(), Database::Mode::read).value();
  Statement file = database.prepare("SELECT role, name, sha256, text FROM file").value();
  ASSERT_TRUE(file.step().value());
  EXPECT_EQ(file.text(3), story::header().files[0].text);
  EXPECT_EQ(file.text(2), sha256(story::header().files[0].text));
}

TEST(Record, names_the_origin_of_a_limit_and_none_where_there_is_none) {
  const story::Folder folder;
  const auto writer = create(folder);
  safety::Event tripped = story::trip(1);
  tripped.fault.cause = safety::Cause::temperature_high;
  tripped.fault.origin = static_cast<std::uint8_t>(safety::Origin::policy);
  ASSERT_TRUE(writer->add(tripped));
  tripped.fault.cause = safety::Cause::operator_cut;
  ASSERT_TRUE(writer->add(tripped));
  Database database = Database::open(writer->path(), Database::Mode::read).value();
  Statement rows = database.prepare("SELECT origin FROM event ORDER BY id").value();
  ASSERT_TRUE(rows.step().value());
  EXPECT_EQ(rows.text(0), "policy");
  ASSERT_TRUE(rows.step().value());
  EXPECT_EQ(rows.text(0), "");
}

TEST(Record, is_one_file_when_it_has_ended) {
  const story::Folder folder;
  const auto writer = create(folder);
  ASSERT_TRUE(writer->add(story::volts(3.7, 1)));
  ASSERT_TRUE(writer->end({}));
  EXPECT_EQ(std::distance(fs::directory_iterator(folder.path), {}), 1);
}

TEST(Record, takes_nothing_after_its_end) {
  const story::Folder folder;
  const auto writer = create(folder);
  ASSERT_TRUE(writer->end({}));
  EXPECT_TRUE(writer->add(story::volts(3.7, 1)).has_error());
  EXPECT_EQ(count(writer->path(), "reading"), 0);
}

// S10: at most one second may be lost.
TEST(Record, holds_readings_within_600_ms_of_their_being_taken) {
  const story::Folder folder;
  const story::Folder elsewhere;
  const auto writer = create(folder);
  const steady_clock::time_point start{};
  ASSERT_TRUE(writer->add(story::volts(3.7, 0)));
  ASSERT_TRUE(writer->turn(start));
  EXPECT_EQ(count(copy_of(writer->path(), elsewhere), "reading"), 0);
  ASSERT_TRUE(writer->turn(start + milliseconds(499)));
  EXPECT_EQ(count(copy_of(writer->path(), elsewhere), "reading"), 0);
  ASSERT_TRUE(writer->turn(start + milliseconds(500)));
  EXPECT_EQ(count(copy_of(writer->path(), elsewhere), "reading"), 1);
}

// S10.
TEST(Record, holds_a_trip_at_once_with_all_that_went_before_it) {
  const story::Folder folder;
  const story::Folder elsewhere;
  const auto writer = create(folder);
  ASSERT_TRUE(writer->add(story::volts(4.26, 1)));
  ASSERT_TRUE(writer->add(story::trip(1)));
  const std::string copy = copy_of(writer->path(), elsewhere);
  EXPECT_EQ(count(copy, "reading"), 1);
  const RecordSummary summary = summarise(copy).value();
  EXPECT_FALSE(summary.end);
  EXPECT_NE(summary.trip.find("4.26"), std::string::npos) << summary.trip;
}

// S10: the files are taken away at every moment of a run, and always open as a sound record that
// holds every committed reading and no half of a transaction.
TEST(Record, survives_being_killed_at_any_moment) {
  const story::Folder folder;
  const story::Folder elsewhere;
  const auto writer = create(folder);
  steady_clock::time_point now{};
  std::int64_t added = 0;
  std::int64_t committed = 0;
  for (int i = 0; i < 300; ++i) {
    ASSERT_TRUE(writer->add(story::volts(3.7 + i * 0.001, i)));
    ++added;
    if (i % 7 == 0) {
      ASSERT_TRUE(writer->commit());
      committed = added;
    }
    const std::string copy = copy_of(writer->path(), elsewhere);
    Database database = Database::open(copy, Database::Mode::write).value();
    ASSERT_TRUE(database.check()) << i;
    ASSERT_EQ(database.integer("SELECT count(*) FROM reading").value(), committed);
  }
}

// S10: torn in the middle of a write, the log is cut back to the last whole transaction.
TEST(Record, survives_a_write_that_was_torn) {
  const story::Folder folder;
  const story::Folder elsewhere;
  const auto writer = create(folder);
  for (int i = 0; i < 50; ++i) {
    ASSERT_TRUE(writer->add(story::volts(3.7, i)));
    ASSERT_TRUE(writer->commit());
  }
  const auto whole = fs::file_size(writer->path() + "-wal");
  std::int64_t last = 0;
  for (std::uintmax_t size = 0; size <= whole; size += 997) {
    const std::string copy = copy_of(writer->path(), elsewhere);
    fs::resize_file(copy + "-wal", size);
    const auto database = Database::open(copy, Database::Mode::write);
    ASSERT_TRUE(database);
    Database opened = Database::open(copy, Database::Mode::write).value();
    ASSERT_TRUE(opened.check()) << size;
    const auto tables = opened.integer("SELECT count(*) FROM sqlite_master").value();
    const auto readings = tables == 0 ? 0 : opened.integer("SELECT count(*) FROM reading").value();
    ASSERT_GE(readings, last);
    last = readings;
  }
  EXPECT_GE(last, 49);
}

TEST(Record, says_so_when_the_disk_is_full_and_stays_failed) {
  const story::Folder folder;
  const auto writer = create(folder);
  const auto size = fs::file_size(writer->path() + "-wal");
  rlimit before{};
  getrlimit(RLIMIT_FSIZE, &before);
  auto* const handler = std::signal(SIGXFSZ, SIG_IGN);
  rlimit tight = before;
  tight.rlim_cur = size + 20'000;
  setrlimit(RLIMIT_FSIZE, &tight);
  drivers::Result<void> written;
  int added = 0;
  for (; added < 10'000 && !written.has_error(); ++added) {
    written = writer->add(story::volts(3.7, added));
    if (!written.has_error()) written = writer->commit();
  }
  setrlimit(RLIMIT_FSIZE, &before);
  std::signal(SIGXFSZ, handler);
  ASSERT_TRUE(written.has_error());
  // Room again does not make the record whole again.
  EXPECT_TRUE(writer->add(story::volts(3.7, 1)).has_error());
  EXPECT_TRUE(writer->commit().has_error());
  // What was committed is still there.
  EXPECT_EQ(count(writer->path(), "reading"), added - 1);
}

TEST(Record, can_be_read_while_it_is_written) {
  const story::Folder folder;
  const auto writer = create(folder);
  ASSERT_TRUE(writer->add(story::volts(3.7, 1)));
  ASSERT_TRUE(writer->commit());
  Database reader = Database::open(writer->path(), Database::Mode::read).value();
  Statement rows = reader.prepare("SELECT id FROM reading").value();
  ASSERT_TRUE(rows.step().value());  // the reader is in the middle of it
  EXPECT_TRUE(writer->add(story::volts(3.8, 2)));
  EXPECT_TRUE(writer->commit());
  EXPECT_TRUE(writer->end({}));
  EXPECT_EQ(summarise(writer->path()).value().end->phase, Phase::done);
}

std::string file_of(const story::Folder& folder, const std::string& text) {
  const std::string path = folder.path + "/other.run";
  std::ofstream(path, std::ios::binary) << text;
  return path;
}

TEST(Record, says_plainly_that_a_file_is_none) {
  const story::Folder folder;
  for (const std::string& text : {std::string{}, std::string("time,voltage\n1,2\n"),
                                  std::string(5000, '\0'), std::string("SQLite format 3\0", 16)}) {
    const auto summary = summarise(file_of(folder, text));
    ASSERT_TRUE(summary.has_error());
    EXPECT_NE(describe(summary.error()).find("not a record"), std::string::npos)
        << describe(summary.error());
  }
  EXPECT_TRUE(summarise(folder.path).has_error());
  EXPECT_NE(describe(summarise(folder.path + "/none.run").error()).find("No such file"),
            std::string::npos);
}

TEST(Record, says_that_another_database_is_no_record) {
  const story::Folder folder;
  const std::string path = file_of(folder, "");
  Database database = Database::open(path, Database::Mode::write).value();
  ASSERT_TRUE(database.execute("CREATE TABLE run (a)"));
  EXPECT_NE(describe(summarise(path).error()).find("not a record"), std::string::npos);
}

TEST(Record, says_that_it_is_of_a_newer_version) {
  const story::Folder folder;
  const auto writer = create(folder);
  ASSERT_TRUE(writer->end({}));
  Database database = Database::open(writer->path(), Database::Mode::write).value();
  ASSERT_TRUE(database.execute("PRAGMA user_version = 3"));
  EXPECT_NE(describe(summarise(writer->path()).error()).find("newer"), std::string::npos);
}

TEST(Record, carries_the_marks_that_its_schema_states) {
  const story::Folder folder;
  const auto writer = create(folder);
  Database database = Database::open(writer->path(), Database::Mode::read).value();
  EXPECT_EQ(database.integer("PRAGMA application_id").value(), record_application_id);
  EXPECT_EQ(database.integer("PRAGMA user_version").value(), record_version);
}

TEST(Record, is_not_exported_when_damaged) {
  const story::Folder folder;
  const auto writer = create(folder);
  for (int i = 0; i < 2000; ++i) ASSERT_TRUE(writer->add(story::volts(3.7, i)));
  ASSERT_TRUE(writer->end({}));
  std::fstream file(writer->path(), std::ios::in | std::ios::out | std::ios::binary);
  file.seekp(static_cast<std::streamoff>(fs::file_size(writer->path()) / 2));
  file << std::string(9000, '\xA5');
  file.close();
  const std::string to = folder.path + "/out.csv";
  const auto exported = export_record(writer->path(), ExportFormat::csv, to);
  ASSERT_TRUE(exported.has_error());
  EXPECT_FALSE(fs::exists(to));
}

TEST(Records, are_listed_newest_first_and_broken_ones_reported) {
  const story::Folder folder;
  RecordHeader header = story::header();
  auto older = RecordWriter::create(folder.path, header).value();
  header.started += std::chrono::hours(1);
  auto newer = RecordWriter::create(folder.path, header).value();
  header.started += std::chrono::hours(1);
  const auto broken = RecordWriter::create(folder.path, header).value();
  ASSERT_TRUE(broken->end({}));
  fs::resize_file(broken->path(), 5000);
  std::ofstream(folder.path + "/notes.txt") << "not a record";
  std::ofstream(folder.path + "/notes.run") << "not a record either";
  std::vector<drivers::Failure> problems;
  const auto records = list_records(folder.path, problems);
  ASSERT_EQ(records.size(), 2U);
  EXPECT_EQ(records[0].path, newer->path());
  EXPECT_EQ(records[1].path, older->path());
  ASSERT_EQ(problems.size(), 1U);
  EXPECT_EQ(problems[0].place.file, broken->path());
}

// The tally of an interrupted run is worked out from its readings: 2 A for 10 s.
TEST(Records, left_open_are_closed_as_interrupted_by_the_next_life) {
  const story::Folder folder;
  auto writer = create(folder);
  const std::string path = writer->path();
  ASSERT_TRUE(writer->add(story::output(true, 0)));
  for (int i = 0; i <= 10; ++i) {
    ASSERT_TRUE(writer->add(story::volts(4.0, i)));
    ASSERT_TRUE(writer->add(story::amperes(2.0, i)));
  }
  ASSERT_TRUE(writer->commit());
  const story::Folder next;
  const std::string copy = copy_of(path, next);
  const WallTime now{std::chrono::seconds(1'750'009'999)};
  EXPECT_EQ(close_interrupted(next.path, "hut-bench", now).value(), std::vector<std::string>{copy});
  const RecordSummary summary = summarise(copy).value();
  ASSERT_TRUE(summary.end);
  EXPECT_EQ(summary.end->phase, Phase::interrupted);
  EXPECT_EQ(summary.end->at, now);
  EXPECT_NEAR(summary.end->charge_in_ah, 20.0 / 3600, 1e-12);
  EXPECT_NEAR(summary.end->energy_in_wh, 80.0 / 3600, 1e-12);
  EXPECT_NEAR(summary.end->on_time_s, 10, 1e-9);
  EXPECT_TRUE(close_interrupted(next.path, "hut-bench", now).value().empty());
}

// The folder may be shared, and another bench's run go on.
TEST(Records, of_another_bench_are_left_alone) {  // S10
  const story::Folder folder;
  auto writer = create(folder);
  ASSERT_TRUE(writer->add(story::volts(4.0, 0)));
  ASSERT_TRUE(writer->commit());
  EXPECT_TRUE(close_interrupted(folder.path, "valley-bench", WallTime{}).value().empty());
  ASSERT_TRUE(writer->end({.phase = Phase::done}));
  EXPECT_EQ(summarise(writer->path()).value().end->phase, Phase::done);
}

Resumed some_resumption() {
  return {.run = "20250615T150640Z-hut-bench-left-refill",
          .times = 2,
          .carried = {.charge_in = drivers::ampere_hours(1.5),
                      .charge_out = drivers::ampere_hours(0.01),
                      .uncertain = drivers::ampere_hours(0.25),
                      .energy_in = drivers::watt_hours(6),
                      .energy_out = drivers::watt_hours(0.04),
                      .on_time = std::chrono::minutes(30),
                      .step = 1,
                      .step_time = std::chrono::minutes(4)}};
}

TEST(Record, says_which_interrupted_run_it_goes_on_with) {  // S9
  const story::Folder folder;
  RecordHeader header = story::header();
  header.resumed = some_resumption();
  const auto writer = RecordWriter::create(folder.path, header).value();
  ASSERT_TRUE(writer->end({}));
  const auto resumed = summarise(writer->path()).value().header.resumed;
  ASSERT_TRUE(resumed);
  EXPECT_EQ(resumed->run, header.resumed->run);
  EXPECT_EQ(resumed->times, 2);
  EXPECT_NEAR(drivers::in_ampere_hours(resumed->carried.charge_in), 1.5, 1e-12);
  EXPECT_NEAR(drivers::in_ampere_hours(resumed->carried.charge_out), 0.01, 1e-12);
  EXPECT_NEAR(drivers::in_ampere_hours(resumed->carried.uncertain), 0.25, 1e-12);
  EXPECT_NEAR(drivers::in_watt_hours(resumed->carried.energy_in), 6, 1e-12);
  EXPECT_NEAR(drivers::in_watt_hours(resumed->carried.energy_out), 0.04, 1e-12);
  EXPECT_EQ(resumed->carried.on_time, std::chrono::minutes(30));
  EXPECT_EQ(resumed->carried.step, 1);
  EXPECT_EQ(resumed->carried.step_time, std::chrono::minutes(4));
  EXPECT_FALSE(summarise(create(folder)->path()).value().header.resumed);
}

TEST(Record, of_the_first_version_opens_and_resumes_nothing) {
  const story::Folder folder;
  const auto writer = create(folder);
  ASSERT_TRUE(writer->add(story::volts(3.7, 1)));
  ASSERT_TRUE(writer->end({.phase = Phase::done, .charge_in_ah = 1}));
  Database database = Database::open(writer->path(), Database::Mode::write).value();
  ASSERT_TRUE(database.execute("DROP TABLE resumption; PRAGMA user_version = 1"));
  const RecordSummary summary = summarise(writer->path()).value();
  EXPECT_EQ(summary.end->charge_in_ah, 1);
  EXPECT_FALSE(summary.header.resumed);
  EXPECT_TRUE(export_record(writer->path(), ExportFormat::bdf, folder.path + "/out.csv"));
}

TEST(Record, with_an_impossible_resumption_is_damaged) {  // S9
  for (const char* slip : {"charge_in_ah = -1", "on_time_s = 1e300", "step = -1", "step = 70000",
                           "times = 0", "step_time_s = -1"}) {
    const story::Folder folder;
    RecordHeader header = story::header();
    header.resumed = some_resumption();
    const auto writer = RecordWriter::create(folder.path, header).value();
    ASSERT_TRUE(writer->end({}));
    Database database = Database::open(writer->path(), Database::Mode::write).value();
    ASSERT_TRUE(database.execute((std::string("UPDATE resumption SET ") + slip).c_str()));
    EXPECT_TRUE(summarise(writer->path()).has_error()) << slip;
  }
}

// 2 A for 10 s, after 1.5 Ah; at rest it stood at 3.5 V, and at 3.9 V in the end.
struct Interrupted {
  story::Folder folder;
  std::string path;
  explicit Interrupted(bool resumed = true) {
    RecordHeader header = story::header();
    if (resumed) header.resumed = some_resumption();
    auto writer = RecordWriter::create(folder.path, header).value();
    path = writer->path();
    EXPECT_TRUE(writer->add(Progress{}, story::at(0)));
    EXPECT_TRUE(writer->add(story::volts(3.4, 0.5)));
    EXPECT_TRUE(writer->add(story::volts(3.5, 1)));
    EXPECT_TRUE(writer->add(story::step(1), story::at(1.5)));
    EXPECT_TRUE(writer->add(story::output(true, 2)));
    for (int i = 2; i <= 12; ++i) {
      EXPECT_TRUE(writer->add(story::volts(3.9, i)));
      EXPECT_TRUE(writer->add(story::amperes(2.0, i)));
    }
    EXPECT_TRUE(writer->commit());
  }
  [[nodiscard]] InterruptedRun read() const {
    EXPECT_TRUE(close_interrupted(folder.path, "hut-bench", WallTime{}));
    return read_interrupted(path).value();
  }
};

TEST(AnInterruptedRecord, says_where_the_run_stood) {  // S9
  const InterruptedRun run = Interrupted{}.read();
  EXPECT_EQ(run.ended, Phase::interrupted);
  EXPECT_EQ(run.phase, Phase::running);
  EXPECT_FALSE(run.cut_began);
  EXPECT_EQ(run.length, std::chrono::seconds(12));
  EXPECT_EQ(run.voltage_before, 3.5);
  EXPECT_EQ(run.voltage_last, 3.9);
  EXPECT_EQ(run.current_most, 2.0);
  EXPECT_NEAR(drivers::in_ampere_hours(run.carried.charge_in), 1.5 + 20.0 / 3600, 1e-9);
  EXPECT_NEAR(drivers::in_watt_hours(run.carried.energy_in), 6 + 78.0 / 3600, 1e-9);
  EXPECT_NEAR(drivers::in_ampere_hours(run.carried.uncertain), 0.25, 1e-12);
  EXPECT_EQ(run.carried.on_time, std::chrono::minutes(30) + std::chrono::seconds(10));
  EXPECT_EQ(run.carried.step, 1);
  EXPECT_NEAR(drivers::in_seconds(run.carried.step_time), 240 + 10.5, 1e-9);
  ASSERT_EQ(run.header.files.size(), 1U);
  EXPECT_EQ(run.header.files[0].text, "cell: hut-radio-24\n");
}

TEST(AnInterruptedRecord, of_a_run_from_its_beginning_counts_from_nothing) {  // S9
  const InterruptedRun run = Interrupted{false}.read();
  EXPECT_NEAR(drivers::in_ampere_hours(run.carried.charge_in), 20.0 / 3600, 1e-9);
  EXPECT_NEAR(drivers::in_seconds(run.carried.step_time), 10.5, 1e-9);
}

safety::Event link_lost(double s) {
  safety::Event event;
  event.kind = safety::Event::Kind::link_changed;
  event.at = story::at(s);
  return event;
}

// Of a bench that is read once a minute: its last reading may be long before its last word.
TEST(AnInterruptedRecord, counts_its_time_to_the_last_thing_in_it) {  // S9
  const story::Folder folder;
  const auto ended_by = [&](const std::vector<safety::Event>& last) {
    auto writer = create(folder);
    EXPECT_TRUE(writer->add(story::step(0), story::at(0)));
    EXPECT_TRUE(writer->add(story::output(true, 2)));
    EXPECT_TRUE(writer->add(story::volts(3.9, 10)));
    EXPECT_TRUE(writer->add(story::amperes(2.0, 10)));
    EXPECT_TRUE(writer->add(story::volts(3.9, 15)));
    for (const safety::Event& event : last) EXPECT_TRUE(writer->add(event));
    EXPECT_TRUE(writer->commit());
    return read_interrupted(writer->path()).value();
  };
  InterruptedRun run = ended_by({link_lost(55)});
  EXPECT_EQ(run.length, std::chrono::seconds(55));
  EXPECT_EQ(run.carried.on_time, std::chrono::seconds(53));
  EXPECT_EQ(run.unread, std::chrono::seconds(45));
  run = ended_by({story::output(false, 40), link_lost(55)});
  EXPECT_EQ(run.carried.on_time, std::chrono::seconds(38));
  EXPECT_EQ(run.unread, drivers::Duration::zero());
  EXPECT_NEAR(run.carried.charge_in.value(), 2.0 * 38, 1e-9);  // the last reading held to there
  run = ended_by({story::output(false, 40), story::output(true, 50), link_lost(55)});
  EXPECT_EQ(run.carried.on_time, std::chrono::seconds(43));
  EXPECT_EQ(run.unread, std::chrono::seconds(5));
}

TEST(AnInterruptedRecord, is_closed_with_the_totals_of_the_whole_run) {  // S9 S10
  const Interrupted interrupted;
  ASSERT_TRUE(close_interrupted(interrupted.folder.path, "hut-bench", WallTime{}));
  const auto end = summarise(interrupted.path).value().end;
  ASSERT_TRUE(end);
  EXPECT_NEAR(end->charge_in_ah, 1.5 + 20.0 / 3600, 1e-9);
  EXPECT_NEAR(end->on_time_s, 1810, 1e-6);
}

TEST(AnInterruptedRecord, tells_of_a_cut_that_had_begun) {  // S9
  const story::Folder folder;
  auto writer = create(folder);
  ASSERT_TRUE(writer->add(story::step(0), story::at(0)));
  safety::Event cause = story::trip(3);
  cause.kind = safety::Event::Kind::cause_present;
  ASSERT_TRUE(writer->add(cause));
  ASSERT_TRUE(writer->commit());
  EXPECT_TRUE(read_interrupted(writer->path()).value().cut_began);
}

TEST(AnInterruptedRecord, whose_files_are_not_what_their_digests_say_is_no_use) {  // S9
  const Interrupted interrupted;
  Database database = Database::open(interrupted.path, Database::Mode::write).value();
  ASSERT_TRUE(database.execute("UPDATE file SET text = 'cell: another'"));
  const auto run = read_interrupted(interrupted.path);
  ASSERT_TRUE(run.has_error());
  EXPECT_NE(describe(run.error()).find("digest"), std::string::npos);
}

}  // namespace
}  // namespace chargewright::daemon

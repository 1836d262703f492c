#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <clocale>

#include "daemon/record/database.h"
#include "daemon/record/record.h"
#include "tests/unit/daemon/record_story.h"

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;

// Two seconds of charging at 2 A, a lost current reading, and a second step.
std::string recorded(const story::Folder& folder) {
  const auto writer = RecordWriter::create(folder.path, story::header()).value();
  const auto add = [&](const auto&... what) { EXPECT_TRUE(writer->add(what...)); };
  add(story::step(0), story::at(0));
  add(story::output(true, 0));
  add(story::degrees(20.5, 0.1));
  add(story::volts(3.6, 0.5));
  add(story::amperes(2, 1));
  add(story::volts(3.6, 1));
  add(story::reading(drivers::Measurand::voltage, 3.75, 1, 0, true));  // at the source
  add(story::amperes(2, 2));
  add(story::volts(3.7, 2));
  add(story::volts(3.71, 3));
  add(story::step(1, 2), story::at(3.5));
  safety::Event lost = story::amperes(0, 4);
  lost.reading.validity = drivers::Validity::not_a_number;
  add(lost);
  add(story::volts(3.72, 4));
  EXPECT_TRUE(writer->end({}));
  return writer->path();
}

// Open Battery Data Format, preferred labels. 2 A for 1 s is 0.000555... Ah: the first second is
// held back to the moment when the output went on. The energy is that times 3.6 V, known at both
// moments.
TEST(Export, writes_the_open_battery_data_format) {
  const story::Folder folder;
  const std::string to = folder.path + "/run.bdf.csv";
  const auto exported = export_record(recorded(folder), ExportFormat::bdf, to);
  ASSERT_TRUE(exported) << describe(exported.error());
  EXPECT_EQ(story::text_of(to),
            "Test Time / s,Voltage / V,Current / A,Unix Time / s,Cycle Count / 1,Step Count / 1,"
            "Surface Temperature T1 / degC,Charging Capacity / Ah,Discharging Capacity / Ah,"
            "Charging Energy / Wh,Discharging Energy / Wh\n"
            "0.5,3.6,,1750000000.5,1,1,20.5,0,0,0,0\n"
            "1,3.6,2,1750000001,1,1,20.5,0.0005555555555555556,0,0.002,0\n"
            "2,3.7,2,1750000002,1,1,20.5,0.0011111111111111111,0,0.004,0\n"
            "3,3.71,2,1750000003,1,1,,0.0011111111111111111,0,0.004,0\n"
            "4,3.72,,1750000004,3,2,,0.0011111111111111111,0,0.004,0\n");
}

TEST(Export, begins_with_the_run_and_not_with_the_watch_before_it) {
  const story::Folder folder;
  const auto writer = RecordWriter::create(folder.path, story::header()).value();
  ASSERT_TRUE(writer->add(story::volts(3.5, -0.05)));  // answered before, taken in after
  ASSERT_TRUE(writer->add(story::volts(3.6, 0)));
  ASSERT_TRUE(writer->commit());
  const std::string to = folder.path + "/run.csv";
  ASSERT_TRUE(export_record(writer->path(), ExportFormat::bdf, to));
  EXPECT_EQ(story::text_of(to).find("-0.05"), std::string::npos);
  EXPECT_NE(story::text_of(to).find("\n0,3.6,"), std::string::npos);
}

TEST(Export, leaves_nothing_behind_where_it_cannot_be_put_in_its_place) {
  const story::Folder folder;
  const std::string record = recorded(folder);
  const std::string to = folder.path + "/taken";
  fs::create_directories(to + "/by a folder");
  EXPECT_FALSE(export_record(record, ExportFormat::csv, to));
  std::size_t entries = 0;
  for ([[maybe_unused]] const auto& entry : fs::directory_iterator(folder.path)) ++entries;
  EXPECT_EQ(entries, 2U);  // the record and the folder
}

// Damage that a database does not know of: values that no writer of ours wrote.
TEST(Export, of_a_record_with_impossible_times_is_refused_and_leaves_no_file) {  // S10
  for (const char* damage :
       {"UPDATE run SET speed = 0", "UPDATE run SET speed = 'fast'", "UPDATE run SET speed = -2",
        "UPDATE reading SET answered = 9223372036854775807 WHERE id = 2",
        "UPDATE reading SET asked = -9223372036854775807 WHERE id = 2",
        "UPDATE reading SET answered = 'soon' WHERE id = 3", "UPDATE event SET at = 4e18",
        "UPDATE progress SET at = -9000000000000000000"}) {
    const story::Folder folder;
    const std::string record = recorded(folder);
    ASSERT_TRUE(Database::open(record, Database::Mode::write)->execute(damage)) << damage;
    for (const ExportFormat format : {ExportFormat::bdf, ExportFormat::csv}) {
      const auto exported = export_record(record, format, folder.path + "/to.csv");
      ASSERT_FALSE(exported) << damage;
      EXPECT_THAT(describe(exported.error()), testing::HasSubstr("damaged")) << damage;
      EXPECT_FALSE(fs::exists(folder.path + "/to.csv")) << damage;
    }
  }
}

// What a meter shows of its own with the output off is no charge, over however many hours of rest.
TEST(Export, integrates_no_offset_of_a_meter_while_the_output_is_off) {
  const story::Folder folder;
  const auto writer = RecordWriter::create(folder.path, story::header()).value();
  for (int i = 0; i < 100; ++i) {
    ASSERT_TRUE(writer->add(story::volts(4.0, i)));
    ASSERT_TRUE(writer->add(story::amperes(0.015, i)));
  }
  ASSERT_TRUE(writer->add(story::volts(4.0, 100)));
  ASSERT_TRUE(writer->commit());
  const std::string to = folder.path + "/run.csv";
  ASSERT_TRUE(export_record(writer->path(), ExportFormat::bdf, to));
  EXPECT_NE(story::text_of(to).find("\n100,4,0.015,1750000100,1,1,0,0,0,0\n"), std::string::npos);
}

// By the channel as the record's own bench file describes it: what it takes for no current, and how
// far apart its readings may be.
TEST(Export, counts_charge_as_the_channel_that_was_recorded_did) {
  const std::string bench =
      "bench: hut-bench\n"
      "instruments:\n"
      "  supply:\n"
      "    link: tcp://127.0.0.1:1\n"
      "    dialect: s\n"
      "    ratings: {voltage: 20 V, current: 20 A}\n"
      "channels:\n"
      "  left:\n"
      "    source: supply\n"
      "    wiring: {resistance: 10 mohm}\n"
      "    off-current: 200 mA\n"
      "    every: 60 s\n";
  RecordHeader header = story::header();
  header.files.push_back({"bench", "hut-bench.yaml", bench});
  const story::Folder folder;
  const auto writer = RecordWriter::create(folder.path, header).value();
  ASSERT_TRUE(writer->add(story::volts(4.0, 0)));
  for (int s = 0; s <= 610; s += 61) ASSERT_TRUE(writer->add(story::amperes(0.15, s)));
  ASSERT_TRUE(writer->add(story::output(true, 620)));
  for (int s = 681; s <= 803; s += 61) ASSERT_TRUE(writer->add(story::amperes(2, s)));
  ASSERT_TRUE(writer->add(story::volts(4.0, 803)));
  ASSERT_TRUE(writer->commit());
  const std::string to = folder.path + "/run.csv";
  ASSERT_TRUE(export_record(writer->path(), ExportFormat::bdf, to));
  // 2 A from 620 s to 803 s: 366 C.
  EXPECT_NE(story::text_of(to).find(",0.10166666666666667,0,"), std::string::npos)
      << story::text_of(to);
}

// A slow link: what was measured before the output went off is answered after it, and what flows
// before the output is proved on. No charge is laid over the rest between the two.
TEST(Export, holds_no_last_sample_through_a_rest) {
  const story::Folder folder;
  const auto writer = RecordWriter::create(folder.path, story::header()).value();
  ASSERT_TRUE(writer->add(story::volts(4.0, 0)));
  ASSERT_TRUE(writer->add(story::output(true, 0)));
  ASSERT_TRUE(writer->add(story::amperes(2, 8)));
  ASSERT_TRUE(writer->add(story::output(false, 9)));
  ASSERT_TRUE(writer->add(story::amperes(2, 10)));
  for (int s = 11; s <= 59; ++s) ASSERT_TRUE(writer->add(story::amperes(0.001, s)));
  ASSERT_TRUE(writer->add(story::amperes(2, 60)));
  ASSERT_TRUE(writer->add(story::volts(4.0, 60)));
  ASSERT_TRUE(writer->commit());
  const std::string to = folder.path + "/run.csv";
  ASSERT_TRUE(export_record(writer->path(), ExportFormat::bdf, to));
  // 2 A for 9 s, and half of that for a second behind it and for one before the end: 20 C.
  EXPECT_NE(story::text_of(to).find(",0.005555555555555556,0,"), std::string::npos)
      << story::text_of(to);
}

// Not laid across a new setpoint: 2 A up to it, 4 A from it on, however late the next reading is.
TEST(Export, takes_a_new_setpoint_as_a_step_of_the_current) {
  const story::Folder folder;
  const auto writer = RecordWriter::create(folder.path, story::header()).value();
  safety::Event set;
  set.kind = safety::Event::Kind::setpoints_set;
  set.at = story::at(3);
  set.on = true;
  ASSERT_TRUE(writer->add(story::output(true, 0)));
  ASSERT_TRUE(writer->add(story::volts(4.0, 1)));
  ASSERT_TRUE(writer->add(story::amperes(2, 2)));
  ASSERT_TRUE(writer->add(set));
  ASSERT_TRUE(writer->add(story::amperes(4, 6)));
  ASSERT_TRUE(writer->add(story::volts(4.0, 6)));
  ASSERT_TRUE(writer->commit());
  const std::string to = folder.path + "/run.csv";
  ASSERT_TRUE(export_record(writer->path(), ExportFormat::bdf, to));
  // 2 A for 3 s and 4 A for 3 s: 18 C.
  EXPECT_NE(story::text_of(to).find("\n6,4,4,1750000006,1,1,0.005,0,0.02,0\n"), std::string::npos)
      << story::text_of(to);
}

TEST(Export, writes_every_reading_as_plain_csv) {
  const story::Folder folder;
  const std::string to = folder.path + "/run.csv";
  ASSERT_TRUE(export_record(recorded(folder), ExportFormat::csv, to));
  const std::string text = story::text_of(to);
  EXPECT_EQ(text.substr(0, text.find('\n')),
            "time_s,unix_time_s,asked_s,quantity,unit,value,validity,instrument,input,terminals,"
            "step");
  EXPECT_NE(text.find("\n0.1,1750000000.1,0.09,temperature,degC,20.5,valid,"
                      "\"probe, \"\"inner\"\"\",0,cell,1\n"),
            std::string::npos)
      << text;
  EXPECT_NE(text.find("\n1,1750000001,0.99,voltage,V,3.75,valid,supply,0,source,1\n"),
            std::string::npos);
  EXPECT_NE(text.find("\n4,1750000004,3.99,current,A,,not-a-number,supply,0,cell,2\n"),
            std::string::npos);
}

TEST(Export, writes_points_as_decimal_marks_whatever_the_locale) {
  const story::Folder folder;
  const std::string record = recorded(folder);
  const std::string to = folder.path + "/run.csv";
  for (const char* name : {"de_DE.UTF-8", "fr_FR.UTF-8", "C"}) {
    if (std::setlocale(LC_ALL, name) == nullptr) continue;
    ASSERT_TRUE(export_record(record, ExportFormat::bdf, to));
    std::setlocale(LC_ALL, "C");
    EXPECT_NE(story::text_of(to).find("\n1,3.6,2,"), std::string::npos);
  }
}

TEST(Export, leaves_the_old_file_where_it_cannot_write_the_new_one) {
  const story::Folder folder;
  const std::string record = recorded(folder);
  EXPECT_TRUE(export_record(record, ExportFormat::bdf, folder.path + "/none/run.csv").has_error());
  const std::string to = folder.path + "/run.csv";
  std::ofstream(to) << "old";
  std::ofstream(folder.path + "/bad.run") << "no record";
  EXPECT_TRUE(export_record(folder.path + "/bad.run", ExportFormat::bdf, to).has_error());
  EXPECT_EQ(story::text_of(to), "old");
  ASSERT_TRUE(export_record(record, ExportFormat::bdf, to));
  EXPECT_NE(story::text_of(to), "old");
  EXPECT_EQ(std::distance(fs::directory_iterator(folder.path), {}), 3);  // nothing temporary
}

TEST(Export, of_a_run_without_readings_has_only_its_heading) {
  const story::Folder folder;
  const auto writer = RecordWriter::create(folder.path, story::header()).value();
  const std::string to = folder.path + "/run.csv";
  ASSERT_TRUE(export_record(writer->path(), ExportFormat::bdf, to));
  const std::string text = story::text_of(to);
  EXPECT_EQ(std::count(text.begin(), text.end(), '\n'), 1);
}

}  // namespace
}  // namespace chargewright::daemon

#include "daemon/record/recorder.h"

#include <gtest/gtest.h>
#include <sys/resource.h>

#include <csignal>
#include <future>

#include "tests/unit/daemon/record_story.h"

namespace chargewright::daemon {
namespace {

TEST(Recorder, writes_events_and_steps_of_each_channel_into_its_own_record) {
  const story::Folder folder;
  Recorder recorder(folder.path, nullptr);
  RecordHeader header = story::header();
  const std::string left = recorder.begin(0, header).value();
  header.channel = "right";
  const std::string right = recorder.begin(1, header).value();
  for (int i = 0; i < 1000; ++i) {
    safety::Event event = story::volts(3.7, i);
    event.channel = i % 4 == 0 ? 1 : 0;
    ASSERT_TRUE(recorder.offer(event));
  }
  ASSERT_TRUE(recorder.offer(story::step(0), story::at(0)));
  ASSERT_TRUE(recorder.end(0, {.phase = Phase::done}));
  ASSERT_TRUE(recorder.end(1, {.phase = Phase::stopped}));
  while (recorder.is_open(0) || recorder.is_open(1)) std::this_thread::yield();
  EXPECT_EQ(summarise(left).value().end->phase, Phase::done);
  EXPECT_EQ(summarise(right).value().end->phase, Phase::stopped);
  const auto rows = [&](const std::string& record) {
    const std::string to = folder.path + "/all.csv";
    EXPECT_TRUE(export_record(record, ExportFormat::csv, to));
    const std::string text = story::text_of(to);
    return std::count(text.begin(), text.end(), '\n') - 1;
  };
  EXPECT_EQ(rows(left), 750);
  EXPECT_EQ(rows(right), 250);
}

TEST(Recorder, writes_what_is_queued_before_it_goes) {  // S10
  const story::Folder folder;
  std::string path;
  {
    Recorder recorder(folder.path, nullptr);
    path = recorder.begin(0, story::header()).value();
    ASSERT_TRUE(recorder.offer(story::trip(1)));
  }
  EXPECT_NE(summarise(path).value().trip, "");
}

TEST(Recorder, records_nothing_of_a_channel_without_a_run) {
  const story::Folder folder;
  {
    Recorder recorder(folder.path, nullptr);
    ASSERT_TRUE(recorder.offer(story::volts(3.7, 1)));
  }
  EXPECT_TRUE(std::filesystem::is_empty(folder.path));
}

TEST(Recorder, has_one_record_at_a_time_per_channel) {
  const story::Folder folder;
  Recorder recorder(folder.path, nullptr);
  ASSERT_TRUE(recorder.begin(0, story::header()));
  EXPECT_TRUE(recorder.begin(0, story::header()).has_error());
}

// What is not recorded does not run: the owner is told, once.
TEST(Recorder, tells_its_owner_that_the_disk_is_full) {
  const story::Folder folder;
  std::promise<std::uint8_t> told;
  std::atomic<int> times{0};
  auto* const handler = std::signal(SIGXFSZ, SIG_IGN);
  rlimit before{};
  getrlimit(RLIMIT_FSIZE, &before);
  {
    Recorder recorder(folder.path, [&](std::uint8_t channel, const drivers::Failure&) {
      if (times++ == 0) told.set_value(channel);
    });
    const std::string path = recorder.begin(3, story::header()).value();
    rlimit tight = before;
    tight.rlim_cur = std::filesystem::file_size(path + "-wal") + 1;
    setrlimit(RLIMIT_FSIZE, &tight);
    safety::Event event = story::trip(1);
    event.channel = 3;
    ASSERT_TRUE(recorder.offer(event));
    ASSERT_TRUE(recorder.offer(event));
    auto channel = told.get_future();
    ASSERT_EQ(channel.wait_for(std::chrono::seconds(10)), std::future_status::ready);
    EXPECT_EQ(channel.get(), 3);
    EXPECT_TRUE(recorder.failed(3));
  }
  setrlimit(RLIMIT_FSIZE, &before);
  std::signal(SIGXFSZ, handler);
  EXPECT_EQ(times, 1);
}

// A queue that overflows has lost readings: the record says so by failing, never by a silent gap.
TEST(Recorder, fails_a_record_that_lost_readings) {
  const story::Folder folder;
  std::atomic<bool> told{false};
  Recorder recorder(folder.path, [&](std::uint8_t, const drivers::Failure&) { told = true; });
  ASSERT_TRUE(recorder.begin(0, story::header()));
  bool all_taken = true;
  for (int i = 0; all_taken && i < 10'000'000; ++i) all_taken = recorder.offer(story::volts(3, i));
  ASSERT_FALSE(all_taken);
  const auto until = std::chrono::steady_clock::now() + std::chrono::seconds(20);
  while (!told && std::chrono::steady_clock::now() < until) std::this_thread::yield();
  EXPECT_TRUE(told);
  EXPECT_TRUE(recorder.failed(0));
}

}  // namespace
}  // namespace chargewright::daemon

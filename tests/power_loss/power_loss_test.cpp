// Power is lost at every call that changes a file of the record or of the state folder, one after
// the other, and a next life of the daemon looks at what is left (S5, S9, S10).
#include <gtest/gtest.h>

#include <filesystem>
#include <functional>

#include "daemon/record/database.h"
#include "daemon/state/store.h"
#include "tests/power_loss/disk.h"
#include "tests/unit/daemon/record_story.h"

namespace chargewright::test {
namespace {

namespace fs = std::filesystem;
using namespace std::chrono_literals;
using daemon::Database;
using daemon::RecordWriter;
using daemon::StateStore;

constexpr int guesses = 4;  // at which of the unsynced writes are there, for each call

// What was promised when so many calls had been made.
template <class Promise>
struct Promised {
  std::size_t calls = 0;
  Promise what{};
};

// Looks at what is left by each power loss. `look` gets the folder, the promise that had been given
// by then and the one that was being worked on.
template <class Promise>
int lose_power_everywhere(
    const std::vector<DiskCall>& calls, const std::vector<Promised<Promise>>& promised,
    const std::function<void(const std::string&, const Promise&, const Promise&)>& look) {
  std::mt19937 random(20'250'615);
  int losses = 0;
  for (std::size_t count = 0; count <= calls.size(); ++count) {
    std::size_t given = 0;
    while (given + 1 < promised.size() && promised[given + 1].calls <= count) ++given;
    const std::size_t next = std::min(given + 1, promised.size() - 1);
    for (int guess = 0; guess < 2 + guesses; ++guess) {
      const Left left = guess == 0   ? Left::only_synced
                        : guess == 1 ? Left::everything
                                     : Left::something;
      const daemon::story::Folder after;
      leave(calls, count, left, random, after.path);
      SCOPED_TRACE("power lost after call " + std::to_string(count) + " of " +
                   std::to_string(calls.size()) + ", guess " + std::to_string(guess));
      look(after.path, promised[given].what, promised[next].what);
      ++losses;
      if (testing::Test::HasFailure()) return losses;
    }
  }
  return losses;
}

struct RecordPromise {
  bool begun = false;
  double judged_s = -1;  // readings up to here were handed to the record
  bool tripped = false;
  bool ended = false;
};

void look_at_record(const std::string& folder, const RecordPromise& given,
                    const RecordPromise& next) {
  const auto closed = daemon::close_interrupted(folder, "hut-bench", {});
  ASSERT_TRUE(closed) << describe(closed.error());
  std::vector<drivers::Failure> problems;
  const auto records = daemon::list_records(folder, problems);
  if (!given.begun) return;  // the run was not armed: whatever is left, the next life bears it
  ASSERT_TRUE(problems.empty()) << describe(problems.front());
  ASSERT_EQ(records.size(), 1U);
  auto database = Database::open(records[0].path, Database::Mode::read);
  ASSERT_TRUE(database);
  EXPECT_TRUE(database->check());
  const double last_s = static_cast<double>(database
                                                ->integer("SELECT coalesce(max(answered), -1) "
                                                          "FROM reading")
                                                .value()) *
                        1e-9;
  EXPECT_GE(last_s, given.judged_s - 1.0);
  EXPECT_LE(last_s, next.judged_s + 1e-6);
  // Without a gap: one reading each 50 ms, from the first to the last that is there.
  const auto readings = database->integer("SELECT count(*) FROM reading").value();
  EXPECT_EQ(readings, last_s < 0 ? 0 : std::lround(last_s / 0.05) + 1);
  EXPECT_TRUE(!given.tripped || !records[0].trip.empty());
  ASSERT_TRUE(records[0].end);  // this life closed it, or the one before
  if (given.ended) {
    EXPECT_EQ(records[0].end->phase, daemon::Phase::tripped);
    EXPECT_NEAR(last_s, given.judged_s, 1e-6);
  } else if (!next.ended) {
    EXPECT_EQ(records[0].end->phase, daemon::Phase::interrupted);
  }
}

TEST(PowerLoss, leaves_a_record_that_opens_and_lacks_a_second_at_most) {  // S10
  const daemon::story::Folder folder;
  std::vector<Promised<RecordPromise>> promised{{}};
  std::vector<DiskCall> calls;
  {
    RecordedDisk disk(folder.path);
    RecordPromise now;
    const auto promise = [&] { promised.push_back({disk.calls().size(), now}); };
    auto writer = RecordWriter::create(folder.path, daemon::story::header()).value();
    now.begun = true;
    promise();
    std::chrono::steady_clock::time_point clock{1h};
    for (int i = 0; i < 80; ++i, clock += 50ms) {  // 4 s of readings
      ASSERT_TRUE(writer->add(daemon::story::volts(3.6, i * 0.05)));
      ASSERT_TRUE(writer->turn(clock));
      now.judged_s = i * 0.05;
      promise();
    }
    ASSERT_TRUE(writer->add(daemon::story::trip(4)));
    now.tripped = true;
    promise();
    ASSERT_TRUE(writer->end({.phase = daemon::Phase::tripped}));
    now.ended = true;
    promise();
    writer.reset();
    calls = disk.calls();
  }
  EXPECT_GT(calls.size(), 60U);
  const int losses = lose_power_everywhere<RecordPromise>(calls, promised, look_at_record);
  EXPECT_EQ(losses, static_cast<int>(calls.size() + 1) * (2 + guesses));
  RecordProperty("losses", losses);
}

// In a long run the log is folded into the file again and again, page by page.
TEST(PowerLoss, in_the_middle_of_a_checkpoint_leaves_a_record_that_opens) {  // S10
  const daemon::story::Folder folder;
  std::vector<Promised<RecordPromise>> promised{{}};
  std::vector<DiskCall> calls;
  {
    RecordedDisk disk(folder.path);
    RecordPromise now;
    const auto promise = [&] { promised.push_back({disk.calls().size(), now}); };
    // Nearly a log full of it at once, so that few readings are needed for the first folding.
    daemon::RecordHeader header = daemon::story::header();
    header.files.push_back({"profile", "long.yaml", std::string(3'200'000, '#')});
    auto writer = RecordWriter::create(folder.path, header).value();
    now.begun = true;
    promise();
    for (int i = 0; i < 4000; ++i) {
      ASSERT_TRUE(writer->add(daemon::story::volts(3.6, i * 0.05)));
      if (i % 20 != 19) continue;
      ASSERT_TRUE(writer->commit());
      now.judged_s = i * 0.05;
      promise();
    }
    calls = disk.calls();
  }
  // Where the record's own file is written, some of its 800 pages; and a sample of all the rest.
  std::mt19937 random(7);
  int looked = 0;
  for (std::size_t count = 1; count < calls.size(); ++count) {
    const bool folding = calls[count].path.ends_with(".run");
    if (count % (folding ? 16 : 97) != 0) continue;
    std::size_t given = 0;
    while (given + 1 < promised.size() && promised[given + 1].calls <= count) ++given;
    const daemon::story::Folder after;
    leave(calls, count, looked % 2 == 0 ? Left::only_synced : Left::something, random, after.path);
    SCOPED_TRACE("power lost after call " + std::to_string(count));
    look_at_record(after.path, promised[given].what,
                   promised[std::min(given + 1, promised.size() - 1)].what);
    ++looked;
    ASSERT_FALSE(HasFailure());
  }
  EXPECT_GT(looked, 40);
}

// ---- the state folder ---------------------------------------------------------------------------

std::string remembered(StateStore& state) {
  std::string text;
  if (const auto trip = state.trip(0)) {
    text += trip->interrupted ? "interrupted" : std::string(key_of(trip->fault.cause));
    if (state.interrupted(0)) text += ", may resume";
  }
  text += '|';
  if (const auto limits = state.limits(0)) text += "limits";
  text += '|';
  if (state.approval("p", "c")) text += "approved";
  text += state.cautions_accepted() ? "|cautions" : "|";
  return text;
}

TEST(PowerLoss, leaves_the_state_as_it_was_before_a_change_or_after_it) {  // S5 S9
  const daemon::story::Folder folder;
  const std::string own = folder.path + "/state";
  std::vector<Promised<std::string>> promised{{0, "|||"}};
  std::vector<DiskCall> calls;
  {
    RecordedDisk disk(folder.path);
    auto state = std::move(StateStore::open(own, "hut-bench", {"left"}, {}).value());
    const auto promise = [&](const char* what, const drivers::Result<void>& done) {
      ASSERT_TRUE(done) << describe(done.error());
      promised.push_back({disk.calls().size(), what});
    };
    const daemon::Energised marker{.since = {}, .run = "r", .profile = "p", .cell = "c"};
    safety::Fault fault;
    fault.cause = safety::Cause::voltage_high;
    promise("|limits||", state->keep_limits(0, {}));
    // Once this has returned the guard is asked to arm: the marker must never be lost.
    promise("interrupted|limits||", state->mark_energised(0, marker));
    promise("voltage-high|limits||", state->latch(0, {.fault = fault, .at = {}, .run = "r"}));
    promise("voltage-high|limits||", state->unmark_energised(0));
    promise("|limits||", state->acknowledge(0));
    promise("|limits|approved|",
            state->approve({.profile = "p", .cell = "c", .limits = {}, .by_uid = 0, .at = {}}));
    promise("|limits|approved|cautions", state->accept_cautions(0, {}));
    promise("interrupted|limits|approved|cautions", state->mark_energised(0, marker));
    promise("|limits|approved|cautions", state->unmark_energised(0));
    // A run that may resume, until a person says no (S9).
    daemon::Energised resumable = marker;
    resumable.offer.emplace();
    promise("interrupted, may resume|limits|approved|cautions",
            state->mark_energised(0, resumable));
    promise("interrupted|limits|approved|cautions", state->withdraw_offer(0));
    promise("|limits|approved|cautions", state->unmark_energised(0));
    calls = disk.calls();
  }
  const int losses = lose_power_everywhere<std::string>(
      calls, promised,
      [](const std::string& after, const std::string& given, const std::string& next) {
        auto state = StateStore::open(after + "/state", "hut-bench", {"left"}, {});
        ASSERT_TRUE(state) << describe(state.error());
        EXPECT_TRUE((*state)->damage().empty()) << describe((*state)->damage().front());
        const std::string now = remembered(**state);
        EXPECT_TRUE(now == given || now == next)
            << now << " is neither " << given << " nor " << next;
      });
  EXPECT_EQ(losses, static_cast<int>(calls.size() + 1) * (2 + guesses));
  RecordProperty("losses", losses);
}

// The life that finds a run which may resume loses power itself, at every write: whatever comes
// after it finds the interruption latched, and resumes nothing (S9).
TEST(PowerLoss, while_a_run_waits_to_resume_leaves_it_off) {  // S5 S9
  const daemon::story::Folder folder;
  const std::string own = folder.path + "/state";
  daemon::Energised marker{.since = {}, .run = "r", .profile = "p", .cell = "c"};
  marker.offer.emplace();
  daemon::Energised next = marker;
  next.run = "next";
  next.offer->resumed = 1;
  std::vector<Promised<std::string>> promised{{0, "nothing yet"}};
  std::vector<DiskCall> calls;
  {
    RecordedDisk disk(folder.path);
    auto first = std::move(StateStore::open(own, "hut-bench", {"left"}, {}).value());
    ASSERT_TRUE(first->mark_energised(0, marker));
    first.reset();
    promised.push_back({disk.calls().size(), "armed"});
    auto second = std::move(StateStore::open(own, "hut-bench", {"left"}, {}).value());
    ASSERT_TRUE(second->interrupted(0));
    promised.push_back({disk.calls().size(), "latched"});
    ASSERT_TRUE(second->mark_energised(0, next));  // it goes on: marked before it is acknowledged
    promised.push_back({disk.calls().size(), "latched"});
    ASSERT_TRUE(second->acknowledge(0));
    promised.push_back({disk.calls().size(), "goes on"});
    calls = disk.calls();
  }
  lose_power_everywhere<std::string>(
      calls, promised, [](const std::string& after, const std::string& given, const std::string&) {
        auto state = StateStore::open(after + "/state", "hut-bench", {"left"}, {});
        ASSERT_TRUE(state) << describe(state.error());
        EXPECT_TRUE((*state)->damage().empty()) << describe((*state)->damage().front());
        if (given == "nothing yet") return;
        ASSERT_TRUE((*state)->trip(0)) << given;  // never lost, whoever may take it up
        EXPECT_TRUE((*state)->trip(0)->interrupted);
        const auto offered = (*state)->interrupted(0);
        if (given == "latched" && offered) {
          // Only when the trip was off the disk already, and then it counts.
          EXPECT_EQ(offered->offer->resumed, 1);
        }
        if (given == "goes on") {
          ASSERT_TRUE(offered);
          EXPECT_EQ(offered->run, "next");
          EXPECT_EQ(offered->offer->resumed, 1);
        }
      });
}

}  // namespace
}  // namespace chargewright::test

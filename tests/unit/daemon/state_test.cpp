// What survives a restart (S5): trips, markers of armed runs, approvals; and that damage of any of
// them is noticed. A kill between two writes is played by the files that it would leave.

#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <boost/json/parse.hpp>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <future>
#include <limits>
#include <thread>

#include "daemon/state/disk.h"
#include "daemon/state/lock.h"
#include "daemon/state/machine_clock.h"
#include "daemon/state/store.h"
#include "drivers/quantity_text.h"

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;
using namespace drivers::literals;

class State : public testing::Test {
 protected:
  State() {
    std::string name = (fs::temp_directory_path() / "chargewright-state-XXXXXX").string();
    folder_ = ::mkdtemp(name.data());
  }
  ~State() override { fs::remove_all(folder_); }

  std::unique_ptr<StateStore> open() {
    return std::move(StateStore::open(folder_, "hut-bench", {"left", "right"}, now_).value());
  }
  [[nodiscard]] std::string file(const std::string& name) const {
    return folder_ + "/hut-bench/" + name;
  }
  static std::string read(const std::string& path) { return read_file(path).value().value(); }
  static void write(const std::string& path, const std::string& text) {
    std::ofstream(path, std::ios::binary) << text;
  }

  std::string folder_;
  const WallTime now_ = wall_time(1'790'000'000.25);
};

safety::Fault too_hot() {
  return {.cause = safety::Cause::temperature_high,
          .channel = 1,
          .sensor = 0,
          .origin = static_cast<std::uint8_t>(safety::Origin::policy),
          .measured = 61.53125,
          .limit = 60,
          .at = {}};
}

safety::Limits some_limits() {
  safety::Limits limits;
  limits.voltage_above = {{.value = 4.24_V, .origin = safety::Origin::profile, .on_delay = {}}};
  limits.voltage_below = {{.value = 2.5_V, .origin = safety::Origin::cell, .on_delay = {}}};
  limits.current_above = {
      {.value = 7.92_A, .origin = safety::Origin::wiring, .on_delay = std::chrono::seconds(2)}};
  limits.current_above->at_once =
      safety::AtOnce<drivers::Amperes>{.value = 8.5_A, .origin = safety::Origin::cell};
  limits.temperature_rising = {{.value = drivers::kelvins_per_second(2.0 / 60),
                                .origin = safety::Origin::profile,
                                .on_delay = {}}};
  limits.run_time = {
      {.value = std::chrono::minutes(90), .origin = safety::Origin::policy, .on_delay = {}}};
  return limits;
}

TEST_F(State, a_trip_survives_a_restart_until_a_person_acknowledges_it) {  // S5
  ASSERT_TRUE(open()->latch(1, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"}));

  auto next_life = open();
  EXPECT_FALSE(next_life->trip(0));
  const auto trip = next_life->trip(1);
  ASSERT_TRUE(trip);
  EXPECT_EQ(trip->fault.cause, safety::Cause::temperature_high);
  EXPECT_EQ(trip->fault.measured, 61.53125);
  EXPECT_EQ(trip->fault.origin, static_cast<std::uint8_t>(safety::Origin::policy));
  EXPECT_EQ(trip->at, now_);
  EXPECT_EQ(trip->run, "r");
  ASSERT_TRUE(next_life->acknowledge(1));
  EXPECT_FALSE(open()->trip(1));
}

// A cut waits behind such a question, where both come by the control socket.
TEST_F(State, a_question_does_not_wait_for_a_change_that_the_disk_is_slow_to_take) {  // S4
  auto store = open();
  const std::string disk = file("trip-right.json.new");
  ASSERT_EQ(::mkfifo(disk.c_str(), 0600), 0);  // whoever writes there waits for a reader
  std::thread latching{[&] {
    (void)store->latch(1, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"});
  }};
  auto asked = std::async(std::launch::async, [&] {
    while (!store->trip(1)) std::this_thread::yield();  // latched in memory, and not yet there
    return store->damage().empty() && !store->cautions_accepted() && !store->energised(0);
  });
  EXPECT_EQ(asked.wait_for(std::chrono::seconds(10)), std::future_status::ready);
  const int reader = ::open(disk.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC);
  latching.join();
  EXPECT_TRUE(asked.get());
  ::close(reader);
}

TEST_F(State, a_trip_on_a_reading_that_is_no_number_survives_as_such) {  // S5
  safety::Fault fault = too_hot();
  fault.cause = safety::Cause::reading_unusable;
  fault.measured = std::numeric_limits<double>::quiet_NaN();
  ASSERT_TRUE(open()->latch(0, {.fault = fault, .at = now_, .interrupted = false, .run = ""}));
  EXPECT_TRUE(std::isnan(open()->trip(0)->fault.measured));
}

TEST_F(State, a_marker_found_at_start_is_latched_as_a_trip) {  // S5 S9
  ASSERT_TRUE(open()->mark_energised(
      0, {.since = now_, .run = "run-7", .profile = "refill", .cell = "hut-radio-24"}));

  auto next_life = open();
  const auto trip = next_life->trip(0);
  ASSERT_TRUE(trip);
  EXPECT_TRUE(trip->interrupted);
  EXPECT_EQ(trip->run, "run-7");
  EXPECT_FALSE(next_life->energised(0));
  ASSERT_TRUE(next_life->acknowledge(0));
  EXPECT_FALSE(open()->trip(0));
}

TEST_F(State, of_a_channel_that_was_renamed_is_not_forgotten_with_its_name) {  // S5 S9
  const auto renamed = [this] {
    return std::move(StateStore::open(folder_, "hut-bench", {"left", "shelf"}, now_).value());
  };
  ASSERT_TRUE(open()->latch(1, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"}));
  ASSERT_TRUE(open()->keep_limits(1, some_limits()));
  auto store = renamed();
  ASSERT_EQ(store->damage().size(), 1U);
  EXPECT_EQ(store->damage()[0].place.file, file("trip-right.json"));
  EXPECT_TRUE(open()->damage().empty());  // it has its name again
  ASSERT_TRUE(open()->acknowledge(1));
  EXPECT_TRUE(renamed()->damage().empty());

  ASSERT_TRUE(open()->mark_energised(
      1, {.since = now_, .run = "run-7", .profile = "refill", .cell = "hut-radio-24"}));
  store = renamed();
  ASSERT_EQ(store->damage().size(), 1U);
  EXPECT_EQ(store->damage()[0].place.file, file("energised-right.json"));
  EXPECT_FALSE(store->trip(1));
}

TEST_F(State, of_a_bench_that_was_renamed_is_not_forgotten_with_its_name) {  // S5 S9
  const auto as = [this](const char* bench, const std::vector<std::string>& links) {
    return std::move(StateStore::open(folder_, bench, {"left"}, now_, links).value());
  };
  ASSERT_TRUE(as("hut-bench", {"tcp:supply:5025", "tcp:probe:5026"})
                  ->latch(0, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"}));
  EXPECT_TRUE(as("valley-bench", {"tcp:valley:5025"})->damage().empty());
  const auto renamed = as("summer-bench", {"tcp:another:5026", "tcp:supply:5025"})->damage();
  ASSERT_EQ(renamed.size(), 1U);
  EXPECT_EQ(renamed[0].place.file, file("trip-left.json"));
  // As the unit has it: each in a folder of its own.
  fs::create_directories(folder_ + "/hut");
  fs::rename(folder_ + "/hut-bench", folder_ + "/hut/hut-bench");
  const auto moved =
      StateStore::open(folder_ + "/summer", "summer-bench", {"left"}, now_, {"tcp:supply:5025"});
  ASSERT_EQ((*moved)->damage().size(), 1U);
  EXPECT_EQ((*moved)->damage()[0].place.file,
            fs::canonical(folder_).string() + "/hut/hut-bench/trip-left.json");
  fs::rename(folder_ + "/hut/hut-bench", folder_ + "/hut-bench");
  for (const char* own : {"", "/", "/."}) {  // however its folder is written
    const auto same =
        StateStore::open(folder_ + own, "hut-bench", {"left"}, now_, {"tcp:supply:5025"});
    EXPECT_TRUE((*same)->damage().empty()) << own;
  }
  ASSERT_TRUE(as("hut-bench", {"tcp:supply:5025"})->acknowledge(0));
  EXPECT_TRUE(as("summer-bench", {"tcp:supply:5025"})->damage().empty());
}

TEST_F(State, of_its_own_bench_is_no_strangers_behind_a_symbolic_link) {  // S5
  const std::vector<std::string> links{"tcp:supply:5025"};
  ASSERT_TRUE(StateStore::open(folder_, "hut-bench", {"left"}, now_, links)
                  .value()
                  ->latch(0, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"}));
  fs::create_directory_symlink(folder_ + "/hut-bench", folder_ + "/old");
  const auto again = StateStore::open(folder_, "hut-bench", {"left"}, now_, links).value();
  EXPECT_TRUE(again->trip(0));
  EXPECT_TRUE(again->damage().empty());
}

// By hand straight in the state folder, by the unit in a folder of its own within that.
TEST_F(State, of_the_other_usual_layout_is_seen) {  // S5 S9
  const std::string unit = folder_ + "/hut";
  const auto in = [this](const std::string& folder) {
    return StateStore::open(folder, "hut-bench", {"left"}, now_, {"tcp:supply:5025"}).value();
  };
  for (const auto& [latched, other] : {std::pair{folder_, unit}, {unit, folder_}}) {
    const auto store = in(latched);
    ASSERT_TRUE(
        store->latch(0, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"}));
    const auto damage = in(other)->damage();
    ASSERT_EQ(damage.size(), 1U) << latched;
    EXPECT_EQ(damage[0].place.file, fs::canonical(latched).string() + "/hut-bench/trip-left.json");
    EXPECT_NE(damage[0].advice.find("--state"), std::string::npos) << damage[0].advice;
    ASSERT_TRUE(store->acknowledge(0));
    EXPECT_TRUE(in(other)->damage().empty());
  }
}

TEST_F(State, the_limits_of_the_last_run_survive_its_end_and_a_restart) {  // S8
  EXPECT_FALSE(open()->limits(0));
  {
    auto store = open();
    ASSERT_TRUE(store->keep_limits(0, some_limits()));
    ASSERT_TRUE(store->mark_energised(0, {.since = now_, .run = "r", .profile = "p", .cell = "c"}));
    ASSERT_TRUE(store->unmark_energised(0));
  }
  const auto kept = open()->limits(0);
  ASSERT_TRUE(kept);
  EXPECT_EQ(kept->temperature_rising->value, some_limits().temperature_rising->value);
  EXPECT_TRUE(safety::no_looser(*kept, some_limits()));
  EXPECT_TRUE(safety::no_looser(some_limits(), *kept));
  EXPECT_FALSE(open()->limits(1));
}

// Else that file would be damage to the next life, with which no run starts.
TEST_F(State, of_the_longest_time_that_a_profile_may_give_is_read_back) {  // S8
  auto limits = some_limits();
  const auto longest = drivers::parse<drivers::Duration>("36500 d");
  ASSERT_TRUE(longest);
  limits.step_time = {{.value = *longest, .origin = safety::Origin::profile, .on_delay = {}}};
  ASSERT_TRUE(open()->keep_limits(0, limits));
  const auto again = open();
  EXPECT_TRUE(again->damage().empty());
  ASSERT_TRUE(again->limits(0));
  EXPECT_EQ(again->limits(0)->step_time->value, *longest);
}

TEST_F(State, a_marker_removed_in_good_order_leaves_nothing_behind) {
  auto store = open();
  ASSERT_TRUE(store->mark_energised(0, {.since = now_, .run = "r", .profile = "p", .cell = "c"}));
  ASSERT_TRUE(store->unmark_energised(0));
  EXPECT_FALSE(open()->trip(0));
}

TEST_F(State, a_trip_of_the_interlock_is_not_replaced_by_an_interruption) {
  // Killed after the trip was written and before the marker went.
  auto store = open();
  ASSERT_TRUE(store->mark_energised(1, {.since = now_, .run = "r", .profile = "p", .cell = "c"}));
  ASSERT_TRUE(store->latch(1, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"}));
  const auto trip = open()->trip(1);
  ASSERT_TRUE(trip);
  EXPECT_FALSE(trip->interrupted);
  EXPECT_EQ(trip->fault.cause, safety::Cause::temperature_high);
}

TEST_F(State, a_kill_while_writing_leaves_the_former_file_in_force) {
  ASSERT_TRUE(open()->latch(1, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"}));
  const std::string whole = read(file("trip-right.json"));
  for (std::size_t written = 0; written <= whole.size(); ++written) {
    write(file("trip-right.json.new"), whole.substr(0, written));
    auto store = open();
    ASSERT_TRUE(store->trip(1)) << written;
    EXPECT_TRUE(store->damage().empty()) << written;
  }
}

TEST_F(State, every_truncation_of_any_file_is_damage_or_the_whole_truth) {
  auto store = open();
  ASSERT_TRUE(store->latch(1, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"}));
  ASSERT_TRUE(store->approve(
      {.profile = "refill", .cell = "c", .limits = some_limits(), .by_uid = 7, .at = now_}));
  for (const char* name : {"trip-right.json", "approvals.json"}) {
    const std::string whole = read(file(name));
    for (std::size_t kept = 0; kept < whole.size() - 1; ++kept) {  // the last byte is the newline
      write(file(name), whole.substr(0, kept));
      EXPECT_FALSE(open()->damage().empty()) << name << " cut to " << kept << " bytes";
    }
    write(file(name), whole);
    EXPECT_TRUE(open()->damage().empty()) << name;
  }
}

TEST_F(State, damage_names_the_file) {
  open();
  write(file("trip-left.json"), "{\"fault\":{\"cause\":\"gremlins\"}}");
  const auto damage = open()->damage();
  ASSERT_EQ(damage.size(), 1U);
  EXPECT_EQ(damage[0].place.file, file("trip-left.json"));
}

// What was there is not known by its being gone: the next life begins without it.
TEST_F(State, damage_is_over_as_it_is_advised) {  // S5
  open();
  write(file("approvals.json"), "{");
  const auto store = open();
  ASSERT_EQ(store->damage().size(), 1U);
  EXPECT_NE(store->damage()[0].advice.find("restart the daemon"), std::string::npos);
  std::filesystem::remove(file("approvals.json"));
  EXPECT_EQ(store->damage().size(), 1U);
  EXPECT_TRUE(open()->damage().empty());
}

TEST_F(State, damage_of_a_marker_is_damage_too) {
  open();
  write(file("energised-left.json"), "");
  EXPECT_FALSE(open()->damage().empty());
}

TEST_F(State, approved_limits_come_back_exactly) {
  ASSERT_TRUE(open()->approve({.profile = "refill",
                               .cell = "hut-radio-24",
                               .limits = some_limits(),
                               .by_uid = 1000,
                               .at = now_}));
  auto store = open();
  EXPECT_FALSE(store->approval("refill", "another cell"));
  const auto approval = store->approval("refill", "hut-radio-24");
  ASSERT_TRUE(approval);
  EXPECT_TRUE(safety::no_looser(approval->limits, some_limits()));
  EXPECT_TRUE(safety::no_looser(some_limits(), approval->limits));
  EXPECT_EQ(approval->limits.voltage_above->value, 4.24_V);
  EXPECT_EQ(approval->limits.current_above->on_delay, std::chrono::seconds(2));
  EXPECT_EQ(approval->limits.current_above->origin, safety::Origin::wiring);
  ASSERT_TRUE(approval->limits.current_above->at_once);
  EXPECT_EQ(approval->limits.current_above->at_once->value, 8.5_A);
  EXPECT_EQ(approval->limits.current_above->at_once->origin, safety::Origin::cell);
  EXPECT_FALSE(approval->limits.power_above);
  EXPECT_EQ(approval->by_uid, 1000U);
}

// 3.3 C of 2.4 Ah is not a round number, and a JSON reader may miss such a one in its last place.
TEST_F(State, an_approved_limit_of_any_number_comes_back_to_the_last_bit) {
  auto limits = some_limits();
  for (int c = 1; c < 400; ++c) {
    limits.current_above->value = drivers::amperes(c / 10.0 * 2.4);
    ASSERT_TRUE(
        open()->approve({.profile = "p", .cell = "c", .limits = limits, .by_uid = 1, .at = now_}));
    ASSERT_EQ(open()->approval("p", "c")->limits.current_above->value, limits.current_above->value)
        << c;
  }
}

// Of a limit that is too large for any number the reader made infinity, and the next one nothing.
TEST(StateJson, refuses_a_number_that_is_too_large_for_one) {  // S5
  const auto trip_with = [](const std::string& limit) {
    return latched_trip_from(boost::json::parse(
        R"({"fault":{"cause":"voltage-high","channel":0,"sensor":7,"origin":0,"measured":4.3,"limit":)" +
        limit + R"(},"at":5,"interrupted":false,"run":"r1"})"));
  };
  EXPECT_TRUE(trip_with("4.25"));
  EXPECT_TRUE(trip_with("null"));  // as one that is no number is written
  for (const char* limit : {"1e400", "-1e400", "9999999988888000007e3940156", "\"1e400\""}) {
    ASSERT_FALSE(trip_with(limit)) << limit;
    EXPECT_NE(trip_with(limit).error().cause.find("`limit` is not a number"), std::string::npos);
  }
}

TEST(StateJson, refuses_a_moment_that_the_clock_does_not_reach) {
  EXPECT_TRUE(energised_from({{"since", 9e9}, {"run", ""}, {"profile", ""}, {"cell", ""}}));
  EXPECT_FALSE(energised_from({{"since", 1.75e10}, {"run", ""}, {"profile", ""}, {"cell", ""}}));
}

TEST_F(State, an_approval_replaces_the_former_one_of_the_same_profile_and_cell) {
  auto store = open();
  safety::Limits tighter = some_limits();
  tighter.voltage_above->value = 4.21_V;
  ASSERT_TRUE(store->approve(
      {.profile = "p", .cell = "c", .limits = some_limits(), .by_uid = 1, .at = now_}));
  ASSERT_TRUE(
      store->approve({.profile = "p", .cell = "c", .limits = tighter, .by_uid = 1, .at = now_}));
  EXPECT_EQ(open()->approval("p", "c")->limits.voltage_above->value, 4.21_V);
}

TEST_F(State, cautions_are_accepted_once_per_bench) {
  EXPECT_FALSE(open()->cautions_accepted());
  ASSERT_TRUE(open()->accept_cautions(1000, now_));
  EXPECT_TRUE(open()->cautions_accepted());
}

TEST_F(State, a_folder_that_cannot_be_written_is_found_at_once) {
  write(folder_ + "/in-the-way", "");
  EXPECT_FALSE(StateStore::open(folder_ + "/in-the-way", "hut-bench", {"left"}, now_));
}

TEST_F(State, two_daemons_cannot_hold_one_bench) {
  auto first = Lock::of_bench(folder_, "hut-bench");
  ASSERT_TRUE(first);
  EXPECT_FALSE(Lock::of_bench(folder_, "hut-bench"));
  EXPECT_TRUE(Lock::of_bench(folder_, "valley-bench"));
  { const Lock gone = std::move(*first); }
  EXPECT_TRUE(Lock::of_bench(folder_, "hut-bench"));
}

TEST_F(State, two_benches_cannot_hold_one_link_whatever_their_state_folder) {
  const drivers::LinkAddress link =
      drivers::TcpAddress{.host = "LOCALHOST.example", .port = 59'871};
  const drivers::LinkAddress same =
      drivers::TcpAddress{.host = "localhost.example", .port = 59'871};
  const drivers::LinkAddress other =
      drivers::TcpAddress{.host = "localhost.example", .port = 59'872};
  auto first = lock_bench(folder_, "a", {link});
  ASSERT_TRUE(first);
  const auto second = lock_bench(folder_ + "/elsewhere", "b", {other, same});
  ASSERT_FALSE(second);
  EXPECT_NE(second.error().cause.find("59871"), std::string::npos);
  first->clear();
  EXPECT_TRUE(lock_bench(folder_ + "/elsewhere", "b", {other, same}));
}

TEST_F(State, an_address_is_one_link_however_it_is_written) {  // S3
  for (const auto& [one, other] :
       {std::pair{"LocalHost", "127.0.0.1"}, std::pair{"FE80:0:0:0:0:0:0:1", "fe80::1"}}) {
    const auto held = Lock::of_link(drivers::TcpAddress{.host = one, .port = 59'873});
    ASSERT_TRUE(held) << one;
    EXPECT_FALSE(Lock::of_link(drivers::TcpAddress{.host = other, .port = 59'873})) << one;
  }
}

TEST_F(State, a_serial_device_is_one_link_under_all_its_names) {
  write(folder_ + "/ttyReal", "");
  fs::create_symlink(folder_ + "/ttyReal", folder_ + "/by-id");
  const auto held = Lock::of_link(drivers::SerialAddress{.device = folder_ + "/ttyReal"});
  ASSERT_TRUE(held);
  EXPECT_FALSE(Lock::of_link(drivers::SerialAddress{.device = folder_ + "/by-id"}));
}

TEST(FileName, holds_nothing_that_a_path_would_read) {
  EXPECT_EQ(file_name_of("left-1_b"), "left-1_b");
  EXPECT_EQ(file_name_of("../x"), "%2E%2E%2Fx");
}

Energised resumable() {
  return {.since = wall_time(1'790'000'000.25),
          .run = "run-7",
          .profile = "refill",
          .cell = "hut-radio-24",
          .offer = ResumptionOffer{.resumed = 1,
                                   .boot = "b7",
                                   .armed_since_boot_s = 1234.5678,
                                   .profile_sha256 = "aa",
                                   .cell_sha256 = "bb"}};
}

TEST_F(State, a_run_that_may_resume_is_latched_all_the_same_and_offered_to_one_life) {  // S5 S9
  ASSERT_TRUE(open()->mark_energised(0, resumable()));
  auto next_life = open();
  ASSERT_TRUE(next_life->trip(0));
  EXPECT_TRUE(next_life->trip(0)->interrupted);
  const auto found = next_life->interrupted(0);
  ASSERT_TRUE(found && found->offer);
  EXPECT_EQ(found->run, "run-7");
  EXPECT_EQ(found->since, resumable().since);
  EXPECT_EQ(found->offer->resumed, 1);
  EXPECT_EQ(found->offer->boot, "b7");
  EXPECT_EQ(found->offer->armed_since_boot_s, 1234.5678);
  EXPECT_EQ(found->offer->profile_sha256, "aa");
  EXPECT_EQ(found->offer->cell_sha256, "bb");
  EXPECT_FALSE(next_life->interrupted(1));
  next_life.reset();  // dies while it waits
  auto after_it = open();
  EXPECT_TRUE(after_it->trip(0));
  EXPECT_FALSE(after_it->interrupted(0));
}

TEST_F(State, a_marker_of_an_older_version_does_not_resume) {  // S9
  open();
  write(file("energised-left.json"), R"({"since":1.79e9,"run":"r","profile":"p","cell":"c"})");
  auto store = open();
  EXPECT_TRUE(store->damage().empty());
  EXPECT_TRUE(store->trip(0));
  EXPECT_FALSE(store->interrupted(0));
}

TEST_F(State, an_offer_half_understood_is_damage) {  // S9
  open();
  for (const char* offer : {"7", "{}",
                            R"({"resumed":-1,"boot":"","armed-since-boot":1,)"
                            R"("profile-sha256":"","cell-sha256":""})"}) {
    write(file("energised-left.json"),
          std::string(R"({"since":1.79e9,"run":"r","profile":"p","cell":"c","resumption":)") +
              offer + '}');
    EXPECT_FALSE(open()->damage().empty()) << offer;
  }
}

TEST_F(State, a_persons_word_withdraws_the_offer_and_leaves_the_marker) {  // S5 S9
  auto store = open();
  ASSERT_TRUE(store->withdraw_offer(0));  // nothing there
  ASSERT_TRUE(store->mark_energised(0, resumable()));
  ASSERT_TRUE(store->withdraw_offer(0));
  auto next_life = open();
  ASSERT_TRUE(next_life->trip(0));
  EXPECT_TRUE(next_life->trip(0)->interrupted);
  EXPECT_FALSE(next_life->interrupted(0));
}

TEST_F(State, a_withdrawal_that_the_disk_does_not_take_leaves_nothing_to_resume) {  // S9
  auto store = open();
  ASSERT_TRUE(store->mark_energised(0, resumable()));
  fs::create_directory(
      file("energised-left.json.new"));  // as a full disk would: nothing is replaced
  EXPECT_TRUE(store->withdraw_offer(0));
  store.reset();
  fs::remove(file("energised-left.json.new"));
  const auto next = open();
  EXPECT_FALSE(next->interrupted(0));
  EXPECT_FALSE(next->damage().empty());  // so that nothing starts before a person has looked
}

TEST_F(State, a_cut_without_the_daemon_forbids_the_next_life_to_resume_and_no_later_one) {  // S9
  ASSERT_TRUE(open()->mark_energised(0, resumable()));
  ASSERT_TRUE(forbid_resumption(folder_, "hut-bench"));
  {
    auto next_life = open();
    ASSERT_TRUE(next_life->trip(0));
    EXPECT_FALSE(next_life->interrupted(0));
    ASSERT_TRUE(next_life->acknowledge(0));
    ASSERT_TRUE(next_life->mark_energised(0, resumable()));
  }
  EXPECT_TRUE(open()->interrupted(0));
}

TEST_F(State, a_trip_of_the_interlock_leaves_nothing_to_resume) {  // S5 S9
  auto store = open();
  ASSERT_TRUE(store->mark_energised(1, resumable()));
  ASSERT_TRUE(store->latch(1, {.fault = too_hot(), .at = now_, .interrupted = false, .run = "r"}));
  auto next_life = open();
  EXPECT_EQ(next_life->trip(1)->fault.cause, safety::Cause::temperature_high);
  EXPECT_FALSE(next_life->interrupted(1));
}

TEST_F(State, what_may_resume_was_approved_with_the_limits) {  // S9
  Approval approval{.profile = "p", .cell = "c", .limits = some_limits(), .by_uid = 1, .at = now_};
  ASSERT_TRUE(open()->approve(approval));
  EXPECT_FALSE(open()->approval("p", "c")->resumption);
  approval.resumption = {
      .within = std::chrono::minutes(20), .times = 3, .warning = std::chrono::seconds(45)};
  ASSERT_TRUE(open()->approve(approval));
  EXPECT_EQ(open()->approval("p", "c")->resumption, approval.resumption);
}

TEST(MachineClock, counts_within_a_boot_whatever_the_wall_clock_does) {  // S9
  const MachineClock then{.wall = wall_time(1000), .boot = "a", .since_boot_s = 50};
  MachineClock now{.wall = wall_time(5), .boot = "a", .since_boot_s = 80};
  EXPECT_EQ(seconds_between(then, now), 30);
  now.since_boot_s = 49;
  EXPECT_FALSE(seconds_between(then, now));
}

TEST(MachineClock, believes_the_wall_across_a_boot_only_where_it_is_sound) {  // S9
  const MachineClock then{.wall = wall_time(1000), .boot = "a", .since_boot_s = 50};
  MachineClock now{.wall = wall_time(1100), .boot = "b", .since_boot_s = 8};
  EXPECT_FALSE(seconds_between(then, now));  // may have stood still without power
  now.wall_is_sound = true;
  EXPECT_EQ(seconds_between(then, now), 100);
  now.wall = wall_time(999);
  EXPECT_FALSE(seconds_between(then, now));  // it has gone back
  const MachineClock nameless{.wall = wall_time(1000), .boot = "", .since_boot_s = 50};
  now = {.wall = wall_time(1001), .wall_is_sound = false, .boot = "", .since_boot_s = 60};
  EXPECT_FALSE(seconds_between(nameless, now));  // no name of a boot is not the same boot
}

TEST(MachineClock, knows_its_own_boot_and_time) {
  const MachineClock first = look_at_the_clocks();
  const MachineClock second = look_at_the_clocks();
  EXPECT_FALSE(first.boot.empty());
  const auto passed = seconds_between(first, second);
  ASSERT_TRUE(passed);
  EXPECT_GE(*passed, 0);
  EXPECT_LT(*passed, 60);
}

}  // namespace
}  // namespace chargewright::daemon

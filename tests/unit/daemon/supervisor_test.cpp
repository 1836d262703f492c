// What clients ask at moments that cross, with a guard that does nothing by itself.

#include <gtest/gtest.h>
#include <pthread.h>
#include <sys/syscall.h>
#include <unistd.h>

#include <atomic>
#include <boost/json.hpp>
#include <filesystem>
#include <fstream>
#include <future>
#include <thread>

#include "daemon/serve/daemon_files.h"
#include "daemon/serve/supervisor.h"
#include "tests/support/places.h"

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;
using namespace std::chrono_literals;
using drivers::Duration;

class IdleGuard final : public GuardSide {
 public:
  bool request(const safety::Request& request) override {
    armed += request.kind == safety::Request::Kind::arm ? 1 : 0;
    return true;
  }
  void snapshot(safety::Snapshot& into) override {
    into.at = now();
    into.channels = 1;
    into.channel[0] = channel;
  }
  drivers::Instant now() override {
    return drivers::Instant{std::chrono::steady_clock::now().time_since_epoch()};
  }
  bool take_event(safety::Event& event) override {
    while (hangs) std::this_thread::sleep_for(1ms);
    event = {.kind = safety::Event::Kind::alarm};
    return alarms.exchange(false);
  }
  std::uint64_t events_lost() override { return lost; }
  std::vector<InstrumentFacts> instruments() override { return {supply}; }

  safety::ChannelSnapshot channel{.state = safety::State::off};
  std::atomic<int> armed = 0;       // or asked to
  std::atomic<bool> hangs = false;  // whoever takes events
  std::atomic<bool> alarms = false;
  std::atomic<std::uint64_t> lost = 0;
  InstrumentFacts supply{.name = "supply", .identity = {}, .round_trip_worst = 1ms};
};

// A disk that neither writes nor fails, or fails, for the record's thread; or does not take files
// of this name.
std::atomic<bool> disk_hangs = false;
std::atomic<bool> disk_fails = false;
std::atomic<const char*> hung_file = nullptr;
std::atomic<bool> is_hung = false;

bool hangs_on(int fd) {
  const char* const file = hung_file;
  if (file == nullptr) return false;
  char path[4096] = "";
  const std::string link = "/proc/self/fd/" + std::to_string(fd);
  return ::readlink(link.c_str(), path, sizeof path - 1) > 0 &&
         std::string_view(path).find(file) != std::string_view::npos;
}

int sync_unless_it_hangs(long call, int fd) {
  char name[16] = "";
  ::pthread_getname_np(::pthread_self(), name, sizeof name);
  const bool is_record = std::string_view(name) == "record";
  while ((disk_hangs && is_record) || hangs_on(fd)) {
    is_hung = true;
    std::this_thread::sleep_for(1ms);
  }
  if (disk_fails && is_record) {
    errno = EIO;
    return -1;
  }
  return static_cast<int>(::syscall(call, fd));
}

// Until its end, or its word.
struct HungFile {
  explicit HungFile(const char* name) {
    is_hung = false;
    hung_file = name;
  }
  ~HungFile() { end(); }
  HungFile(const HungFile&) = delete;
  HungFile& operator=(const HungFile&) = delete;
  static void end() { hung_file = nullptr; }
  static void await() {
    for (int i = 0; i < 5000 && !is_hung; ++i) std::this_thread::sleep_for(1ms);
    EXPECT_TRUE(is_hung);
  }
};

struct Hung {
  explicit Hung(std::atomic<bool>& it) : hangs(it) { hangs = true; }
  ~Hung() { end(); }
  Hung(const Hung&) = delete;
  Hung& operator=(const Hung&) = delete;
  void end() const { hangs = false; }
  std::atomic<bool>& hangs;
};

NamedText file_at(const std::string& path) {
  std::ifstream file(path);
  return {path, std::string(std::istreambuf_iterator<char>(file), {})};
}

class AskedOf : public testing::Test {
 protected:
  AskedOf() {
    std::string name = (fs::temp_directory_path() / "chargewright-asked-XXXXXX").string();
    folder_ = ::mkdtemp(name.data());
    fs::create_directory(folder_ + "/runs");
    std::ofstream(folder_ + "/bench.yaml")
        << "bench: hut-bench\n"
           "instruments:\n"
           "  supply:\n"
           "    link: tcp://127.0.0.1:9\n"
           "    dialect: scpi-supply\n"
           "    ratings: {voltage: 20 V, current: 20 A, power: 200 W}\n"
           "  probe: {link: \"tcp://127.0.0.1:10\", dialect: scpi-thermometer}\n"
           "channels:\n"
           "  left:\n"
           "    source: supply\n"
           "    temperature: [probe/1]\n"
           "    wiring: {gauge: 8 AWG, length: 0.6 m, joints: 0.4 mohm, rated: 40 A}\n";
    DaemonOptions options;
    options.bench = folder_ + "/bench.yaml";
    options.policy = folder_ + "/none.yaml";
    options.dialects = {test::in_source("drivers/dialects")};
    files_ = load_daemon_files(options).value();
    state_ = std::move(StateStore::open(folder_, "hut-bench", {"left"}, WallTime{}).value());
    EXPECT_TRUE(state_->accept_cautions(1, WallTime{}));
    supervisor_ =
        std::make_unique<Supervisor>(parts(), [](const std::string& why) { FAIL() << why; });
  }
  ~AskedOf() override {
    supervisor_.reset();
    fs::remove_all(folder_);
  }
  Supervisor::Parts parts() {
    return {.bench = files_.bench,
            .policy = files_.policy,
            .plant = files_.plant,
            .dialects = files_.dialects,
            .files = files_.recorded,
            .runs_folder = folder_ + "/runs",
            .guard = guard_,
            .state = *state_,
            .backlog = backlog_,
            .wall =
                [this] {
                  if (const auto then = std::exchange(at_the_next_look_, {})) then();
                  return std::chrono::system_clock::now();
                },
            .log = [](LogLevel, const std::string&) {}};
  }
  // Told to those who look.
  bool is_told(const std::string& kind) {
    for (int i = 0; i < 1000; ++i) {
      if (backlog_.after(0).lines.find('"' + kind + '"') != std::string::npos) return true;
      std::this_thread::sleep_for(10ms);
    }
    return false;
  }
  std::string phase() {
    const auto now = *supervisor_->channel("left");
    return now.at("run").is_null() ? "" : now.at("run").at("phase").as_string().c_str();
  }

  // A start, of an approved profile: it arms nothing, and is over.
  void comes_to_nothing(std::function<void()> meanwhile, const Person& by = {}) {
    ASSERT_TRUE(supervisor_->approve("left", profile_, cell_, true, {}));
    at_the_next_look_ = std::move(meanwhile);
    EXPECT_FALSE(supervisor_->start("left", {.profile = profile_, .cell = cell_}, by));
    const auto end = [this] { return supervisor_->runs()->at(0).at("end"); };
    for (int i = 0; i < 1000 && (end().is_null() || state_->energised(0)); ++i) {
      std::this_thread::sleep_for(10ms);
    }
    EXPECT_EQ(end().at("phase").as_string(), "refused");
    EXPECT_EQ(phase(), "refused");
    EXPECT_FALSE(state_->energised(0));
    EXPECT_EQ(guard_.armed, 0);
  }

  const NamedText profile_ =
      file_at(test::in_source("profiles/library/refill-between-sorties.yaml"));
  const NamedText cell_ = file_at(test::in_source("profiles/cells/hut-radio-24.yaml"));
  std::string folder_;
  DaemonFiles files_;
  IdleGuard guard_;
  Backlog backlog_;
  std::unique_ptr<StateStore> state_;
  std::function<void()> at_the_next_look_;  // at the clock on the wall
  std::unique_ptr<Supervisor> supervisor_;
};

// The run would go on until the guard ends, and be found as one that an interruption ended.
TEST_F(AskedOf, a_start_that_is_under_way_as_the_daemon_is_told_to_end_comes_to_nothing) {  // S4 S9
  comes_to_nothing([this] { supervisor_->shut_down(0ms); });
}

// The guard is told next: the disk may take its time after that.
TEST_F(AskedOf, the_end_does_not_wait_for_a_disk_that_hangs) {  // S6
  const HungFile hung("round-trips");
  auto ending = std::async(std::launch::async, [this] { supervisor_->shut_down(100ms); });
  EXPECT_EQ(ending.wait_for(5s), std::future_status::ready);
  HungFile::end();
  ending.wait();
  supervisor_.reset();
  EXPECT_EQ(state_->round_trips().at("supply"), Duration{1ms});
}

// The record fails, or events are lost, while the disk keeps the start from its run.
TEST_F(AskedOf, a_run_that_could_not_be_recorded_while_it_was_begun_fails) {  // S10
  ASSERT_TRUE(supervisor_->approve("left", profile_, cell_, true, {}));
  for (const std::string told : {"record-failed", "events-lost"}) {
    const HungFile hung("limits-left");
    auto starting = std::async(std::launch::async, [this] {
      return supervisor_->start("left", {.profile = profile_, .cell = cell_}, {});
    });
    HungFile::await();
    if (told == "events-lost") {
      guard_.lost = 3;
    } else {
      disk_fails = guard_.alarms = true;
    }
    EXPECT_TRUE(is_told(told));
    HungFile::end();
    EXPECT_TRUE(starting.get());
    for (int i = 0; i < 500 && phase() != "failed"; ++i) std::this_thread::sleep_for(10ms);
    EXPECT_EQ(phase(), "failed") << told;
    disk_fails = false;
  }
}

// Of two persons, one starts and the other stops: the output stays off.
TEST_F(AskedOf, a_start_that_is_under_way_comes_to_nothing_at_a_persons_stop) {  // S4
  std::optional<Answer<boost::json::object>> stopped;
  comes_to_nothing([&] { stopped = supervisor_->stop("left", {}); });
  ASSERT_TRUE(stopped && *stopped);
  EXPECT_TRUE((*stopped)->at("stopping").as_bool());
  EXPECT_FALSE(supervisor_->stop("left", {}));  // nothing is under way any more
}

TEST_F(AskedOf, a_start_that_is_under_way_comes_to_nothing_at_a_cut) {  // S4
  comes_to_nothing([&] { EXPECT_TRUE(supervisor_->cut("left", {})); });
}

// It would arm once nothing is latched any more.
TEST_F(AskedOf, a_trip_is_not_acknowledged_before_its_run_has_ended) {  // S4 S5
  ASSERT_TRUE(supervisor_->approve("left", profile_, cell_, true, {}));
  ASSERT_TRUE(supervisor_->start("left", {.profile = profile_, .cell = cell_}, {}));
  ASSERT_TRUE(state_->latch(0, {.fault = {.cause = safety::Cause::operator_cut},
                                .at = {},
                                .interrupted = false,
                                .run = {}}));
  const auto acknowledged = supervisor_->acknowledge("left", {});
  ASSERT_FALSE(acknowledged);
  EXPECT_NE(describe(acknowledged.error().why).find("has not ended yet"), std::string::npos);
}

// Another channel's start may stand in the disk for minutes, and keep this one waiting.
TEST_F(AskedOf, a_run_does_not_resume_long_after_the_bench_was_last_looked_at) {  // S9
  const Supervised on = parts();
  Recorder recorder(on.runs_folder, nullptr);
  EventPump pump({.guard = guard_,
                  .recorder = recorder,
                  .state = *state_,
                  .backlog = backlog_,
                  .channels = {"left"},
                  .instruments = {},
                  .wall = on.wall,
                  .log = on.log,
                  .events_lost = [] {}});
  RunThread run_thread(guard_, 1ms, nullptr);
  LinkTimes link_times(on);
  std::atomic<std::uint32_t> number = 0;
  Starting starting(on, {.recorder = recorder,
                         .pump = pump,
                         .run_thread = run_thread,
                         .link_times = link_times,
                         .next_number = number,
                         .is_withdrawn = [](std::uint8_t) { return false; },
                         .disk_hangs = [] { return false; },
                         .operated = {}});
  const auto run = starting.prepared(profile_, cell_, 0);
  ASSERT_TRUE(run);
  ASSERT_TRUE(state_->latch(0, {.fault = {.cause = safety::Cause::guard_internal},
                                .at = {},
                                .interrupted = true,
                                .run = "former"}));
  std::optional<drivers::Instant> last_cut;
  const auto is_refused = [&](std::chrono::seconds ago, const char* why) {
    GoingOn how{.resumed = {.run = "former", .times = 1, .carried = {}},
                .window = {drivers::volts(3), drivers::volts(4)},
                .looked_at = std::chrono::steady_clock::now() - ago,
                .last_cut = last_cut};
    const auto resumed = starting.resume(0, *run, how);
    ASSERT_FALSE(resumed);
    EXPECT_NE(describe(resumed.error().why).find(why), std::string::npos)
        << describe(resumed.error().why);
  };
  is_refused(16s, "took too long");
  is_refused(0s, "approved");  // asked anew: another profile may have been, meanwhile
  ASSERT_TRUE(supervisor_->approve("left", profile_, cell_, true, {}));
  is_refused(0s, "does not answer");
  last_cut = drivers::Instant{1s};  // and none since, or another
  is_refused(0s, "had to be cut");
}

// A disk that stands still for long: they were told that no answer came, and look elsewhere.
TEST_F(AskedOf, a_start_comes_to_nothing_once_nobody_waits_for_it) {  // S1
  bool left = false;
  comes_to_nothing([&left] { left = true; }, {.has_left = [&left] { return left; }});
  EXPECT_FALSE(supervisor_->acknowledge("left", {.has_left = [] { return true; }}));
  EXPECT_FALSE(
      supervisor_->approve("left", profile_, cell_, true, {.has_left = [] { return true; }}));
}

// It was there for its id, with the end and the times of the other.
TEST_F(AskedOf, a_denied_start_is_not_shown_as_the_run_before) {
  ASSERT_TRUE(supervisor_->approve("left", profile_, cell_, true, {}));
  ASSERT_TRUE(supervisor_->start("left", {.profile = profile_, .cell = cell_}, {}));
  ASSERT_TRUE(supervisor_->stop("left", {}));
  for (int i = 0; i < 1000 && state_->energised(0); ++i) std::this_thread::sleep_for(10ms);
  ASSERT_EQ(phase(), "stopped");
  EXPECT_FALSE(supervisor_->start("left", {.profile = profile_, .cell = cell_},
                                  {.has_left = [] { return true; }}));
  EXPECT_EQ(phase(), "refused");
}

TEST_F(AskedOf, a_start_whose_limits_the_disk_does_not_keep_is_on_record_as_refused) {  // S10
  fs::create_directories(folder_ + "/hut-bench/limits-left.json");
  comes_to_nothing({});
}

TEST_F(AskedOf, a_trip_that_the_disk_has_not_taken_yet_is_told_with_its_cause) {  // S5
  guard_.channel.state = safety::State::tripped;
  guard_.channel.trip.cause = safety::Cause::current_high;
  EXPECT_EQ(supervisor_->channel("left")->at("trip").at("cause").as_string(), "current-high");
  ASSERT_TRUE(
      state_->latch(0, {.fault = guard_.channel.trip, .at = {}, .interrupted = true, .run = "1"}));
  EXPECT_EQ(supervisor_->channel("left")->at("trip").at("cause").as_string(), "interrupted");
}

TEST_F(AskedOf, a_run_ends_where_a_disk_hangs_under_its_record_or_its_events) {  // S10
  using Steady = std::chrono::steady_clock::time_point;
  ASSERT_TRUE(supervisor_->approve("left", profile_, cell_, true, {}));
  Steady now{1h};
  for (std::atomic<bool>* hangs : {&disk_hangs, &guard_.hangs}) {
    const Hung hung(*hangs);
    ASSERT_TRUE(supervisor_->start("left", {.profile = profile_, .cell = cell_}, {}));
    // Whatever was under way is written, and the next write hangs.
    std::this_thread::sleep_for(1500ms);
    for (const auto later : {0s, 30s, 1s}) {
      EXPECT_EQ(phase(), "arming");
      std::this_thread::sleep_for(300ms);  // enough for whoever does not hang
      supervisor_->watch_the_disk(now += later);
    }
    for (int i = 0; i < 1000 && phase() != "failed"; ++i) std::this_thread::sleep_for(10ms);
    EXPECT_EQ(phase(), "failed");
    const auto another = supervisor_->start("left", {.profile = profile_, .cell = cell_}, {});
    ASSERT_FALSE(another);
    EXPECT_NE(describe(another.error().why).find("hangs"), std::string::npos);
    hung.end();
    for (int i = 0; i < 1000 && state_->energised(0); ++i) std::this_thread::sleep_for(10ms);
    EXPECT_FALSE(state_->energised(0));
    supervisor_->watch_the_disk(now += 1s);
  }
  // Both write again.
  const std::string before = backlog_.after(0).lines;
  for (const auto then : {2h, 3h}) {
    std::this_thread::sleep_for(300ms);
    supervisor_->watch_the_disk(Steady{then});
  }
  EXPECT_EQ(backlog_.after(0).lines, before);
}

}  // namespace
}  // namespace chargewright::daemon

extern "C" int fdatasync(int fd) {
  return chargewright::daemon::sync_unless_it_hangs(SYS_fdatasync, fd);
}
extern "C" int fsync(int fd) { return chargewright::daemon::sync_unless_it_hangs(SYS_fsync, fd); }

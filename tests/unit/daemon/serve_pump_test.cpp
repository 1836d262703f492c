// The order in which a trip and a run's end reach the disk, with the guard played by hand.

#include <gtest/gtest.h>

#include <boost/json.hpp>
#include <deque>
#include <filesystem>
#include <fstream>
#include <thread>

#include "daemon/serve/event_pump.h"

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;
using namespace std::chrono_literals;
using Kind = safety::Event::Kind;

class PlayedGuard : public GuardSide {
 public:
  std::deque<safety::Event> events;
  safety::Snapshot shown;
  std::uint64_t lost = 0;

  std::vector<safety::Request> requests;

  bool request(const safety::Request& request) override {
    requests.push_back(request);
    return true;
  }
  void snapshot(safety::Snapshot& into) override { into = shown; }
  drivers::Instant now() override { return drivers::Instant{1s}; }
  bool take_event(safety::Event& event) override {
    if (events.empty()) return false;
    event = events.front();
    events.pop_front();
    return true;
  }
  std::uint64_t events_lost() override { return lost; }
  std::vector<InstrumentFacts> instruments() override { return {}; }
};

class Pump : public testing::Test {
 protected:
  Pump() {
    std::string name = (fs::temp_directory_path() / "chargewright-pump-XXXXXX").string();
    folder_ = ::mkdtemp(name.data());
    fs::create_directory(folder_ + "/runs");
    state_ = std::move(StateStore::open(folder_, "hut-bench", {"left"}, WallTime{}).value());
    recorder_ =
        std::make_unique<Recorder>(folder_ + "/runs", [](std::uint8_t, const drivers::Failure&) {});
    pump_ = std::make_unique<EventPump>(
        EventPump::Parts{.guard = guard_,
                         .recorder = *recorder_,
                         .state = *state_,
                         .backlog = backlog_,
                         .channels = {"left"},
                         .instruments = {},
                         .wall = [] { return wall_time(1'790'000'000); },
                         .log = [](LogLevel, const std::string&) {},
                         .events_lost = [this] { ++told_of_losses_; }});
    guard_.shown.channels = 1;
  }
  ~Pump() override {
    pump_.reset();
    recorder_.reset();
    fs::remove_all(folder_);
  }

  // As the supervisor begins a run: record, marker, pump.
  void begin_run(const std::string& resumes = {},
                 const std::optional<safety::Limits>& limits_before = {}) {
    RecordHeader header;
    header.bench = "hut-bench";
    header.channel = "left";
    header.profile = "p";
    header.cell = "c";
    path_ = recorder_->begin(0, header).value();
    ASSERT_TRUE(state_->mark_energised(
        0, {.since = {}, .run = run_id(path_), .profile = "p", .cell = "c"}));
    pump_->begin_run(0,
                     {.id = run_id(path_),
                      .profile = "p",
                      .cell = "c",
                      .steps = {"fill"},
                      .progress = {},
                      .resumes = resumes},
                     limits_before);
  }
  void offer_to_resume() {
    Energised marker = *state_->energised(0);
    marker.offer.emplace();
    ASSERT_TRUE(state_->mark_energised(0, marker));
  }
  // Nothing can be written there, whoever tries.
  void refuse_on_disk(const std::string& file) {
    fs::create_directory(folder_ + "/hut-bench/" + file + ".new");
  }
  std::unique_ptr<StateStore> next_life() {
    return std::move(StateStore::open(folder_, "hut-bench", {"left"}, WallTime{}).value());
  }
  void end_run(Phase phase) {
    Progress progress;
    progress.phase = phase;
    pump_->progress(progress, drivers::Instant{2s});
  }
  void state(safety::State state) { guard_.shown.channel[0].state = state; }
  void trip(safety::Cause cause) {
    safety::Event event;
    event.kind = Kind::tripped;
    event.fault.cause = cause;
    event.fault.measured = 4.3;
    event.fault.limit = 4.24;
    guard_.events.push_back(event);
  }
  void acknowledge(std::uint32_t number = 0) {
    safety::Event event;
    event.kind = Kind::acknowledged;
    event.number = number;
    guard_.events.push_back(event);
  }
  // While the pump turns: bounded, and no more than it needs.
  template <class Claim>
  bool comes_true(Claim claim, std::chrono::milliseconds within = 10s) {
    for (auto left = within; !claim(); left -= 10ms) {
      if (left <= 0ms) return false;
      pump_->turn();
      std::this_thread::sleep_for(10ms);
    }
    return true;
  }
  // The recorder ends records on its own thread: bounded, and no more than it needs.
  bool closes() {
    for (int i = 0; i < 500 && pump_->is_busy(0); ++i) {
      pump_->turn();
      if (pump_->is_busy(0)) std::this_thread::sleep_for(10ms);
    }
    return !pump_->is_busy(0);
  }

  std::string folder_;
  std::string path_;
  PlayedGuard guard_;
  Backlog backlog_;
  std::unique_ptr<StateStore> state_;
  std::unique_ptr<Recorder> recorder_;
  std::unique_ptr<EventPump> pump_;
  int told_of_losses_ = 0;
};

TEST_F(Pump, a_trip_is_latched_on_the_disk_with_its_run) {  // S5
  begin_run();
  trip(safety::Cause::voltage_high);
  pump_->turn();
  const auto next_life =
      StateStore::open(folder_, "hut-bench", {"left"}, WallTime{}).value()->trip(0);
  ASSERT_TRUE(next_life);
  EXPECT_EQ(next_life->fault.cause, safety::Cause::voltage_high);
  EXPECT_EQ(next_life->run, run_id(path_));
  EXPECT_NE(backlog_.after(0).lines.find("\"tripped\""), std::string::npos);
}

TEST_F(Pump, the_first_telling_of_a_trip_stands) {  // S5
  LatchedTrip first;
  first.fault.cause = safety::Cause::guard_internal;
  first.interrupted = true;
  first.run = "former";
  ASSERT_TRUE(state_->latch(0, first));
  trip(safety::Cause::guard_internal);  // told again, when the output was proved off anew
  pump_->turn();
  EXPECT_TRUE(state_->trip(0)->interrupted);
  trip(safety::Cause::temperature_high);  // something else
  pump_->turn();
  EXPECT_EQ(state_->trip(0)->fault.cause, safety::Cause::temperature_high);
}

TEST_F(Pump, a_refusal_is_told_with_what_was_found) {  // S1
  begin_run();
  safety::Event event;
  event.kind = Kind::refused;
  event.refusal = safety::Refusal::open_circuit_implausible;
  event.fault.measured = 2.5;
  event.fault.limit = 3;
  guard_.events.push_back(event);
  pump_->turn();
  Progress progress;
  progress.phase = Phase::refused;
  progress.refusal = event.refusal;
  RunFacts run = *pump_->run(0);
  run.progress = progress;
  const std::string told(progress_json(run, "left", {}).at("refusal_description").as_string());
  EXPECT_TRUE(told.ends_with("(2.500 V; at least 3.000 V)")) << told;
  EXPECT_NE(backlog_.after(0).lines.find("(2.500 V; at least 3.000 V)"), std::string::npos);
  run.progress.refusal = safety::Refusal::no_dead_man;  // by another word since
  EXPECT_EQ(progress_json(run, "left", {}).at("refusal_description").as_string(),
            describe(safety::Refusal::no_dead_man));
}

TEST_F(Pump, an_acknowledgement_is_the_end_of_the_latched_trip) {  // S5
  trip(safety::Cause::voltage_high);
  safety::Event event;
  event.kind = Kind::acknowledged;
  event.number = 77;
  guard_.events.push_back(event);
  pump_->turn();
  EXPECT_FALSE(state_->trip(0));
  const auto answer = pump_->await_answer(77, 0ms);
  ASSERT_TRUE(answer);
  EXPECT_EQ(answer->kind, Kind::acknowledged);
  EXPECT_FALSE(pump_->await_answer(78, 0ms));
}

TEST_F(Pump, the_marker_stays_until_off_is_verified_and_the_end_is_recorded) {  // S5 S9
  begin_run();
  end_run(Phase::done);
  for (const auto not_yet : {safety::State::energised, safety::State::unknown,
                             safety::State::cutting, safety::State::ready}) {
    state(not_yet);
    for (int i = 0; i < 3; ++i) pump_->turn();
    EXPECT_TRUE(recorder_->is_open(0));
    EXPECT_TRUE(state_->energised(0));
    EXPECT_TRUE(pump_->is_busy(0));
  }
  state(safety::State::off);
  EXPECT_TRUE(closes());
  EXPECT_FALSE(state_->energised(0));
  const auto summary = summarise(path_);
  ASSERT_TRUE(summary);
  ASSERT_TRUE(summary->end);
  EXPECT_EQ(summary->end->phase, Phase::done);
}

TEST_F(Pump, what_led_to_the_end_is_recorded_before_it) {  // S10
  begin_run();
  state(safety::State::tripped);
  trip(safety::Cause::temperature_high);
  end_run(Phase::tripped);
  EXPECT_TRUE(closes());
  const auto summary = summarise(path_);
  ASSERT_TRUE(summary);
  EXPECT_EQ(summary->end->phase, Phase::tripped);
  EXPECT_NE(summary->trip, "");
}

TEST_F(Pump, a_run_that_never_ran_does_not_take_the_tallies_of_the_one_before) {  // S10
  guard_.shown.channel[0].charge_in = 7200;
  state(safety::State::off);
  for (const Phase ending : {Phase::refused, Phase::stopped, Phase::tripped, Phase::failed}) {
    begin_run();
    end_run(ending);
    EXPECT_TRUE(closes());
    EXPECT_EQ(summarise(path_)->end->charge_in_ah, 0) << key_of(ending);
  }
  begin_run();
  end_run(Phase::running);
  end_run(Phase::refused);  // a later step, by the gate
  EXPECT_TRUE(closes());
  EXPECT_EQ(summarise(path_)->end->charge_in_ah, 2);
}

TEST_F(Pump, a_run_that_never_ran_leaves_the_watch_to_the_limits_of_the_one_before) {  // S8
  const auto above = [this] { return next_life()->limits(0)->temperature_above->value; };
  const auto limits = [](drivers::Celsius most) {
    safety::Limits all;
    all.temperature_above.emplace(safety::Limit<drivers::Celsius>{.value = most});
    return all;
  };
  state(safety::State::off);
  for (const bool runs : {false, true}) {
    ASSERT_TRUE(state_->keep_limits(0, limits(drivers::celsius(45))));
    begin_run({}, state_->limits(0));
    ASSERT_TRUE(state_->keep_limits(0, limits(drivers::celsius(60))));
    if (runs) end_run(Phase::running);
    end_run(Phase::stopped);
    EXPECT_TRUE(closes());
    EXPECT_EQ(above(), drivers::celsius(runs ? 60 : 45));
  }
}

TEST_F(Pump, lost_events_fail_the_runs_and_a_trip_among_them_is_not_lost) {  // S5 S10
  guard_.lost = 3;
  guard_.shown.channel[0].trip.cause = safety::Cause::current_high;
  pump_->turn();
  pump_->turn();
  EXPECT_EQ(told_of_losses_, 1);
  ASSERT_TRUE(state_->trip(0));
  EXPECT_EQ(state_->trip(0)->fault.cause, safety::Cause::current_high);
}

TEST_F(Pump, all_that_is_queued_is_recorded_at_the_end_however_much) {  // S10
  begin_run();
  constexpr int many = 30'000;  // nearly what the guard's queue holds, far more than the recorder's
  for (int i = 0; i < many; ++i) {
    safety::Event event;
    event.kind = Kind::reading;
    event.reading = {.validity = drivers::Validity::valid, .value = 3.7};
    event.reading.answered = drivers::Instant{std::chrono::milliseconds(i)};
    guard_.events.push_back(event);
  }
  pump_->stop();  // to be told before it begins: what comes at once in a life is lost
  pump_->start([](const std::string& why) { FAIL() << why; });
  pump_->stop();
  pump_.reset();
  const bool failed = recorder_->failed(0);
  recorder_.reset();
  EXPECT_FALSE(failed);
  const std::string to = folder_ + "/all.csv";
  ASSERT_TRUE(export_record(path_, ExportFormat::csv, to));
  std::ifstream file(to);
  EXPECT_EQ(std::count(std::istreambuf_iterator<char>(file), {}, '\n') - 1, many);
}

TEST_F(Pump, stages_of_a_cut_carry_their_time_from_the_first_cause) {  // S4
  safety::Event event;
  event.kind = Kind::cause_present;
  event.fault.cause = safety::Cause::voltage_high;
  event.fault.at = drivers::Instant{10s};
  guard_.events.push_back(event);
  event = {};
  event.kind = Kind::cut_stage;
  event.at = drivers::Instant{10s + 25ms};
  guard_.events.push_back(event);
  pump_->turn();
  const std::string lines = backlog_.after(0).lines;
  EXPECT_NE(lines.find("\"after_ms\":2.5E1"), std::string::npos) << lines;
}

TEST_F(Pump, a_resumed_run_that_never_ran_is_held_as_interrupted) {  // S5 S9
  for (const Phase ending : {Phase::refused, Phase::failed, Phase::stopped}) {
    begin_run("former");
    state(safety::State::off);
    end_run(ending);
    EXPECT_TRUE(closes());
    ASSERT_TRUE(state_->trip(0));
    EXPECT_TRUE(state_->trip(0)->interrupted);
    EXPECT_EQ(state_->trip(0)->run, run_id(path_));
    EXPECT_FALSE(state_->energised(0));
    ASSERT_FALSE(guard_.requests.empty());
    EXPECT_EQ(guard_.requests.back().kind, safety::Request::Kind::hold);
    guard_.requests.clear();
    ASSERT_TRUE(state_->acknowledge(0));
  }
}

TEST_F(Pump, a_resumed_run_that_is_held_stays_interrupted_where_the_disk_takes_that_late) {  // S5
  begin_run("former");
  state(safety::State::off);
  refuse_on_disk("trip-left.json");
  end_run(Phase::refused);
  EXPECT_TRUE(closes());
  fs::remove(folder_ + "/hut-bench/trip-left.json.new");
  trip(safety::Cause::guard_internal);  // by the hold
  pump_->turn();
  const auto kept = next_life()->trip(0);
  ASSERT_TRUE(kept);
  EXPECT_TRUE(kept->interrupted);
  EXPECT_EQ(kept->run, run_id(path_));
  EXPECT_TRUE(state_->trip(0)->interrupted);
}

// What was acknowledged for it goes from the disk late: it must not take the hold with it.
TEST_F(Pump, a_resumed_run_is_held_also_where_the_disk_did_not_let_the_interruption_go) {  // S5 S9
  ASSERT_TRUE(state_->latch(0, {.fault = {.cause = safety::Cause::guard_internal},
                                .at = {},
                                .interrupted = true,
                                .run = "former"}));
  begin_run("former");
  state(safety::State::off);
  const std::string file = folder_ + "/hut-bench/trip-left.json";
  fs::rename(file, file + ".kept");
  fs::create_directories(file + "/no-file");
  acknowledge();
  pump_->turn();
  end_run(Phase::refused);
  EXPECT_TRUE(closes());
  fs::remove_all(file);
  EXPECT_FALSE(comes_true([this] { return !state_->trip(0); }, 1500ms));
  ASSERT_TRUE(state_->trip(0));
  EXPECT_TRUE(state_->trip(0)->interrupted);
  ASSERT_FALSE(guard_.requests.empty());
  EXPECT_EQ(guard_.requests.back().kind, safety::Request::Kind::hold);
}

// The daemon's own acknowledgement, whose answer comes late, does not pass for one.
TEST_F(Pump, a_person_who_acknowledges_what_could_not_resume_has_looked) {  // S5 S9
  for (const bool person : {true, false}) {
    ASSERT_TRUE(state_->latch(0, {.fault = {.cause = safety::Cause::guard_internal},
                                  .at = {},
                                  .interrupted = true,
                                  .run = "former"}));
    begin_run("former");
    state(safety::State::unknown);
    end_run(Phase::refused);
    pump_->turn();
    if (person) pump_->person_looks(0, 7);
    acknowledge(person ? 7 : 8);
    pump_->turn();
    EXPECT_FALSE(state_->trip(0));
    state(safety::State::off);
    EXPECT_TRUE(closes());
    EXPECT_EQ(state_->trip(0).has_value(), !person);
    EXPECT_EQ(guard_.requests.empty(), person);
  }
}

TEST_F(Pump, knows_when_the_guard_last_began_to_cut) {  // S9
  EXPECT_FALSE(pump_->last_cut(0));
  safety::Event event;
  event.kind = Kind::state_changed;
  for (const auto& [to, at] :
       {std::pair{safety::State::cutting, 1s}, {safety::State::tripped, 2s}}) {
    event.to = to;
    event.at = drivers::Instant{at};
    guard_.events.push_back(event);
  }
  pump_->turn();
  EXPECT_EQ(pump_->last_cut(0), drivers::Instant{1s});
}

TEST_F(Pump, a_run_that_a_person_started_or_that_ran_is_not_held) {  // S9
  begin_run();
  state(safety::State::off);
  end_run(Phase::refused);
  EXPECT_TRUE(closes());
  EXPECT_FALSE(state_->trip(0));
  begin_run("former");
  end_run(Phase::running);
  pump_->turn();
  end_run(Phase::failed);
  EXPECT_TRUE(closes());
  EXPECT_FALSE(state_->trip(0));
  EXPECT_TRUE(guard_.requests.empty());
}

TEST_F(Pump, a_trip_is_not_replaced_by_what_could_not_resume) {  // S5 S9
  begin_run("former");
  trip(safety::Cause::operator_cut);
  state(safety::State::tripped);
  end_run(Phase::refused);
  EXPECT_TRUE(closes());
  ASSERT_TRUE(state_->trip(0));
  EXPECT_EQ(state_->trip(0)->fault.cause, safety::Cause::operator_cut);
  EXPECT_FALSE(state_->trip(0)->interrupted);
}

// No run was under way: no marker stands in for it.
TEST_F(Pump, a_trip_that_the_disk_took_late_is_there_for_the_next_life) {  // S5
  refuse_on_disk("trip-left.json");
  trip(safety::Cause::operator_cut);
  pump_->turn();
  ASSERT_FALSE(next_life()->trip(0));
  fs::remove(folder_ + "/hut-bench/trip-left.json.new");
  EXPECT_TRUE(comes_true([this] { return next_life()->trip(0).has_value(); }));
  EXPECT_EQ(next_life()->trip(0)->fault.cause, safety::Cause::operator_cut);
}

// The guard has taken it, and would refuse the next one.
TEST_F(Pump, an_acknowledgement_that_the_disk_took_late_lets_the_channel_start) {  // S5
  trip(safety::Cause::voltage_high);
  pump_->turn();
  const std::string file = folder_ + "/hut-bench/trip-left.json";
  fs::rename(file, file + ".aside");
  fs::create_directory(file);  // which cannot be removed like a file
  acknowledge();
  pump_->turn();
  ASSERT_TRUE(state_->trip(0));
  fs::remove(file);
  fs::rename(file + ".aside", file);
  EXPECT_TRUE(comes_true([this] { return !state_->trip(0); }));
  EXPECT_FALSE(next_life()->trip(0));
}

TEST_F(Pump, a_trip_after_an_acknowledgement_that_the_disk_did_not_take_is_another_one) {  // S5
  trip(safety::Cause::voltage_high);
  pump_->turn();
  const std::string file = folder_ + "/hut-bench/trip-left.json";
  fs::remove(file);
  fs::create_directory(file);
  acknowledge();
  pump_->turn();
  fs::remove(file);
  begin_run();
  trip(safety::Cause::voltage_high);
  pump_->turn();
  EXPECT_FALSE(comes_true([this] { return !state_->trip(0); }, 1500ms));
  ASSERT_TRUE(next_life()->trip(0));
  EXPECT_EQ(next_life()->trip(0)->run, run_id(path_));
}

TEST_F(Pump, a_persons_word_withdraws_the_offer_to_resume) {  // S9
  begin_run();
  offer_to_resume();
  pump_->turn();
  EXPECT_TRUE(state_->energised(0)->offer);
  pump_->withdraw_offer(0);
  pump_->turn();
  ASSERT_TRUE(state_->energised(0));
  EXPECT_FALSE(state_->energised(0)->offer);
}

// As when a person cuts a channel that has tripped: the guard tells its trip anew.
TEST_F(Pump, a_trip_that_the_disk_refused_is_not_kept_by_being_told_again) {  // S5
  begin_run();
  refuse_on_disk("trip-left.json");
  state(safety::State::tripped);
  for (int i = 0; i < 2; ++i) trip(safety::Cause::temperature_high);
  end_run(Phase::tripped);
  EXPECT_TRUE(closes());
  fs::remove(folder_ + "/hut-bench/trip-left.json.new");
  EXPECT_TRUE(next_life()->trip(0));  // by its marker

  trip(safety::Cause::temperature_high);
  pump_->turn();
  const auto kept = next_life()->trip(0);
  ASSERT_TRUE(kept);
  EXPECT_EQ(kept->fault.cause, safety::Cause::temperature_high);
  EXPECT_EQ(kept->run, run_id(path_));  // the first one: its run is over by now
}

// Its marker stands in for the trip: the next life latches it, and must not go on with the run.
TEST_F(Pump, a_run_that_ended_by_a_trip_that_the_disk_refused_does_not_resume) {  // S5 S9
  begin_run();
  offer_to_resume();
  refuse_on_disk("trip-left.json");
  trip(safety::Cause::temperature_high);
  state(safety::State::tripped);
  end_run(Phase::tripped);
  EXPECT_TRUE(closes());
  fs::remove(folder_ + "/hut-bench/trip-left.json.new");
  const auto next = next_life();
  ASSERT_TRUE(next->trip(0));
  EXPECT_FALSE(next->interrupted(0));
}

}  // namespace
}  // namespace chargewright::daemon

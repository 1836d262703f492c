// The run thread against the real guard on the simulated bench, all turned by the test's own hand;
// only the thread itself is real.
#include <gtest/gtest.h>

#include <future>

#include "daemon/run/run_thread.h"
#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;

// The guard of a stage behind a mutex, in place of the guard thread.
class StagePort final : public GuardPort {
 public:
  StagePort() {
    const profiles::Bench on = bench();
    plant_ = profiles::plant_of(on);
    plant_.channels[0] = paced(plant_.channels[0], 1s);
    stage_ = std::make_unique<Stage>(twin_of(on, 0, cell(), {}), plant_, now_);
  }
  bool request(const safety::Request& request) override {
    const std::lock_guard lock(mutex_);
    if (full) return false;
    stage_->guard().request(request, stage_->now());
    return true;
  }
  void snapshot(safety::Snapshot& into) override {
    while (hangs) {
      is_hung = true;
      std::this_thread::sleep_for(1ms);
    }
    const std::lock_guard lock(mutex_);
    stage_->guard().snapshot(into, stage_->now());
  }
  drivers::Instant now() override {
    const std::lock_guard lock(mutex_);
    return stage_->now();
  }
  void advance(drivers::Duration step) {
    const std::lock_guard lock(mutex_);
    now_ += step;
    stage_->turn(now_);
  }
  bool output_is_on() {
    const std::lock_guard lock(mutex_);
    return stage_->bench().output(supply).is_on();
  }
  Sequencer::Setup setup(profiles::Procedure steps) {
    return {0, plant_.channels[0], plan(), std::move(steps), {}};
  }
  std::atomic<bool> full{false};
  std::atomic<bool> hangs{false};  // whoever looks
  std::atomic<bool> is_hung{false};

 private:
  std::mutex mutex_;
  safety::Plant plant_;
  drivers::Instant now_{1h};
  std::unique_ptr<Stage> stage_;
};

// Virtual seconds pass at a pace that leaves the thread several looks at each.
template <class Claim>
bool until(StagePort& port, Claim claim) {
  for (int i = 0; i < 20'000; ++i) {
    if (claim()) return true;
    port.advance(500ms);
    std::this_thread::sleep_for(1ms);
  }
  return false;
}

TEST(RunThread, carries_a_run_to_its_end_and_tells_its_steps) {
  StagePort port;
  std::vector<Progress> told;
  {
    RunThread thread(port, 100us,
                     [&](const Progress& progress, drivers::Instant) { told.push_back(progress); });
    const auto step =
        charge(4.0_A, 4.2_V,
               when(compare(profiles::Subject::step_time, profiles::Comparison::at_least, 60)));
    ASSERT_TRUE(thread.start(port.setup(procedure({step, rest(30s)}))));
    EXPECT_TRUE(thread.start(port.setup(procedure({step}))).has_error()) << "one run at a time";
    ASSERT_TRUE(until(port, [&] { return !thread.is_running(0); }));
    EXPECT_EQ(thread.progress(0)->phase, Phase::done);
  }
  EXPECT_FALSE(port.output_is_on());
  ASSERT_FALSE(told.empty());
  EXPECT_EQ(told.front().phase, Phase::arming);
  EXPECT_EQ(told.back().phase, Phase::done);
}

TEST(RunThread, stops_a_run_at_a_persons_word) {
  StagePort port;
  RunThread thread(port, 100us, nullptr);
  EXPECT_FALSE(thread.stop(0));
  ASSERT_TRUE(thread.start(port.setup(procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))}))));
  ASSERT_TRUE(until(port, [&] { return port.output_is_on(); }));
  EXPECT_TRUE(thread.stop(0));
  ASSERT_TRUE(until(port, [&] { return !thread.is_running(0); }));
  EXPECT_EQ(thread.progress(0)->phase, Phase::stopped);
  EXPECT_FALSE(port.output_is_on());
}

// Who asks and says is the thread of the control socket, which has to hear the next cut; or the one
// that ends the daemon.
TEST(RunThread, that_hangs_keeps_nobody_waiting_who_looks_or_stops) {  // S4 S6
  for (const bool stops : {true, false}) {
    StagePort port;
    RunThread thread(port, 100us, nullptr);
    ASSERT_TRUE(
        thread.start(port.setup(procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))}))));
    ASSERT_TRUE(until(port, [&] { return port.output_is_on(); }));
    ASSERT_TRUE(until(port, [&] { return thread.progress(0)->phase == Phase::running; }));
    port.hangs = true;
    while (!port.is_hung) std::this_thread::sleep_for(1ms);
    auto asking = std::async(std::launch::async, [&] {
      EXPECT_EQ(thread.progress(0)->phase, Phase::running);
      EXPECT_TRUE(stops ? thread.stop(0) : thread.fail(0));
      EXPECT_TRUE(stops ? thread.fail(0) : thread.stop(0));  // the first word stands
      EXPECT_TRUE(thread.is_running(0));
    });
    EXPECT_EQ(asking.wait_for(5s), std::future_status::ready);
    port.hangs = false;
    asking.wait();
    ASSERT_TRUE(until(port, [&] { return !thread.is_running(0); }));
    EXPECT_EQ(thread.progress(0)->phase, stops ? Phase::stopped : Phase::failed);
    EXPECT_FALSE(port.output_is_on());
  }
}

// Its record and its marker wait for that.
TEST(RunThread, tells_the_end_of_a_run_that_was_stopped_before_it_asked_to_arm) {  // S9 S10
  StagePort port;  // whose guard has yet to bring its output to off
  std::atomic<bool> told{false};
  RunThread thread(port, 100us, [&](const Progress& progress, drivers::Instant) {
    told = told || progress.phase == Phase::stopped;
  });
  ASSERT_TRUE(thread.start(port.setup(procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))}))));
  ASSERT_TRUE(thread.stop(0));
  for (int i = 0; i < 5000 && !told; ++i) std::this_thread::sleep_for(1ms);
  EXPECT_TRUE(told);
  EXPECT_FALSE(thread.is_running(0));
}

TEST(RunThread, that_cannot_reach_the_guard_is_cut_by_it) {  // S6
  StagePort port;
  RunThread thread(port, 100us, nullptr);
  ASSERT_TRUE(thread.start(port.setup(procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))}))));
  ASSERT_TRUE(until(port, [&] { return port.output_is_on(); }));
  port.full = true;
  ASSERT_TRUE(until(port, [&] { return !thread.is_running(0); }));
  EXPECT_EQ(thread.progress(0)->phase, Phase::tripped);
  EXPECT_EQ(thread.progress(0)->trip.cause, safety::Cause::sequencer_late);
  EXPECT_FALSE(port.output_is_on());
}

}  // namespace
}  // namespace chargewright::daemon

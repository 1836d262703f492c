// A sequencer changes its phase by the rows of the table, and takes each of them (S1, S4, S8, S9).
#include <gtest/gtest.h>

#include <set>

#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;
using safety::State;

// A sequencer shown one snapshot after the other; every change of its phase is noted.
class Shown {
 public:
  explicit Shown(profiles::PlannedStep step = charge(1.0_A, 4.2_V, current_at_most(0.1_A)))
      : sequencer_({0, safety_plan(), plan(), procedure({std::move(step)}), {}}, now_) {}

  Phase see(State state, safety::Cause cause = safety::Cause::none,
            safety::Refusal refusal = safety::Refusal::none) {
    safety::ChannelSnapshot snapshot;
    snapshot.state = state;
    snapshot.trip.cause = cause;
    snapshot.refusal = refusal;
    return note([&] { sequencer_.turn(snapshot, now_ += 100ms); });
  }
  Phase stop() {
    return note([&] { sequencer_.stop(now_); });
  }
  Phase fail() {
    return note([&] { sequencer_.fail(now_); });
  }
  void pass(drivers::Duration time) { now_ += time; }
  static std::set<std::pair<Phase, Phase>> taken;

 private:
  static safety::ChannelPlan safety_plan() {
    return paced(profiles::plant_of(bench()).channels[0], 1s);
  }
  template <class Act>
  Phase note(Act act) {
    const Phase before = sequencer_.progress().phase;
    act();
    safety::Request request;
    while (sequencer_.take_request(request)) {
    }
    const Phase after = sequencer_.progress().phase;
    taken.insert({before, after});
    return after;
  }
  drivers::Instant now_{1h};
  Sequencer sequencer_;
};
std::set<std::pair<Phase, Phase>> Shown::taken;

TEST(RunTable, is_walked_row_by_row_by_a_sequencer) {  // S1 S4 S8
  using safety::Cause;
  using safety::Refusal;
  Shown::taken.clear();
  EXPECT_EQ(Shown().stop(), Phase::stopped);  // nothing asked for yet
  EXPECT_EQ(Shown().fail(), Phase::failed);
  {
    Shown refused;
    refused.see(State::off);
    EXPECT_EQ(refused.see(State::off, Cause::none, Refusal::latched_trip), Phase::refused);
  }
  {
    Shown cut_in_arming;
    cut_in_arming.see(State::off);
    cut_in_arming.see(State::arming);
    EXPECT_EQ(cut_in_arming.see(State::cutting, Cause::operator_cut), Phase::tripped);
  }
  const auto armed = [](profiles::PlannedStep step = charge(1.0_A, 4.2_V, current_at_most(0.1_A))) {
    auto shown = std::make_unique<Shown>(std::move(step));
    shown->see(State::off);
    shown->see(State::arming);
    EXPECT_EQ(shown->see(State::ready), Phase::running);
    return shown;
  };
  {
    auto shown = armed();
    EXPECT_EQ(shown->see(State::tripped, Cause::voltage_high), Phase::tripped);
  }
  {
    auto shown = armed();
    EXPECT_EQ(shown->stop(), Phase::stopping);
    EXPECT_EQ(shown->see(State::unknown), Phase::stopping);
    EXPECT_EQ(shown->see(State::off), Phase::stopped);
  }
  {
    auto shown = armed();
    EXPECT_EQ(shown->fail(), Phase::stopping);
    EXPECT_EQ(shown->see(State::off), Phase::failed);
  }
  {
    auto shown = armed();
    EXPECT_EQ(shown->stop(), Phase::stopping);
    EXPECT_EQ(shown->see(State::cutting), Phase::stopping);  // no cause is told yet
    EXPECT_EQ(shown->see(State::tripped, Cause::operator_cut), Phase::tripped);
  }
  {
    Shown slow;
    slow.see(State::off);
    slow.see(State::arming);
    slow.pass(1h);
    EXPECT_EQ(slow.see(State::arming), Phase::stopping);
    EXPECT_EQ(slow.see(State::off), Phase::refused);
  }
  {
    auto shown = armed(rest(10s));
    shown->see(State::ready);
    shown->pass(10s);
    EXPECT_EQ(shown->see(State::ready), Phase::stopping);
    EXPECT_EQ(shown->see(State::off), Phase::done);
  }
  std::set<std::pair<Phase, Phase>> listed;
  for (const auto& row : safety::run_table) {
    // The next life alone takes these: daemon/record/list, close_interrupted.
    if (row.to != Phase::interrupted) listed.insert({row.from, row.to});
  }
  for (const auto& [from, to] : listed) {
    EXPECT_TRUE(Shown::taken.contains({from, to})) << key_of(from) << " -> " << key_of(to);
  }
  for (const auto& [from, to] : Shown::taken) {
    if (from == to) continue;
    EXPECT_TRUE(listed.contains({from, to})) << key_of(from) << " -> " << key_of(to);
  }
}

}  // namespace
}  // namespace chargewright::daemon

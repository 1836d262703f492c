// What only a bug of ours or a stray write can bring about ends in a cut, too (S2, S4).
#include <gtest/gtest.h>

#include "safety/channel_guard.h"
#include "support.h"

namespace chargewright::safety::testing {
namespace {

// A channel without its guard, on a bench that obeys; with the doors that only a bug has.
class Channel : public ChannelGuard {
 public:
  explicit Channel(const ChannelPlan& plan = plan_of()) : ChannelGuard(plan, 0) {}
  using ChannelGuard::may;
  using ChannelGuard::run_;
  using ChannelGuard::switch_on;
  using ChannelGuard::transit;

  void pass(Duration time) {
    for (const Instant end = now + time; now < end; now += 1ms) {
      ask(Request::Kind::heartbeat);
      turn(now, *out);
      for (Order order; out->take_order(order);) bench.obey(order, now);
      for (Outcome outcome; bench.take(outcome, now);) see(outcome, now, *out);
      for (Event event; out->take_event(event);) events.push_back(event);
    }
  }
  void ask(Request::Kind kind) {
    Request asked;
    asked.kind = kind;
    asked.plan = run_plan();
    asked.voltage = 4.20_V;
    asked.current = 2.4_A;
    request(asked, now, *out);
  }
  ChannelSnapshot shown() {
    ChannelSnapshot snapshot;
    ChannelGuard::snapshot(snapshot, now);
    return snapshot;
  }
  int changes() const {
    int count = 0;
    for (const Event& event : events) count += event.kind == Event::Kind::state_changed ? 1 : 0;
    return count;
  }

  Instant now = at(0s);
  FakeBench bench;
  std::unique_ptr<Outbox> out = std::make_unique<Outbox>();
  std::vector<Event> events;
};

TEST(APairThatTheTableDoesNotList, cuts_as_a_fault_of_our_own) {  // S4
  for (const Transition wrong : {Transition::energise, Transition::de_energise, Transition::finish,
                                 Transition::acknowledge, Transition::permissives_met}) {
    Channel channel;
    channel.start(channel.now, *channel.out);
    channel.pass(2s);
    ASSERT_EQ(channel.state(), State::off);
    channel.transit(wrong, channel.now, *channel.out);
    EXPECT_EQ(channel.state(), State::cutting) << key_of(wrong);
    channel.pass(2s);
    EXPECT_EQ(channel.state(), State::tripped);
    EXPECT_EQ(channel.shown().trip.cause, Cause::guard_internal) << key_of(wrong);
  }
}

TEST(AnOutputOn, that_is_asked_for_where_nothing_is_ready_is_not_ordered_and_cuts) {  // S2 S4
  Channel channel;
  channel.start(channel.now, *channel.out);
  channel.pass(2s);
  ASSERT_EQ(channel.state(), State::off);
  channel.switch_on(channel.now, *channel.out);
  for (Order order; channel.out->take_order(order);) EXPECT_NE(order.verb, Verb::output_on);
  EXPECT_EQ(channel.state(), State::cutting);
  EXPECT_EQ(channel.shown().trip.cause, Cause::guard_internal);
}

TEST(APairThatTheTableDoesNotList, leaves_the_cause_of_a_cut_that_is_under_way) {  // S4 S5
  Channel channel;
  channel.start(channel.now, *channel.out);
  channel.pass(2s);
  channel.bench.ignores_off = channel.bench.output = true;  // the cut does not end
  channel.pass(2s);
  ASSERT_EQ(channel.state(), State::cutting);
  ASSERT_EQ(channel.shown().trip.cause, Cause::output_on_unbidden);
  const int changes = channel.changes();
  channel.transit(Transition::finish, channel.now, *channel.out);
  EXPECT_EQ(channel.state(), State::cutting);
  EXPECT_EQ(channel.shown().trip.cause, Cause::output_on_unbidden);
  channel.pass(100ms);
  EXPECT_EQ(channel.changes(), changes);  // it did not change, so nothing is told of a change
}

TEST(WhatNeedsNothing, may_always_be) {  // S4: a fault is never held up
  Channel channel;
  channel.start(channel.now, *channel.out);
  EXPECT_TRUE(channel.may(Transition::fault, channel.now));
  EXPECT_FALSE(channel.may(Transition::off_verified, channel.now));
}

TEST(TheGatesLimits, that_changed_in_memory_cut_before_the_next_setpoint) {  // S2
  const auto stray = std::vector<std::function<void(RunPlan&)>>{
      [](RunPlan& run) { run.limits.voltage_above->value = 4.9_V; },
      [](RunPlan& run) { run.limits.current_above.reset(); },
      [](RunPlan& run) { run.limits.power_above->value = 999.0_W; }};
  for (std::size_t k = 0; k <= stray.size(); ++k) {
    Channel channel;
    channel.start(channel.now, *channel.out);
    channel.pass(2s);
    channel.ask(Request::Kind::arm);
    channel.pass(3s);
    ASSERT_EQ(channel.state(), State::ready);
    if (k < stray.size()) stray[k](channel.run_);
    channel.ask(Request::Kind::charge);
    channel.pass(1s);
    if (k == stray.size()) {  // without a stray write it charges
      EXPECT_EQ(channel.state(), State::energised);
      continue;
    }
    EXPECT_EQ(channel.bench.count(Verb::output_on), 0) << k;
    channel.pass(2s);
    EXPECT_EQ(channel.shown().trip.cause, Cause::guard_internal) << k;
  }
}

}  // namespace
}  // namespace chargewright::safety::testing

// A channel whose queues are full: an order that finds no place is a cut, and an answer counts once
// (S1, S3, S4).
#include <gtest/gtest.h>

#include <memory>
#include <vector>

#include "lone_channel.h"

namespace chargewright::safety::testing {
namespace {

class Congested : public ::testing::Test, public LoneChannel {
 protected:
  Congested() { begin(); }
  // Of all that was ordered, not seen by the channel yet.
  std::vector<Outcome> proofs_of_setpoints() {
    std::vector<Outcome> proofs;
    for (Order order; out->take_order(order);) {
      EXPECT_EQ(purpose_of(order.ticket), Purpose::steering);
      proofs.push_back(outcome(supply, 0, order.verb, order.value, now));
      proofs.back().order = order;
    }
    return proofs;
  }
  Cause trip_after_a_turn() {
    channel.turn(now, *out);
    return trip();
  }
};

TEST_F(Congested, cuts_where_a_setpoint_finds_no_place) {  // S4
  fill(*out, false);
  charge();
  EXPECT_EQ(trip_after_a_turn(), Cause::guard_internal);
  EXPECT_EQ(channel.state(), State::cutting);
}

TEST_F(Congested, cuts_where_one_setpoint_of_the_two_finds_no_place) {  // S4
  for (const bool voltage : {true, false}) {
    out = std::make_unique<Outbox>();
    bench = FakeBench{};
    begin();
    charge();
    pass(500ms);
    ASSERT_EQ(channel.state(), State::energised);
    fill(*out, false);
    Request change;
    change.kind = Request::Kind::charge;
    change.voltage = voltage ? 4.1_V : 4.2_V;
    change.current = voltage ? 2.4_A : 2.0_A;
    channel.request(change, now, *out);
    EXPECT_EQ(trip_after_a_turn(), Cause::guard_internal) << voltage;
    EXPECT_EQ(channel.state(), State::cutting);
  }
}

// Whichever comes first.
TEST_F(Congested, switches_on_when_both_setpoints_are_proved_and_not_before) {  // S1
  for (const std::size_t first : {0U, 1U}) {
    out = std::make_unique<Outbox>();
    bench = FakeBench{};
    begin();
    charge();
    const std::vector<Outcome> proofs = proofs_of_setpoints();
    ASSERT_EQ(proofs.size(), 2U);
    const auto ordered_on = [&] {
      bool on = false;
      for (Order order; out->take_order(order);) on |= order.verb == Verb::output_on;
      return on;
    };
    channel.see(proofs[first], now, *out);
    EXPECT_FALSE(ordered_on()) << first;
    channel.see(proofs[1 - first], now, *out);
    EXPECT_TRUE(ordered_on()) << first;
  }
}

// An answer that came twice would be taken for that to an off, were it not known to be over.
TEST_F(Congested, hears_the_answer_to_an_order_once) {  // S3 S4
  charge();
  std::vector<Outcome> answered;
  for (int round = 0; round < 5; ++round) {
    for (Order order; out->take_order(order);) bench.obey(order, now);
    now += 2ms;
    for (Outcome outcome; bench.take(outcome, now);) {
      channel.see(outcome, now, *out);
      if (outcome.order.verb == Verb::output_on) answered.push_back(outcome);
    }
  }
  ASSERT_EQ(answered.size(), 1U);
  ASSERT_EQ(channel.state(), State::energised);
  channel.see(answered[0], now, *out);
  EXPECT_EQ(channel.state(), State::energised);
}

// The proof of the last setpoint and a cause that only time brings, in one turn of the guard.
TEST_F(Congested, orders_nothing_on_behind_the_off_of_a_cut) {  // S4
  charge();
  const std::vector<Outcome> proofs = proofs_of_setpoints();
  now += 10s;
  for (const Outcome& proof : proofs) channel.see(proof, now, *out);
  channel.turn(now, *out);
  ASSERT_EQ(channel.state(), State::cutting);
  bool off = false;
  for (Order order; out->take_order(order);) {
    off |= order.verb == Verb::output_off;
    EXPECT_NE(order.verb, Verb::output_on);
  }
  EXPECT_TRUE(off);
}

TEST_F(Congested, cuts_where_the_order_to_switch_on_finds_no_place) {  // S4
  charge();
  const std::vector<Outcome> proofs = proofs_of_setpoints();
  fill(*out, false);
  for (const Outcome& proof : proofs) channel.see(proof, now, *out);
  EXPECT_EQ(trip_after_a_turn(), Cause::guard_internal);
  EXPECT_EQ(channel.state(), State::cutting);
}

TEST_F(Congested, cuts_where_the_order_to_switch_off_finds_no_place) {  // S4
  charge();
  pass(500ms);
  ASSERT_EQ(channel.state(), State::energised);
  fill(*out, true);
  Request rest;
  rest.kind = Request::Kind::rest;
  channel.request(rest, now, *out);
  EXPECT_EQ(trip_after_a_turn(), Cause::guard_internal);
  EXPECT_EQ(channel.state(), State::cutting);
  pass(1s);  // and there is room again
  EXPECT_EQ(channel.state(), State::tripped);
  EXPECT_FALSE(bench.output);
}

}  // namespace
}  // namespace chargewright::safety::testing

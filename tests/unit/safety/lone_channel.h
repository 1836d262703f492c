#pragma once
// A channel without its guard, on a bench that obeys: its orders are taken by hand.

#include <gtest/gtest.h>

#include <memory>

#include "safety/channel_guard.h"
#include "support.h"

namespace chargewright::safety::testing {

struct LoneChannel {
  // From the start to where a run may begin to charge.
  void begin() {
    channel = ChannelGuard(plan_of(), 0);
    channel.start(now, *out);
    pass(1s);
    Request request;
    request.kind = Request::Kind::arm;
    request.plan = run_plan();
    channel.request(request, now, *out);
    pass(1s);
    EXPECT_EQ(channel.state(), State::ready);
  }
  void answer() {
    for (Order order; out->take_order(order);) bench.obey(order, now);
    for (Outcome outcome; bench.take(outcome, now);) channel.see(outcome, now, *out);
  }
  // With a sequencer that lives.
  void pass(Duration time) {
    for (const Instant end = now + time; now < end; now += 1ms) {
      channel.request(Request{}, now, *out);
      channel.turn(now, *out);
      answer();
    }
  }
  void charge() {
    Request request;
    request.kind = Request::Kind::charge;
    request.voltage = 4.2_V;
    request.current = 2.4_A;
    channel.request(request, now, *out);
  }
  Cause trip() {
    ChannelSnapshot snapshot;
    channel.snapshot(snapshot, now);
    return snapshot.trip.cause;
  }

  ChannelGuard channel{plan_of(), 0};
  FakeBench bench;
  std::unique_ptr<Outbox> out = std::make_unique<Outbox>();
  Instant now = at(0s);
};

}  // namespace chargewright::safety::testing

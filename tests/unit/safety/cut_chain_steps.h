#pragma once
// The cut chain, one order and one moment at a time: the test says what each instrument answers,
// and when.

#include <gtest/gtest.h>

#include <algorithm>

#include "safety/cut_chain.h"
#include "support.h"

namespace chargewright::safety::testing {

class Chain : public ::testing::Test {
 protected:
  explicit Chain(const ChannelPlan& p = plan_of({.ammeter = true, .contactor = true}))
      : plan(p), chain(p, 1) {
    chain.announce(true);
  }
  // What was ordered since the last time.
  std::vector<Order> ordered() {
    std::vector<Order> orders;
    for (Order order; out->take_order(order);) orders.push_back(order);
    return orders;
  }
  std::vector<Verb> verbs() {
    std::vector<Verb> verbs;
    for (const Order& order : ordered()) verbs.push_back(order.verb);
    return verbs;
  }
  std::vector<Verb> turn(Instant when) {
    now = when;
    chain.turn(now, *out);
    return verbs();
  }
  void begin() {
    chain.begin(now, *out);
    orders = ordered();
  }
  // The answer to the order of this verb at this instrument that was given last with begin().
  void answer(drivers::InstrumentId instrument, Verb verb, double value,
              Ending ending = Ending::done) {
    const auto given = std::find_if(orders.begin(), orders.end(), [&](const Order& o) {
      return o.instrument == instrument && o.verb == verb;
    });
    ASSERT_NE(given, orders.end());
    answer(*given, value, ending);
  }
  void answer(const Order& order, double value, Ending ending = Ending::done) {
    Outcome outcome;
    outcome.order = order;
    outcome.ending = ending;
    outcome.value = value;
    outcome.asked = outcome.answered = now;
    chain.see(outcome, now, *out);
  }
  // What the schedule read, beside the chain's own questions.
  void read(drivers::InstrumentId instrument, Verb verb, double value, Instant asked,
            std::uint8_t channel = 0) {
    Outcome outcome = testing::outcome(instrument, channel, verb, value, asked);
    chain.see(outcome, now, *out);
  }
  void read(drivers::InstrumentId instrument, Verb verb, double value) {
    read(instrument, verb, value, now);
  }
  std::vector<CutStage> told() {
    std::vector<CutStage> stages;
    for (Event event; out->take_event(event);) {
      EXPECT_EQ(event.channel, 1);
      stages.push_back(static_cast<CutStage>(event.cut_stage));
    }
    return stages;
  }

  // An off that is done, and no current at either ammeter.
  void proves_off() {
    begin();
    answer(supply, Verb::output_off, 0);
    read(supply, Verb::measure_current, 0);
    read(ammeter, Verb::measure_current, 0);
  }
  // From the proof that current has stopped to the alarm that the contactor has not opened.
  void tries_it_three_times() {
    proves_off();
    ASSERT_TRUE(chain.verified());
    std::vector<Order> given = ordered();
    for (int failed = 1; failed <= 3; ++failed) {
      ASSERT_EQ(given.size(), 1U) << failed;
      answer(given[0], 1, Ending::disproved);
      if (failed == 3) break;
      EXPECT_EQ(chain.wake(), now + 500ms);
      EXPECT_TRUE(turn(now + 499ms).empty());
      now += 1ms;
      chain.turn(now, *out);
      given = ordered();
      EXPECT_FALSE(chain.alarmed());
    }
    turn(now);
    EXPECT_TRUE(chain.alarmed());
    EXPECT_FALSE(chain.running());
  }

  ChannelPlan plan;
  CutChain chain;
  Instant now = at(0s);
  std::vector<Order> orders;
  std::unique_ptr<Outbox> out = std::make_unique<Outbox>();
};

}  // namespace chargewright::safety::testing

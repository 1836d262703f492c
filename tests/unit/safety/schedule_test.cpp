// When a channel is read, and the queues that its orders and events go through (S3, S4, S8).
#include "safety/schedule.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <map>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

std::vector<Verb> verbs_of(const std::vector<Order>& orders) {
  std::vector<Verb> verbs;
  for (const Order& order : orders) verbs.push_back(order.verb);
  return verbs;
}

// A schedule whose orders are answered at once, unless they are kept waiting.
class Reading : public ::testing::Test {
 protected:
  explicit Reading(const ChannelPlan& p = plan_of({.ammeter = true, .contactor = true}))
      : plan(p), schedule(plan, 3) {
    schedule.begin_now(at(0s));
    schedule.slow(false, at(0s));
  }
  std::vector<Order> turn(Instant now, bool answered = true) {
    schedule.turn(now, *out);
    std::vector<Order> orders;
    for (Order order; out->take_order(order);) orders.push_back(order);
    for (const Order& order : orders) {
      if (!answered) break;
      Outcome outcome;
      outcome.order = order;
      schedule.see(outcome);
    }
    return orders;
  }
  std::vector<Verb> readbacks(Instant now) {
    std::vector<Verb> verbs;
    for (const Order& order : turn(now)) {
      if (purpose_of(order.ticket) == Purpose::readback) verbs.push_back(order.verb);
    }
    return verbs;
  }

  ChannelPlan plan;
  Schedule schedule;
  std::unique_ptr<Outbox> out = std::make_unique<Outbox>();
};

TEST_F(Reading, asks_every_measured_quantity_once_in_each_cycle) {  // S3
  for (int cycle = 0; cycle < 3; ++cycle) {
    std::vector<std::pair<drivers::InstrumentId, Verb>> asked;
    for (const Order& order : turn(at(cycle * 100ms))) {
      EXPECT_EQ(channel_of(order.ticket), 3);
      EXPECT_FALSE(order.urgent);
      if (purpose_of(order.ticket) == Purpose::reading) {
        asked.emplace_back(order.instrument, order.verb);
      }
    }
    EXPECT_EQ(asked, (std::vector<std::pair<drivers::InstrumentId, Verb>>{
                         {supply, Verb::measure_voltage},
                         {voltmeter, Verb::measure_voltage},
                         {supply, Verb::measure_current},
                         {ammeter, Verb::measure_current},
                         {thermometer, Verb::measure_temperature}}));
  }
}

TEST_F(Reading, asks_a_source_that_is_every_meter_once) {
  Schedule alone(plan_of({.voltmeter = false, .thermometers = 0}), 0);
  alone.begin_now(at(0s));
  alone.turn(at(0s), *out);
  std::vector<Order> orders;
  for (Order order; out->take_order(order);) orders.push_back(order);
  EXPECT_EQ(verbs_of(orders),
            (std::vector{Verb::measure_voltage, Verb::measure_current, Verb::read_protection}));
}

TEST_F(Reading, asks_the_readbacks_in_turn_one_in_each_cycle) {  // S3
  const std::vector round{Verb::read_protection,       Verb::read_output,
                          Verb::read_voltage_setpoint, Verb::read_current_setpoint,
                          Verb::read_regulation,       Verb::read_switch};
  for (std::size_t cycle = 0; cycle < 2 * round.size(); ++cycle) {
    EXPECT_EQ(readbacks(at(cycle * 100ms)), std::vector{round[cycle % round.size()]}) << cycle;
  }
}

TEST_F(Reading, asks_for_no_readback_that_the_source_lacks) {
  ChannelPlan poor = plan_of();
  poor.abilities = {.reads_setpoints = false,
                    .reads_output = false,
                    .over_voltage_protection = false,
                    .over_current_protection = false,
                    .reads_protection = false,
                    .clears_protection = false,
                    .reads_regulation = false,
                    .drains_errors = false};
  schedule = Schedule(poor, 3);
  schedule.begin_now(at(0s));
  schedule.slow(false, at(0s));
  for (int cycle = 0; cycle < 120; ++cycle) {
    EXPECT_TRUE(readbacks(at(cycle * 100ms)).empty()) << cycle;
  }
}

TEST_F(Reading, looks_into_the_error_queue_every_fiftieth_cycle) {  // S3
  for (int cycle = 1; cycle <= 200; ++cycle) {
    const std::vector<Verb> asked = readbacks(at(cycle * 100ms));
    const bool drained = std::count(asked.begin(), asked.end(), Verb::drain_errors) == 1;
    EXPECT_EQ(drained, cycle % 50 == 0) << cycle;
  }
}

TEST_F(Reading, does_not_ask_again_what_is_outstanding_until_it_counts_as_lost) {  // S3
  const std::size_t once = turn(at(0s), false).size();
  // The other readbacks have their turn; after a round nothing is left to ask.
  for (Duration passed = 100ms; passed < 600ms; passed += 100ms) {
    EXPECT_EQ(turn(at(passed), false).size(), 1U);
  }
  for (Duration passed = 600ms; passed < plan.lost_after; passed += 100ms) {
    for (const Order& order : turn(at(passed), false)) EXPECT_EQ(order.verb, Verb::drain_errors);
  }
  EXPECT_EQ(turn(at(plan.lost_after), false).size(), once);
}

// Whatever else is answered meanwhile.
TEST_F(Reading, asks_no_readback_again_that_is_outstanding) {  // S3
  std::map<Verb, int> asked;
  for (int cycle = 0; cycle < 120; ++cycle) {
    schedule.turn(at(cycle * 100ms), *out);
    for (Order order; out->take_order(order);) {
      if (purpose_of(order.ticket) == Purpose::readback) {
        ++asked[order.verb];
        continue;
      }
      Outcome outcome;
      outcome.order = order;
      schedule.see(outcome);
    }
  }
  EXPECT_EQ(asked.size(), 7U);  // six of the round, and the error queue
  for (const auto& [verb, times] : asked) EXPECT_EQ(times, 1) << static_cast<int>(verb);
}

TEST_F(Reading, asks_an_answered_question_in_the_next_cycle_and_no_other) {  // S3
  std::vector<Order> orders = turn(at(0s), false);
  Outcome answer;
  answer.order = orders[1];  // the voltmeter
  schedule.see(answer);
  orders = turn(at(100ms), false);
  ASSERT_EQ(orders.size(), 2U);  // and the next readback
  EXPECT_EQ(orders[0].instrument, voltmeter);
}

TEST_F(Reading, is_five_times_slower_while_off_and_quickens_at_once) {  // S8
  schedule.slow(true, at(0s));
  turn(at(0s));
  EXPECT_EQ(schedule.wake(), at(500ms));
  EXPECT_TRUE(turn(at(499ms)).empty());
  EXPECT_FALSE(turn(at(500ms)).empty());
  schedule.slow(true, at(600ms));  // again: no change
  EXPECT_EQ(schedule.wake(), at(1s));
  schedule.slow(false, at(700ms));
  EXPECT_EQ(schedule.wake(), at(700ms));
  turn(at(700ms));
  EXPECT_EQ(schedule.wake(), at(800ms));
  schedule.slow(true, at(750ms));  // the cycle that was begun keeps its time
  EXPECT_EQ(schedule.wake(), at(800ms));
}

TEST_F(Reading, is_not_put_off_by_quickening_when_it_is_due) {
  schedule.slow(true, at(0s));
  turn(at(0s));
  schedule.slow(false, at(10s));
  EXPECT_EQ(schedule.wake(), at(500ms));
}

TEST_F(Reading, keeps_the_beat_and_makes_up_for_no_cycle_that_was_missed) {
  turn(at(0s));
  turn(at(130ms));  // late: the next is not
  EXPECT_EQ(schedule.wake(), at(200ms));
  turn(at(300ms));  // a whole cycle late: just due again
  EXPECT_EQ(schedule.wake(), at(400ms));
  turn(at(10s));
  EXPECT_EQ(schedule.wake(), at(10'100ms));
}

TEST(ASchedule, reads_nothing_before_it_is_begun) {
  Schedule schedule(plan_of(), 0);
  EXPECT_EQ(schedule.wake(), drivers::never);
  auto out = std::make_unique<Outbox>();
  schedule.turn(at(0s), *out);
  Order order;
  EXPECT_FALSE(out->take_order(order));
}

// ---- the queues ---------------------------------------------------------------------------------

class Queues : public ::testing::Test {
 protected:
  std::uint32_t order(bool urgent, double value = 0) {
    return out->order(5, Purpose::cut, {supply, 2}, Verb::measure_voltage, value, urgent);
  }
  std::unique_ptr<Outbox> out = std::make_unique<Outbox>();
};

TEST_F(Queues, give_each_order_a_ticket_that_tells_channel_and_purpose) {
  for (std::uint8_t channel = 0; channel < max_channels; ++channel) {
    for (const Purpose purpose : {Purpose::reading, Purpose::cut, Purpose::clearing}) {
      const std::uint32_t ticket =
          out->order(channel, purpose, {voltmeter, 7}, Verb::measure_voltage, 1.5);
      EXPECT_EQ(channel_of(ticket), channel);
      EXPECT_EQ(purpose_of(ticket), purpose);
      Order order;
      ASSERT_TRUE(out->take_order(order));
      EXPECT_EQ(order.ticket, ticket);
      EXPECT_EQ(order.instrument, voltmeter);
      EXPECT_EQ(order.channel, 7);
      EXPECT_EQ(order.verb, Verb::measure_voltage);
      EXPECT_EQ(order.value, 1.5);
      EXPECT_FALSE(order.urgent);
    }
  }
}

TEST_F(Queues, let_an_urgent_order_pass_everything_that_waits) {  // S4
  order(false, 1);
  order(false, 2);
  order(true, 3);
  order(true, 4);
  for (const double expected : {3.0, 4.0, 1.0, 2.0}) {
    Order taken;
    ASSERT_TRUE(out->take_order(taken));
    EXPECT_EQ(taken.value, expected);
    EXPECT_EQ(taken.urgent, expected > 2);
  }
  Order none;
  EXPECT_FALSE(out->take_order(none));
}

// It would come behind the off, and switch the output on again.
TEST_F(Queues, let_nothing_wait_that_an_urgent_order_makes_void) {  // S4
  const Terminal left{0, 1};
  const Terminal right{0, 2};
  const Terminal relay{1, 1};
  for (const Terminal& at : {left, right}) {
    out->order(0, Purpose::steering, at, Verb::output_on);
    out->order(0, Purpose::reading, at, Verb::measure_current);
  }
  out->order(0, Purpose::permissive, relay, Verb::close_switch);
  out->order(0, Purpose::cut, left, Verb::output_off, 0, true);
  out->order(0, Purpose::cut, relay, Verb::open_switch, 0, true);
  std::vector<std::pair<std::uint8_t, Verb>> taken;
  for (Order order; out->take_order(order);) taken.emplace_back(order.channel, order.verb);
  EXPECT_EQ(taken, (std::vector<std::pair<std::uint8_t, Verb>>{{1, Verb::output_off},
                                                               {1, Verb::open_switch},
                                                               {1, Verb::measure_current},
                                                               {2, Verb::output_on},
                                                               {2, Verb::measure_current}}));
}

TEST_F(Queues, say_when_they_are_full_and_keep_a_place_for_what_is_urgent) {  // S4
  while (order(false) != 0) {
  }
  EXPECT_NE(order(true), 0U);
  while (order(true) != 0) {
  }
  Order taken;
  ASSERT_TRUE(out->take_order(taken));
  EXPECT_TRUE(taken.urgent);
  EXPECT_NE(order(true), 0U);
  EXPECT_EQ(order(false), 0U);
}

// A day of reading 16 channels. Channel 0 and purpose 0: nothing but the sequence makes it differ
// from "none".
TEST_F(Queues, never_give_the_ticket_that_means_none) {
  const auto order = [&] { return out->order(0, Purpose::reading, {}, Verb::read_output); };
  Order taken;
  for (int k = 0; k < 0x00FF'FFF0; ++k) order();  // soon refused, and counted all the same
  while (out->take_order(taken)) {
  }
  std::uint32_t before = 0;
  for (int k = 0; k < 32; ++k) {
    const std::uint32_t ticket = order();
    EXPECT_NE(ticket, 0U) << k;
    EXPECT_NE(ticket, before) << k;
    EXPECT_EQ(purpose_of(ticket), Purpose::reading) << k;
    before = ticket;
  }
}

TEST_F(Queues, keep_events_in_their_order_and_count_those_that_nobody_took) {  // S10
  const auto tell = [&](std::uint32_t number) {
    Event event;
    event.number = number;
    out->event(event);
  };
  std::uint32_t told = 0;
  std::uint32_t taken = 0;
  Event event;
  while (told < 700) tell(++told);
  while (taken < 600 && out->take_event(event)) EXPECT_EQ(event.number, ++taken);
  while (out->events_lost() == 0) tell(++told);
  EXPECT_EQ(told, taken + 1024 + 1);
  tell(9999);
  EXPECT_EQ(out->events_lost(), 2U);
  while (out->take_event(event)) EXPECT_EQ(event.number, ++taken);
  EXPECT_EQ(taken, told - 1);  // the newest were lost, none of those that waited
  tell(1);
  ASSERT_TRUE(out->take_event(event));
  EXPECT_EQ(event.number, 1U);
  EXPECT_FALSE(out->take_event(event));
}

TEST_F(Queues, give_an_event_to_fill_in_that_has_nothing_of_an_older_one) {
  for (int k = 0; k < 2000; ++k) {
    Event& place = out->next_event();
    ASSERT_EQ(place.number, 0U);
    ASSERT_EQ(place.kind, Event::Kind::reading);
    place.number = 4711;
    place.kind = Event::Kind::alarm;
    Event taken;
    if (k >= 1024) out->take_event(taken);
  }
}

TEST_F(Queues, hold_nothing_and_lose_nothing_where_nobody_listens) {
  EXPECT_TRUE(out->listening());
  out->listen(false);
  EXPECT_FALSE(out->listening());
  for (int k = 0; k < 2000; ++k) out->event(Event{});
  Event event;
  EXPECT_FALSE(out->take_event(event));
  EXPECT_EQ(out->events_lost(), 0U);
  out->listen(true);
  out->event(Event{});
  EXPECT_TRUE(out->take_event(event));
}

}  // namespace
}  // namespace chargewright::safety::testing

// The cut chain and its contactor (S4): when that is ordered open, again and again, and when it is
// given up.
#include <gtest/gtest.h>

#include "cut_chain_steps.h"

namespace chargewright::safety::testing {
namespace {

TEST_F(Chain, opens_the_contactor_at_once_where_the_off_has_failed) {  // S4
  begin();
  answer(supply, Verb::output_off, 1, Ending::disproved);
  EXPECT_EQ(verbs(), std::vector{Verb::open_switch});
}

TEST_F(Chain, opens_the_contactor_when_current_has_stopped_and_not_before) {  // S4
  begin();
  answer(supply, Verb::output_off, 0);
  read(supply, Verb::measure_current, 0);
  EXPECT_TRUE(ordered().empty());
  read(ammeter, Verb::measure_current, 0);
  const std::vector<Order> given = ordered();
  ASSERT_EQ(given.size(), 1U);
  EXPECT_EQ(given[0].instrument, contactor);
  EXPECT_EQ(given[0].channel, 1);
  EXPECT_EQ(given[0].verb, Verb::open_switch);
  EXPECT_EQ(given[0].value, 0);
  EXPECT_TRUE(given[0].urgent);
  turn(now);
  EXPECT_TRUE(chain.running());
  EXPECT_EQ(chain.wake(), now + 5s);  // given up after ten stages
  now = at(50ms);
  answer(given[0], 0);
  EXPECT_EQ(chain.record().contactor_open, at(50ms));
  EXPECT_LE(chain.wake(), now);
  turn(now);
  EXPECT_FALSE(chain.running());
  EXPECT_FALSE(chain.alarmed());
}

// A second begin puts off neither the repeat nor the contactor.
TEST_F(Chain, opens_the_contactor_two_stages_after_the_first_begin_whatever_comes_later) {  // S4
  begin();
  now = at(400ms);
  begin();
  EXPECT_TRUE(turn(at(499ms)).empty());
  EXPECT_EQ(turn(at(500ms)), (std::vector{Verb::output_off, Verb::set_current, Verb::set_voltage}));
  EXPECT_TRUE(turn(at(999ms)).empty());
  const std::vector<Verb> given = turn(at(1s));
  EXPECT_EQ(std::count(given.begin(), given.end(), Verb::open_switch), 1);
}

TEST_F(Chain, wakes_for_no_contactor_where_there_is_none) {  // S4
  plan = plan_of({.ammeter = true});
  plan.every = 10s;
  chain = CutChain(plan, 1);
  chain.begin(now, 10s, *out);
  now = at(400ms);
  chain.begin(now, 10s, *out);
  EXPECT_EQ(chain.wake(), at(500ms));
  turn(at(500ms));
  EXPECT_EQ(chain.wake(), at(900ms));  // asks again
}

TEST_F(Chain, tries_a_contactor_three_times_a_stage_apart_and_then_alarms) {  // S4
  for (const int cut : {1, 2}) {
    SCOPED_TRACE(cut);
    tries_it_three_times();
  }
}

TEST_F(Chain, gives_up_a_contactor_that_never_answers_with_an_alarm) {  // S4
  proves_off();
  ordered();
  EXPECT_TRUE(turn(at(4999ms)).empty());
  EXPECT_TRUE(chain.running());
  EXPECT_FALSE(chain.alarmed());
  turn(at(5s));
  EXPECT_FALSE(chain.running());
  EXPECT_TRUE(chain.alarmed());
}

TEST(CutChain, opens_the_contactor_as_soon_as_its_order_finds_a_place) {  // S4
  const auto out = std::make_unique<Outbox>();
  CutChain chain(plan_of({.contactor = true}), 1);
  fill(*out, true);
  chain.begin(at(0s), *out);
  for (Duration t = 0s; t < 3s; t += 100ms) chain.turn(at(t), *out);
  Order order;
  while (out->take_order(order)) EXPECT_NE(order.verb, Verb::open_switch);
  bool opened = false;
  for (Duration t = 3s; t < 5s; t += 100ms) {
    chain.turn(at(t), *out);
    while (out->take_order(order)) opened |= order.verb == Verb::open_switch;
  }
  EXPECT_TRUE(opened);
}

// ---- links that are lost and come back ----------------------------------------------------------

TEST_F(Chain, opens_the_contactor_at_once_where_the_link_of_the_source_is_down) {  // S4
  chain.link(supply, false, now, *out);
  EXPECT_TRUE(ordered().empty());  // nothing is to be cut
  begin();
  EXPECT_EQ(std::count_if(orders.begin(), orders.end(),
                          [](const Order& o) { return o.verb == Verb::open_switch; }),
            1);
  chain = CutChain(plan, 1);
  begin();
  chain.link(voltmeter, false, now, *out);
  EXPECT_TRUE(ordered().empty());
  chain.link(supply, false, now, *out);
  EXPECT_EQ(verbs(), std::vector{Verb::open_switch});
  chain.link(supply, false, now, *out);
  EXPECT_TRUE(ordered().empty());  // it is ordered open already
}

TEST_F(Chain, orders_the_contactor_again_where_its_link_comes_back) {  // S4
  begin();
  chain.link(contactor, true, now, *out);
  EXPECT_TRUE(ordered().empty());  // it was not ordered open yet
  chain.link(supply, false, now, *out);
  EXPECT_EQ(verbs(), std::vector{Verb::open_switch});
  chain.link(contactor, false, now, *out);
  EXPECT_TRUE(ordered().empty());
  chain.link(ammeter, true, now, *out);
  EXPECT_TRUE(ordered().empty());  // another link
  chain.link(contactor, true, now, *out);
  std::vector<Order> given = ordered();
  ASSERT_EQ(given.size(), 1U);  // that order may have been lost with the link
  answer(given[0], 1, Ending::link_down);
  ordered();
  chain.link(contactor, true, now, *out);
  given = ordered();
  ASSERT_EQ(given.size(), 1U);  // that one was
  answer(given[0], 0);
  chain.link(contactor, true, now, *out);
  EXPECT_TRUE(ordered().empty());  // open
}

}  // namespace
}  // namespace chargewright::safety::testing

// What the cut chain takes for a proof that all is off (S4): by the source, or by the contactor
// where the source does not obey.
#include <gtest/gtest.h>

#include "cut_chain_steps.h"

namespace chargewright::safety::testing {
namespace {

TEST_F(Chain, is_verified_by_output_and_both_currents_read_after_the_off) {  // S4
  begin();
  now = at(10ms);
  answer(supply, Verb::output_off, 0);
  EXPECT_EQ(chain.record().off_written, at(10ms));
  EXPECT_EQ(chain.record().off_confirmed, at(10ms));
  now = at(20ms);
  read(supply, Verb::measure_current, 0.020);
  EXPECT_FALSE(chain.verified());
  read(ammeter, Verb::measure_current, -0.020);
  EXPECT_TRUE(chain.verified());
  EXPECT_FALSE(chain.record().by_contactor);
  EXPECT_EQ(chain.record().current_stopped, at(20ms));
  EXPECT_EQ(chain.record().verified, at(20ms));
}

TEST_F(Chain, takes_no_reading_from_before_the_off_for_proof) {  // S4
  begin();
  now = at(10ms);
  answer(supply, Verb::output_off, 0);
  now = at(20ms);
  read(supply, Verb::measure_current, 0, at(10ms) - 1ns);
  read(ammeter, Verb::measure_current, 0, at(10ms) - 1ns);
  EXPECT_FALSE(chain.verified());
  read(supply, Verb::measure_current, 0, at(10ms));
  EXPECT_FALSE(chain.verified());
  read(ammeter, Verb::measure_current, 0, at(10ms));
  EXPECT_TRUE(chain.verified());
}

TEST_F(Chain, is_not_verified_by_what_reads_beyond_no_current_nor_by_another_terminal) {  // S4
  begin();
  answer(supply, Verb::output_off, 0);
  read(ammeter, Verb::measure_current, 0);
  read(supply, Verb::measure_current, 0.0201);
  EXPECT_FALSE(chain.verified());
  read(supply, Verb::measure_current, -0.0201);
  EXPECT_FALSE(chain.verified());
  read(supply, Verb::measure_current, 0, now, 3);
  read(voltmeter, Verb::measure_current, 0);
  read(supply, Verb::measure_voltage, 0);
  EXPECT_FALSE(chain.verified());
  read(supply, Verb::measure_current, 0);
  EXPECT_TRUE(chain.verified());
}

// An ammeter that answered before the off had reached the source: its channel is read each 10 s.
TEST_F(Chain, asks_in_each_stage_for_its_proof_however_seldom_its_channel_is_read) {  // S4
  plan.every = 10s;
  chain = CutChain(plan, 1);
  begin();
  answer(supply, Verb::output_off, 0);
  answer(supply, Verb::measure_current, 0);
  answer(supply, Verb::read_output, 0);
  answer(ammeter, Verb::measure_current, 1.8);
  EXPECT_FALSE(chain.verified());
  turn(now + 499ms);
  now += 1ms;
  chain.turn(now, *out);
  orders = ordered();
  answer(ammeter, Verb::measure_current, 0);
  EXPECT_TRUE(chain.verified());
}

TEST_F(Chain, believes_the_output_that_it_read_last_rather_than_the_order_that_was_done) {  // S4
  begin();
  answer(supply, Verb::output_off, 0);
  read(supply, Verb::read_output, 1);
  EXPECT_TRUE(chain.output_still_on());
  read(supply, Verb::measure_current, 0);
  read(ammeter, Verb::measure_current, 0);
  EXPECT_FALSE(chain.verified());
  read(supply, Verb::read_output, 0, now, 2);  // of another output
  EXPECT_FALSE(chain.verified());
  read(supply, Verb::read_output, 0);
  EXPECT_FALSE(chain.output_still_on());
  EXPECT_TRUE(chain.verified());
}

TEST_F(Chain, is_verified_by_a_read_output_though_no_order_was_ever_done) {  // S4
  begin();
  answer(supply, Verb::output_off, 1, Ending::disproved);  // written; what came of it is not known
  read(supply, Verb::measure_current, 0);
  read(ammeter, Verb::measure_current, 0);
  EXPECT_FALSE(chain.verified());
  read(supply, Verb::read_output, 0);
  EXPECT_TRUE(chain.verified());
}

TEST_F(Chain, takes_an_off_that_never_left_for_no_off) {  // S4
  for (const Ending ending : {Ending::link_down, Ending::refused, Ending::absent}) {
    chain = CutChain(plan, 1);
    begin();
    answer(supply, Verb::output_off, 0, ending);
    EXPECT_EQ(chain.record().off_written, drivers::never);
    read(supply, Verb::read_output, 0);
    read(supply, Verb::measure_current, 0);
    read(ammeter, Verb::measure_current, 0);
    EXPECT_FALSE(chain.verified()) << static_cast<int>(ending);
  }
}

TEST_F(Chain, of_a_source_that_reads_no_output_is_verified_by_its_word_and_no_current) {  // S4
  plan = plan_of({.voltmeter = false});
  plan.abilities.reads_output = false;
  chain = CutChain(plan, 1);
  begin();
  read(supply, Verb::measure_current, 0);
  EXPECT_FALSE(chain.verified());
  answer(supply, Verb::output_off, 0);
  EXPECT_TRUE(chain.verified());
  EXPECT_TRUE(chain.running());
  turn(now);
  EXPECT_FALSE(chain.running());  // nothing else to do: it has no contactor
}

TEST(CutChain, wants_its_end_told_at_once_where_there_is_no_more_to_open) {  // S4
  const auto out = std::make_unique<Outbox>();
  CutChain chain(plan_of({}), 0);
  chain.begin(at(0s), *out);
  for (Order order; out->take_order(order);) {
    Outcome outcome = testing::outcome(order.instrument, order.channel, order.verb, 0, at(5ms));
    outcome.order = order;
    chain.see(outcome, at(5ms), *out);
  }
  ASSERT_TRUE(chain.verified());
  ASSERT_TRUE(chain.running());
  EXPECT_EQ(chain.wake(), at(5ms));
  chain.turn(at(5ms), *out);
  EXPECT_FALSE(chain.running());
}

TEST_F(Chain, takes_the_answer_to_an_off_of_the_chain_before_for_none) {  // S4
  proves_off();
  const Order before = orders[0];
  ASSERT_TRUE(chain.verified());
  chain.forget_verified();
  now = at(1s);
  begin();
  EXPECT_FALSE(chain.verified());
  Outcome late;
  late.order = before;
  late.ending = Ending::done;
  late.asked = at(1s) - 1ns;
  chain.see(late, now, *out);
  EXPECT_EQ(chain.record().off_written, drivers::never);
  late.asked = at(1s);
  chain.see(late, now, *out);
  EXPECT_EQ(chain.record().off_written, at(1s));
}

TEST_F(Chain, takes_no_proof_of_the_chain_before_though_it_is_of_the_same_moment) {  // S4
  proves_off();
  ASSERT_TRUE(chain.verified());
  chain.forget_verified();
  begin();
  answer(supply, Verb::output_off, 0);
  EXPECT_FALSE(chain.verified());
  read(supply, Verb::measure_current, 0);
  read(ammeter, Verb::measure_current, 0);
  EXPECT_TRUE(chain.verified());
}

TEST_F(Chain, keeps_what_was_verified_until_that_is_to_be_forgotten) {  // S4
  begin();
  answer(supply, Verb::output_off, 0);
  read(supply, Verb::measure_current, 0);
  chain.forget_verified();  // nothing is: it runs on
  EXPECT_TRUE(chain.running());
  EXPECT_EQ(chain.record().off_confirmed, now);
  read(ammeter, Verb::measure_current, 0);
  ASSERT_TRUE(chain.verified());
  chain.forget_verified();
  EXPECT_FALSE(chain.running());
}

// ---- by the contactor ---------------------------------------------------------------------------

class ByContactor : public Chain {
 protected:
  ByContactor() {
    chain.link(supply, false, now, *out);
    begin();
    now = at(100ms);
    answer(contactor, Verb::open_switch, 0);
  }
};

TEST_F(ByContactor, is_verified_when_the_ammeter_of_its_own_shows_no_current_since) {  // S4
  read(ammeter, Verb::measure_current, 0, at(100ms) - 1ns);
  EXPECT_FALSE(chain.verified());
  read(ammeter, Verb::measure_current, 0.0201);
  EXPECT_FALSE(chain.verified());
  read(ammeter, Verb::measure_current, 0.020);
  EXPECT_TRUE(chain.verified());
  EXPECT_TRUE(chain.record().by_contactor);
  EXPECT_EQ(chain.record().current_stopped, at(100ms));
  EXPECT_EQ(chain.record().off_confirmed, drivers::never);
}

// A hand has closed it again, or it reads what is not so.
TEST_F(ByContactor, is_ordered_open_again_while_current_flows_through_it) {  // S3 S4
  for (const drivers::InstrumentId meter : {ammeter, supply}) {
    chain = CutChain(plan, 1);
    chain.announce(true);
    now = at(0s);
    chain.link(supply, false, now, *out);
    begin();
    now = at(100ms);
    answer(contactor, Verb::open_switch, 0);
    told();
    read(meter, Verb::measure_current, 1, at(100ms) - 1ns);
    turn(at(500ms));
    const auto opens = [&](Instant when) {
      now = when;
      chain.turn(now, *out);
      orders = ordered();
      return std::ranges::count(orders, Verb::open_switch, &Order::verb);
    };
    EXPECT_EQ(opens(at(1000ms)), 0);  // that current was asked for before it read open
    read(meter, Verb::measure_current, 1, at(100ms));
    EXPECT_EQ(opens(at(1500ms)), 1);
    const std::vector<Order> again = orders;
    EXPECT_EQ(opens(at(2000ms)), 0);  // that order may still come
    for (const Order& order : again) {
      if (order.verb == Verb::open_switch) answer(order, 0);
    }
    EXPECT_EQ(opens(at(2500ms)), 1);  // and it flows all the same
    read(meter, Verb::measure_current, 0);
    read(ammeter, Verb::measure_current, 0);
    EXPECT_TRUE(chain.verified());
    EXPECT_EQ(std::ranges::count(told(), CutStage::opening), 0);  // told the first time alone
  }
}

TEST_F(ByContactor, is_not_verified_while_the_source_reads_on_or_feeds_current) {  // S4
  answer(supply, Verb::output_off, 1, Ending::disproved);  // its link is back, and it is on
  read(supply, Verb::read_output, 1);
  read(ammeter, Verb::measure_current, 0);
  EXPECT_FALSE(chain.verified());
  chain = CutChain(plan, 1);
  chain.link(supply, false, now, *out);
  begin();
  answer(contactor, Verb::open_switch, 0);
  answer(supply, Verb::output_off, 1, Ending::disproved);
  read(supply, Verb::measure_current, 0.5);
  read(ammeter, Verb::measure_current, 0);
  EXPECT_FALSE(chain.verified());
  read(supply, Verb::measure_current, 0);
  EXPECT_TRUE(chain.verified());
  EXPECT_TRUE(chain.record().by_contactor);
}

TEST_F(ByContactor, is_not_verified_by_a_source_that_is_the_only_ammeter) {  // S4
  plan = plan_of({.contactor = true});
  chain = CutChain(plan, 1);
  chain.link(supply, false, now, *out);
  begin();
  answer(contactor, Verb::open_switch, 0);
  read(supply, Verb::measure_current, 0);
  read(ammeter, Verb::measure_current, 0);
  EXPECT_FALSE(chain.verified());
}

}  // namespace
}  // namespace chargewright::safety::testing

// The cut chain by itself, order by order and moment by moment (S4): its stages, its offs and its
// questions. As part of a guard: cut_test.cpp.
#include "safety/cut_chain.h"

#include <gtest/gtest.h>

#include "cut_chain_steps.h"

namespace chargewright::safety::testing {
namespace {

TEST_F(Chain, writes_the_off_ahead_of_everything_and_asks_for_its_proof) {  // S4
  EXPECT_FALSE(chain.running());
  EXPECT_EQ(chain.wake(), drivers::never);
  begin();
  EXPECT_TRUE(chain.running());
  ASSERT_EQ(orders.size(), 4U);
  EXPECT_EQ(orders[0].verb, Verb::output_off);
  EXPECT_TRUE(orders[0].urgent);
  EXPECT_EQ(orders[0].value, 0);
  EXPECT_EQ(channel_of(orders[0].ticket), 1);
  EXPECT_EQ(purpose_of(orders[0].ticket), Purpose::cut);
  EXPECT_EQ(orders[1].instrument, supply);
  EXPECT_EQ(orders[1].verb, Verb::measure_current);
  EXPECT_EQ(orders[2].instrument, ammeter);
  EXPECT_EQ(orders[2].verb, Verb::measure_current);
  EXPECT_EQ(orders[3].verb, Verb::read_output);
  EXPECT_EQ(chain.wake(), at(100ms));
}

TEST_F(Chain, goes_from_stage_to_stage_of_a_source_that_says_nothing) {  // S4
  begin();
  const std::vector<Verb> again{Verb::output_off, Verb::set_current, Verb::set_voltage};
  EXPECT_TRUE(turn(at(499ms)).empty());
  EXPECT_EQ(turn(at(500ms)), again);
  EXPECT_TRUE(turn(at(999ms)).empty());
  std::vector<Verb> second = turn(at(1s));
  EXPECT_EQ(std::count(second.begin(), second.end(), Verb::open_switch), 1);
  EXPECT_EQ(std::count(second.begin(), second.end(), Verb::output_off), 1);
  EXPECT_TRUE(turn(at(1499ms)).empty());
  EXPECT_FALSE(chain.alarmed());
  EXPECT_EQ(turn(at(1500ms)), again);
  EXPECT_TRUE(chain.alarmed());
  EXPECT_EQ(chain.wake(), at(1599ms));  // to ask, and for nothing that is done already
  std::vector<std::pair<CutStage, Instant>> stages;
  for (Event event; out->take_event(event);) {
    stages.emplace_back(static_cast<CutStage>(event.cut_stage), event.at);
  }
  EXPECT_EQ(stages, (std::vector<std::pair<CutStage, Instant>>{{CutStage::started, at(0s)},
                                                               {CutStage::repeated, at(500ms)},
                                                               {CutStage::opening, at(1s)},
                                                               {CutStage::alarmed, at(1500ms)}}));
  EXPECT_EQ(chain.record().started, at(0s));
  EXPECT_EQ(chain.record().alarmed, at(1500ms));
  EXPECT_EQ(chain.record().verified, drivers::never);
}

TEST_F(Chain, repeats_every_order_as_urgent_with_setpoints_at_zero) {  // S4
  begin();
  now = at(500ms);
  chain.turn(now, *out);
  for (const Order& order : ordered()) {
    EXPECT_TRUE(order.urgent);
    EXPECT_EQ(order.value, 0);
    EXPECT_EQ(order.instrument, supply);
  }
}

TEST_F(Chain, has_its_alarm_after_the_patience_that_it_was_given) {  // S4
  chain.begin(now, 4s, *out);
  turn(at(3999ms));
  EXPECT_FALSE(chain.alarmed());
  turn(at(4s));
  EXPECT_TRUE(chain.alarmed());
  told();
  turn(at(5s));
  const std::vector<CutStage> later = told();
  EXPECT_EQ(std::count(later.begin(), later.end(), CutStage::alarmed), 0);  // once
}

// A slow bench, and a current that takes a while to fall.
class SlowChain : public Chain {
 protected:
  SlowChain() : Chain(slow()) {}
  static ChannelPlan slow() {
    ChannelPlan plan = plan_of();
    plan.settling = 1s;
    plan.prove_off_within = 10s;
    return plan;
  }
  // All that was asked with this turn; current flows, whatever the output says.
  void answer_all(const std::vector<Order>& given, double output) {
    for (const Order& order : given) {
      if (order.verb == Verb::output_off) continue;
      answer(order, order.verb == Verb::read_output ? output : 1);
    }
  }
  void answer_all_until(Duration end, double output) {
    for (Duration passed = 100ms; passed < end; passed += 100ms) {
      now = at(passed);
      answer_all(orders, output);
      chain.turn(now, *out);
      orders = ordered();
    }
  }
};

TEST_F(SlowChain, waits_with_its_alarm_for_answers_that_are_to_come) {  // S4
  begin();
  answer(supply, Verb::output_off, 0);
  turn(at(9999ms));
  EXPECT_FALSE(chain.alarmed());
  EXPECT_EQ(chain.wake(), at(10s));
  turn(at(10s));
  EXPECT_TRUE(chain.alarmed());
}

TEST_F(SlowChain, waits_no_longer_than_for_those_asked_when_current_should_have_stopped) {  // S4
  begin();
  answer(supply, Verb::output_off, 0);
  now = at(999ms);
  answer_all(orders, 0);  // asked before
  now = at(1s);
  chain.turn(now, *out);
  const std::vector<Order> given = ordered();
  turn(at(1600ms));
  EXPECT_FALSE(chain.alarmed());
  answer_all(given, 0);
  EXPECT_LE(chain.wake(), now);
  turn(now);
  EXPECT_TRUE(chain.alarmed());
}

// Noise spoils an answer now and then: what it spoilt is asked once more.
TEST_F(SlowChain, waits_once_more_where_an_answer_was_garbled) {  // S4
  for (const Ending spoilt : {Ending::unparsable, Ending::timed_out}) {
    chain = CutChain(plan, 1);
    now = at(0s);
    begin();
    answer(supply, Verb::output_off, 0);
    const auto round = [&](Instant when, Ending ending) {
      now = when;
      for (const Order& order : orders) {
        if (order.verb == Verb::read_output) answer(order, 0);
        if (order.verb == Verb::measure_current) answer(order, 1, ending);
      }
      chain.turn(now, *out);
      orders = ordered();
      return chain.alarmed();
    };
    EXPECT_FALSE(round(at(1s), Ending::done));
    EXPECT_FALSE(round(at(1600ms), spoilt));
    EXPECT_TRUE(round(at(2200ms), spoilt));
  }
}

TEST_F(SlowChain, gives_current_its_time_from_the_answer_to_the_off) {  // S4
  begin();
  const auto off = std::ranges::find(orders, Verb::output_off, &Order::verb);
  ASSERT_NE(off, orders.end());
  Outcome obeyed;
  obeyed.order = *off;
  obeyed.ending = Ending::done;
  obeyed.asked = now;
  now = obeyed.answered = at(600ms);  // a slow source obeys late
  chain.see(obeyed, now, *out);
  answer_all(orders, 0);
  now = at(1500ms);
  chain.turn(now, *out);
  orders = ordered();
  now = at(1590ms);
  answer_all(orders, 0);
  chain.turn(now, *out);
  EXPECT_FALSE(chain.alarmed());
  orders = ordered();
  now = at(2100ms);
  chain.turn(now, *out);
  orders = ordered();
  answer_all(orders, 0);
  turn(now);
  EXPECT_TRUE(chain.alarmed());
}

TEST_F(SlowChain, alarms_after_its_stages_where_all_answers_say_that_current_flows) {  // S4
  begin();
  answer(supply, Verb::output_off, 0);
  answer_all_until(1500ms, 0);
  EXPECT_FALSE(chain.alarmed());
  turn(at(1500ms));
  EXPECT_TRUE(chain.alarmed());
}

// How long a current takes to fall says nothing about an output that is on.
TEST_F(SlowChain, alarms_after_its_stages_where_the_output_says_that_it_is_on) {  // S4
  plan.settling = 60s;
  plan.prove_off_within = 70s;
  chain = CutChain(plan, 1);
  begin();
  answer(supply, Verb::output_off, 1, Ending::disproved);
  answer_all_until(1500ms, 1);
  EXPECT_FALSE(chain.alarmed());
  turn(at(1500ms));
  EXPECT_TRUE(chain.alarmed());
}

TEST_F(SlowChain, does_not_wait_for_answers_of_links_that_stay_down) {  // S4
  for (const Ending never : {Ending::link_down, Ending::refused, Ending::absent}) {
    chain = CutChain(plan, 1);
    now = at(0s);
    begin();
    for (const Order& order : orders) answer(order, 0, never);
    turn(at(1500ms));
    EXPECT_TRUE(chain.alarmed());
  }
}

// What ended for want of a link proves nothing against an instrument that can answer now.
TEST_F(SlowChain, waits_for_answers_of_a_link_that_came_up_in_time) {  // S4
  ChannelPlan two = plan_of({.ammeter = true});
  two.prove_off_within = 10s;
  for (const drivers::InstrumentId instrument : {supply, ammeter}) {
    chain = CutChain(two, 1);
    now = at(0s);
    begin();
    for (const Order& order : orders) answer(order, 0, Ending::link_down);
    now = at(1s);
    chain.link(instrument, true, now, *out);
    turn(at(9999ms));
    EXPECT_FALSE(chain.alarmed()) << instrument;
    turn(at(10s));
    EXPECT_TRUE(chain.alarmed()) << instrument;
  }
}

// Questions from before a link was lost are no round of the source that has come back.
TEST_F(SlowChain, asks_a_source_anew_that_came_back_before_it_is_disproved) {  // S4
  plan = plan_of({.ammeter = true});
  plan.prove_off_within = 10s;
  chain = CutChain(plan, 1);
  begin();
  answer(supply, Verb::output_off, 0);
  for (const Order& order : orders) {
    if (order.instrument == supply && order.verb != Verb::output_off) {
      answer(order, 0, Ending::link_down);
    }
  }
  now = at(1600ms);
  chain.link(supply, true, now, *out);
  answer(ammeter, Verb::measure_current, 1);  // of the round before
  turn(now);
  EXPECT_FALSE(chain.alarmed());
}

// Somebody who cuts again and again puts off no stage of the first.
TEST_F(Chain, repeats_a_stage_after_the_first_begin_however_often_it_begins_again) {  // S4
  begin();
  bool zero = false;
  for (Duration passed = 400ms; passed < 2s; passed += 400ms) {
    now = at(passed);
    chain.begin(now, *out);
    for (const Verb verb : turn(now)) zero |= verb == Verb::set_current;
  }
  EXPECT_TRUE(zero);
}

TEST_F(Chain, lets_a_second_begin_bring_the_alarm_forward_and_never_put_it_off) {  // S4
  chain.begin(now, 4s, *out);
  now = at(100ms);
  chain.begin(now, 1s, *out);
  now = at(200ms);
  chain.begin(now, 10s, *out);
  turn(at(1099ms));
  EXPECT_FALSE(chain.alarmed());
  turn(at(1100ms));
  EXPECT_TRUE(chain.alarmed());
  EXPECT_EQ(chain.record().started, at(0s));
  const Instant alarmed = chain.record().alarmed;
  now = at(2s);
  chain.begin(now, 1s, *out);  // alarmed already: no second alarm
  turn(now);
  EXPECT_GT(chain.wake(), now);
  turn(at(10s));
  EXPECT_EQ(chain.record().alarmed, alarmed);
}

TEST_F(Chain, writes_the_off_again_at_once_with_a_second_begin) {  // S4
  begin();
  now = at(100ms);
  begin();
  ASSERT_FALSE(orders.empty());
  EXPECT_EQ(orders[0].verb, Verb::output_off);
  EXPECT_TRUE(turn(at(499ms)).empty());
  EXPECT_FALSE(turn(at(500ms)).empty());  // and repeats a stage after the first
}

// What an instrument does not answer piles up nowhere.
TEST_F(Chain, has_four_offs_unanswered_at_most_until_they_count_as_lost) {  // S4
  begin();
  int offs = 1;
  for (Duration passed = 500ms; passed < 6500ms; passed += 100ms) {
    const std::vector<Verb> given = turn(at(passed));
    const auto n = std::count(given.begin(), given.end(), Verb::output_off);
    // Without a new off, no new zeros either.
    EXPECT_EQ(std::count(given.begin(), given.end(), Verb::set_current), n);
    offs += static_cast<int>(n);
  }
  EXPECT_EQ(offs, 4);  // at 0, 0.5, 1.0 and 1.5 s
  const std::vector<Verb> given = turn(at(6500ms));
  EXPECT_EQ(std::count(given.begin(), given.end(), Verb::output_off), 1);
}

TEST_F(Chain, has_room_for_another_off_as_soon_as_one_is_answered) {  // S4
  begin();
  const Order first = orders[0];
  for (Duration passed = 500ms; passed <= 2s; passed += 500ms) turn(at(passed));
  answer(first, 1, Ending::disproved);
  ordered();
  const std::vector<Verb> given = turn(at(2500ms));
  EXPECT_EQ(std::count(given.begin(), given.end(), Verb::output_off), 1);
}

TEST_F(Chain, counts_each_answered_off_as_one_and_no_more) {  // S4
  begin();
  answer(orders[0], 1, Ending::disproved);
  int offs = 0;
  const auto offs_until = [&](Duration end) {
    for (Duration passed = now - at(0s) + 500ms; passed <= end; passed += 500ms) {
      const std::vector<Verb> given = turn(at(passed));
      offs += static_cast<int>(std::count(given.begin(), given.end(), Verb::output_off));
    }
    return offs;
  };
  EXPECT_EQ(offs_until(4s), 4);  // none was left of the one that is answered
  answer(orders[0], 1, Ending::disproved);
  EXPECT_EQ(offs_until(6s), 5);  // and one more place
}

// An order that found no place is under way nowhere.
TEST_F(Chain, writes_and_asks_again_as_soon_as_its_orders_find_a_place) {  // S4
  for (const bool urgent : {true, false}) fill(*out, urgent);
  begin();  // takes what was in the queues
  EXPECT_EQ(std::count_if(orders.begin(), orders.end(),
                          [](const Order& o) { return o.verb != Verb::read_regulation; }),
            0);
  EXPECT_EQ(turn(at(100ms)),
            (std::vector{Verb::measure_current, Verb::measure_current, Verb::read_output}));
  int offs = 0;
  for (Duration passed = 500ms; passed <= 3s; passed += 500ms) {
    const std::vector<Verb> given = turn(at(passed));
    offs += static_cast<int>(std::count(given.begin(), given.end(), Verb::output_off));
  }
  EXPECT_EQ(offs, 4);
}

TEST_F(Chain, tells_nothing_where_nobody_is_to_be_told) {
  chain.announce(false);
  begin();
  turn(at(10s));
  EXPECT_TRUE(told().empty());
}

TEST_F(Chain, writes_the_off_at_once_where_the_link_of_the_source_comes_back) {  // S4
  chain.link(supply, true, now, *out);
  EXPECT_TRUE(ordered().empty());
  begin();
  for (const Order& order : orders) answer(order, 1, Ending::link_down);
  ordered();
  chain.link(supply, true, now, *out);
  EXPECT_EQ(verbs(), (std::vector{Verb::output_off, Verb::measure_current, Verb::measure_current,
                                  Verb::read_output}));
}

// ---- questions ----------------------------------------------------------------------------------

TEST_F(Chain, asks_for_nothing_that_the_bench_does_not_have) {
  ChannelPlan alone = plan_of({.voltmeter = false});
  alone.abilities.reads_output = false;
  chain = CutChain(alone, 1);
  begin();
  ASSERT_EQ(orders.size(), 2U);
  EXPECT_EQ(orders[1].verb, Verb::measure_current);
}

TEST_F(Chain, asks_again_at_the_very_moment_for_which_it_wakes) {  // S4
  begin();
  answer(supply, Verb::measure_current, 1);
  answer(ammeter, Verb::measure_current, 1);
  answer(supply, Verb::read_output, 1);
  ASSERT_EQ(chain.wake(), at(100ms));
  EXPECT_EQ(turn(at(100ms)).size(), 3U);
}

TEST_F(Chain, takes_no_order_of_another_purpose_or_channel_for_its_own) {  // S4
  begin();
  Order other = orders[0];
  other.ticket = out->order(1, Purpose::steering, {supply, 0}, Verb::output_off);
  answer(other, 0);
  other.ticket = out->order(2, Purpose::cut, {supply, 0}, Verb::output_off);
  answer(other, 0);
  EXPECT_EQ(chain.record().off_written, drivers::never);
  Order question = orders[1];
  for (int k = 0; k < 3; ++k) {
    question.ticket = out->order(1, Purpose::reading, {supply, 0}, Verb::measure_current);
    answer(question, 1);
  }
  ordered();
  EXPECT_TRUE(turn(at(100ms)).empty());  // its own questions are still out
}

TEST_F(Chain, asks_again_when_all_answers_are_in_or_count_as_lost) {  // S4
  begin();
  answer(supply, Verb::measure_current, 1);
  answer(ammeter, Verb::measure_current, 1);
  EXPECT_TRUE(turn(at(100ms)).empty());  // one is still out
  answer(supply, Verb::read_output, 1);
  EXPECT_EQ(turn(at(200ms)),
            (std::vector{Verb::measure_current, Verb::measure_current, Verb::read_output}));
  int questions = 0;
  for (Duration passed = 300ms; passed < 5200ms; passed += 100ms) {
    const std::vector<Verb> given = turn(at(passed));
    questions += static_cast<int>(std::count(given.begin(), given.end(), Verb::read_output));
  }
  EXPECT_EQ(questions, 0);
  const std::vector<Verb> given = turn(at(5200ms));
  EXPECT_EQ(std::count(given.begin(), given.end(), Verb::read_output), 1);
}

}  // namespace
}  // namespace chargewright::safety::testing

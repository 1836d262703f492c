// The cut chain by itself, order by order and moment by moment (S4). As part of a guard:
// cut_test.cpp.
#include "safety/cut_chain.h"

#include <gtest/gtest.h>

#include <algorithm>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

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

TEST_F(Chain, asks_for_nothing_that_the_bench_does_not_have) {
  ChannelPlan alone = plan_of({.voltmeter = false});
  alone.abilities.reads_output = false;
  chain = CutChain(alone, 1);
  begin();
  ASSERT_EQ(orders.size(), 2U);
  EXPECT_EQ(orders[1].verb, Verb::measure_current);
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
  EXPECT_TRUE(turn(at(599ms)).empty());
  EXPECT_FALSE(turn(at(600ms)).empty());  // and repeats a stage after that
}

// The repeat begins anew with the second begin; the contactor does not wait for it.
TEST_F(Chain, opens_the_contactor_two_stages_after_the_first_begin_whatever_comes_later) {  // S4
  begin();
  now = at(400ms);
  begin();
  EXPECT_TRUE(turn(at(899ms)).empty());
  EXPECT_EQ(turn(at(900ms)), (std::vector{Verb::output_off, Verb::set_current, Verb::set_voltage}));
  EXPECT_TRUE(turn(at(999ms)).empty());
  EXPECT_EQ(turn(at(1s)), std::vector{Verb::open_switch});
}

TEST_F(Chain, wakes_for_no_contactor_where_there_is_none) {  // S4
  plan = plan_of({.ammeter = true});
  plan.every = 10s;
  chain = CutChain(plan, 1);
  chain.begin(now, 10s, *out);
  now = at(600ms);
  chain.begin(now, 10s, *out);
  EXPECT_EQ(chain.wake(), at(1100ms));
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

// ---- proof --------------------------------------------------------------------------------------

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

// ---- the contactor ------------------------------------------------------------------------------

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

TEST_F(Chain, tries_a_contactor_three_times_a_stage_apart_and_then_alarms) {  // S4
  for (const int cut : {1, 2}) {
    SCOPED_TRACE(cut);
    tries_it_three_times();
  }
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

// ---- proof by the contactor ---------------------------------------------------------------------

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

TEST_F(Chain, tells_nothing_where_nobody_is_to_be_told) {
  chain.announce(false);
  begin();
  turn(at(10s));
  EXPECT_TRUE(told().empty());
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

}  // namespace
}  // namespace chargewright::safety::testing

// The permissives by themselves, order by order and stage by stage (S1). As part of a guard:
// arming_test.cpp.
#include "safety/permissives.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <map>
#include <memory>
#include <tuple>
#include <vector>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

// The permissives alone, with instruments that answer at once and time that stands still.
class Permitting : public ::testing::Test {
 protected:
  explicit Permitting(const ChannelPlan& p = plan_of({.ammeter = true, .contactor = true}))
      : plan(p), permissives(p, 2), interlock(p, 2) {}
  void begin(const RunPlan& run = run_plan()) {
    permissives.begin(run, now, *out);
    answer();
  }
  void answer() {
    for (Order order; out->take_order(order);) {
      asked.push_back(order);
      Outcome outcome;
      outcome.order = order;
      outcome.ending = Ending::done;
      outcome.value = order.verb == Verb::identify ? 1 : says[order.verb];
      permissives.see(outcome, now, *out);
    }
  }
  void read(drivers::InstrumentId instrument, Verb verb, double value, std::uint8_t channel = 0) {
    interlock.see(outcome(instrument, channel, verb, value, now));
  }
  void turn(Instant when) {
    now = when;
    permissives.turn(interlock, now, *out);
    answer();
  }
  // The voltmeter at the cell has read: the contactor closes.
  void look(double volts = 3.7) {
    read(voltmeter, Verb::measure_voltage, volts);
    turn(now);
  }

  ChannelPlan plan;
  Permissives permissives;
  Interlock interlock;
  Instant now = at(0s);
  std::map<Verb, double> says;
  std::vector<Order> asked;
  std::unique_ptr<Outbox> out = std::make_unique<Outbox>();
  using Stage = Permissives::Stage;
};

TEST_F(Permitting, asks_for_one_thing_after_the_other_and_for_the_output_never) {  // S1
  begin();
  look();
  std::vector<std::pair<drivers::InstrumentId, Verb>> order;
  for (const Order& o : asked) order.emplace_back(o.instrument, o.verb);
  EXPECT_EQ(order,
            (std::vector<std::pair<drivers::InstrumentId, Verb>>{{supply, Verb::identify},
                                                                 {voltmeter, Verb::identify},
                                                                 {ammeter, Verb::identify},
                                                                 {thermometer, Verb::identify},
                                                                 {contactor, Verb::identify},
                                                                 {supply, Verb::drain_errors},
                                                                 {supply, Verb::output_off},
                                                                 {contactor, Verb::open_switch},
                                                                 {supply, Verb::read_protection},
                                                                 {supply, Verb::set_current},
                                                                 {supply, Verb::set_voltage},
                                                                 {supply, Verb::set_over_voltage},
                                                                 {supply, Verb::set_over_current},
                                                                 {supply, Verb::read_protection},
                                                                 {contactor, Verb::close_switch}}));
  EXPECT_EQ(permissives.stage(), Stage::fresh);
}

// Zero volts and amperes; the levels of the protection; and no number where none is meant.
TEST_F(Permitting, writes_no_number_but_zeros_and_the_levels_of_the_protection) {  // S1
  begin();
  look();
  for (const Order& order : asked) {
    EXPECT_EQ(order.value, order.verb == Verb::set_over_voltage   ? 4.40
                           : order.verb == Verb::set_over_current ? 8.0
                                                                  : 0.0)
        << static_cast<int>(order.verb);
    EXPECT_FALSE(order.urgent);
  }
  says[Verb::drain_errors] = 1;
  asked.clear();
  begin();
  for (const Order& order : asked) EXPECT_EQ(order.value, 0);
}

TEST_F(Permitting, waits_for_a_sensor_for_four_of_its_ages_and_intervals) {  // S1
  begin();
  ASSERT_EQ(permissives.stage(), Stage::look);
  EXPECT_EQ(permissives.wake(), at(2400ms));
  now = at(1s);
  look();
  ASSERT_EQ(permissives.stage(), Stage::fresh);
  EXPECT_EQ(permissives.wake(), at(3400ms));
  turn(at(3400ms - 1ns));
  EXPECT_TRUE(permissives.running());
  turn(at(3400ms));
  EXPECT_FALSE(permissives.running());
  EXPECT_FALSE(permissives.met());
  EXPECT_EQ(permissives.refusal(), Refusal::reading_not_fresh);
  EXPECT_EQ(permissives.wake(), drivers::never);
}

TEST_F(Permitting, takes_no_longer_than_allowed_in_all_whichever_stage_it_is_in) {  // S1
  permissives.begin(run_plan(), now, *out);  // and nobody answers
  EXPECT_EQ(permissives.wake(), at(15s));
  permissives.turn(interlock, at(15s - 1ns), *out);
  ASSERT_TRUE(permissives.running());
  permissives.turn(interlock, at(15s), *out);
  EXPECT_FALSE(permissives.running());
  EXPECT_EQ(permissives.refusal(), Refusal::took_too_long);

  plan.arm_within = 2s;
  permissives = Permissives(plan, 2);
  now = at(0s);
  begin();
  ASSERT_EQ(permissives.stage(), Stage::look);
  EXPECT_EQ(permissives.wake(), at(2s));
  turn(at(2s));
  EXPECT_EQ(permissives.refusal(), Refusal::took_too_long);
}

TEST_F(Permitting, takes_a_reading_from_before_the_stage_for_none) {  // S1
  for (const auto& place :
       {std::pair{voltmeter, Verb::measure_voltage}, std::pair{ammeter, Verb::measure_current},
        std::pair{supply, Verb::measure_voltage}, std::pair{supply, Verb::measure_current},
        std::pair{thermometer, Verb::measure_temperature}}) {
    const drivers::InstrumentId instrument = place.first;
    const Verb verb = place.second;
    permissives = Permissives(plan, 2);
    interlock = Interlock(plan, 2);
    begin();
    look();
    const auto read_all_but = [&](bool this_one) {
      const auto read_one = [&](drivers::InstrumentId i, Verb v, double value, std::uint8_t c = 0) {
        if ((i == instrument && v == verb) == this_one) read(i, v, value, c);
      };
      read_one(voltmeter, Verb::measure_voltage, 3.7);
      read_one(supply, Verb::measure_voltage, 0.0);
      read_one(supply, Verb::measure_current, 0.0);
      read_one(ammeter, Verb::measure_current, 0.0);
      read_one(thermometer, Verb::measure_temperature, 25, 1);
    };
    const Instant began = now;
    now = began - 1ns;
    read_all_but(true);  // just before
    now = began;
    read_all_but(false);
    turn(now);
    EXPECT_EQ(permissives.stage(), Stage::fresh) << static_cast<int>(verb) << " of " << instrument;
    read_all_but(true);
    turn(now);
    EXPECT_TRUE(permissives.met()) << static_cast<int>(verb) << " of " << instrument;
  }
}

// What was proved off may have been switched on by a hand while a slow sensor was waited for.
TEST_F(Permitting, asks_last_of_all_whether_the_output_is_still_off) {  // S1
  const auto read_all = [&] {
    read(voltmeter, Verb::measure_voltage, 3.7);
    read(supply, Verb::measure_voltage, 0.0);
    read(supply, Verb::measure_current, 0.0);
    read(ammeter, Verb::measure_current, 0.0);
    read(thermometer, Verb::measure_temperature, 25, 1);
  };
  for (const bool on : {true, false}) {
    now += 1ms;
    begin();
    look();
    ASSERT_EQ(permissives.stage(), Stage::fresh);
    says[Verb::read_output] = on ? 1 : 0;
    turn(now);
    EXPECT_NE(asked.back().verb, Verb::read_output);  // not before every sensor has read
    read_all();
    turn(now);
    EXPECT_EQ(asked.back().verb, Verb::read_output);
    EXPECT_EQ(asked.back().instrument, supply);
    EXPECT_EQ(permissives.met(), !on);
    EXPECT_EQ(permissives.refusal(), on ? Refusal::output_not_off : Refusal::none);
    EXPECT_EQ(permissives.measured(), on ? 1 : 0);
  }
  begin();
  look();
  read_all();
  permissives.turn(interlock, now, *out);
  permissives.turn(interlock, now, *out);  // and waits for the answer to one question
  EXPECT_FALSE(permissives.met());
  Order order;
  ASSERT_TRUE(out->take_order(order));
  EXPECT_FALSE(out->take_order(order));
  Outcome garbled;
  garbled.order = order;
  garbled.ending = Ending::unparsable;
  permissives.see(garbled, now, *out);
  EXPECT_EQ(permissives.refusal(), Refusal::output_not_off);
}

TEST_F(Permitting, believes_no_current_alone_of_a_source_whose_output_cannot_be_read) {  // S1
  plan.abilities.reads_output = false;
  permissives = Permissives(plan, 2);
  begin();
  look();
  read(voltmeter, Verb::measure_voltage, 3.7);
  read(supply, Verb::measure_voltage, 0.0);
  read(supply, Verb::measure_current, 0.0);
  read(ammeter, Verb::measure_current, 0.0);
  read(thermometer, Verb::measure_temperature, 25, 1);
  turn(now);
  EXPECT_TRUE(permissives.met());
  EXPECT_NE(asked.back().verb, Verb::read_output);
}

// At whatever moment of arming, but for the way of the last question and its answer.
TEST(ArmingStages, let_no_hand_switch_the_output_on_unseen) {  // S1 S3
  const auto ready_with_a_hand_at = [](Duration when) {
    GuardStory story;
    story.start();
    EXPECT_TRUE(story.until(State::off));
    story.arm();
    const Instant began = story.now;
    bool ready = false;
    while (!ready && story.now < began + 3s && story.trip() == Cause::none) {
      if (story.now == began + when) story.bench.output = true;
      story.pass(1ms);
      ready = story.state() == State::ready;
    }
    return ready ? std::optional(story.now - began) : std::nullopt;
  };
  const auto took = ready_with_a_hand_at(1h);
  ASSERT_TRUE(took);
  for (Duration before = 4ms; before <= 50ms; before += 1ms) {
    EXPECT_FALSE(ready_with_a_hand_at(*took - before)) << before.count();
  }
}

TEST_F(Permitting, drains_the_error_queue_three_times_at_most_and_names_the_instrument) {  // S1
  says[Verb::drain_errors] = 2;
  begin();
  EXPECT_EQ(permissives.refusal(), Refusal::instrument_errors);
  EXPECT_EQ(permissives.instrument(), supply);
  EXPECT_EQ(permissives.measured(), 2);
  EXPECT_EQ(std::count_if(asked.begin(), asked.end(),
                          [](const Order& o) { return o.verb == Verb::drain_errors; }),
            3);
  says[Verb::drain_errors] = 0;
  begin();  // anew: nothing of the last time is left
  EXPECT_EQ(permissives.refusal(), Refusal::none);
  EXPECT_EQ(permissives.instrument(), drivers::no_instrument);
  permissives.begin(run_plan(), now, *out);
  int errors = 1;
  for (Order order; out->take_order(order);) {
    Outcome outcome;
    outcome.order = order;
    outcome.ending = Ending::done;
    outcome.value = order.verb == Verb::identify       ? 1
                    : order.verb == Verb::drain_errors ? errors
                                                       : 0;
    if (order.verb == Verb::drain_errors) errors = 0;
    permissives.see(outcome, now, *out);
  }
  EXPECT_EQ(permissives.stage(), Stage::look);  // three tries, again
}

TEST_F(Permitting, lets_pass_what_stands_just_on_its_bound) {  // S1
  const auto arms_at = [&](double volts, double amperes, double at_source) {
    begin();
    look(volts);
    if (!permissives.running()) return permissives.refusal();
    for (const auto& [instrument, verb, value, channel] :
         {std::tuple{voltmeter, Verb::measure_voltage, volts, 0},
          std::tuple{supply, Verb::measure_voltage, 0.0, 0},
          std::tuple{supply, Verb::measure_current, at_source, 0},
          std::tuple{ammeter, Verb::measure_current, amperes, 0},
          std::tuple{thermometer, Verb::measure_temperature, 25.0, 1}}) {
      read(instrument, verb, value, static_cast<std::uint8_t>(channel));
    }
    turn(now);
    EXPECT_EQ(permissives.met(), permissives.refusal() == Refusal::none);
    return permissives.refusal();
  };
  EXPECT_EQ(arms_at(4.25, 0.020, -0.020), Refusal::none);
  EXPECT_EQ(arms_at(2.50, -0.020, 0.020), Refusal::none);
  EXPECT_EQ(arms_at(3.70, 0.0201, 0), Refusal::output_not_off);
  EXPECT_EQ(arms_at(3.70, 0, 0.0201), Refusal::output_not_off);
  EXPECT_EQ(arms_at(-0.1, 0, 0), Refusal::open_circuit_implausible);
  EXPECT_EQ(arms_at(-0.1001, 0, 0), Refusal::polarity_reversed);
}

TEST_F(Permitting, refuses_where_its_orders_find_no_place) {  // S1
  fill(*out, false);
  permissives.begin(run_plan(), now, *out);
  EXPECT_FALSE(permissives.running());
  EXPECT_EQ(permissives.refusal(), Refusal::instrument_unreachable);
}

TEST(Permissives, refuse_where_the_protection_cannot_even_be_ordered) {  // S1
  const auto out = std::make_unique<Outbox>();
  const ChannelPlan plan = plan_of({.contactor = true});
  Permissives permissives(plan, 1);
  permissives.begin(run_plan(), at(0s), *out);
  bool full = false;
  for (Order order; !full && out->take_order(order);) {
    Outcome outcome;
    outcome.order = order;
    outcome.ending = Ending::done;
    outcome.value = order.verb == Verb::identify ? 1 : 0;
    if (order.verb == Verb::set_voltage) {
      fill(*out, false);
      full = true;
    }
    permissives.see(outcome, at(1s), *out);
  }
  ASSERT_TRUE(full);
  EXPECT_EQ(permissives.refusal(), Refusal::instrument_unreachable);
  EXPECT_FALSE(permissives.running());
}

TEST_F(Permitting, says_what_it_measured_and_what_it_may_be) {  // S1
  begin();
  look(4.30);
  EXPECT_EQ(permissives.refusal(), Refusal::open_circuit_implausible);
  EXPECT_EQ(permissives.measured(), 4.30);
  EXPECT_EQ(permissives.limit(), 4.25);
  now = at(1s);
  begin();  // anew: nothing of the last time is left
  EXPECT_EQ(permissives.refusal(), Refusal::none);
  EXPECT_EQ(permissives.measured(), 0);
  EXPECT_EQ(permissives.limit(), 0);
  EXPECT_TRUE(permissives.running());
}

TEST_F(Permitting, bears_answers_that_are_not_its_own) {  // S1
  permissives.begin(run_plan(), now, *out);
  Outcome stray;
  stray.ending = Ending::disproved;
  stray.order.ticket = 4711;
  permissives.see(stray, now, *out);
  EXPECT_TRUE(permissives.running());
  EXPECT_EQ(permissives.stage(), Stage::identify);
}

}  // namespace
}  // namespace chargewright::safety::testing

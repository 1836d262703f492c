// What a guard is asked: what it refuses, what it takes, and what does not exist (S1, S2, S4 to
// S6).
#include <gtest/gtest.h>

#include <cmath>
#include <functional>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

TEST(Guard, refuses_a_request_for_a_channel_that_is_not_there) {
  GuardStory story;
  story.start();
  Request request;
  request.channel = 7;
  request.number = 4711;
  story.guard.request(request, story.now);
  story.settle();
  ASSERT_TRUE(story.happened(Event::Kind::refused));
  EXPECT_EQ(story.last(Event::Kind::refused)->refusal, Refusal::wrong_state);
  EXPECT_EQ(story.last(Event::Kind::refused)->number, 4711U);
  EXPECT_EQ(story.last(Event::Kind::refused)->at, story.now);
}

TEST(Guard, bears_trips_outcomes_and_links_of_channels_that_are_not_there) {
  GuardStory story;
  story.guard.restore_trip({.cause = Cause::voltage_high, .channel = 9});
  story.start();
  Outcome stray = outcome(supply, 0, Verb::measure_voltage, 9.9, story.now);
  stray.order.ticket = 0xF000'0001;
  story.guard.see(stray, story.now);
  const Instant began = story.now;
  story.guard.link_changed(29, false, began);
  ASSERT_TRUE(story.until(State::off));
  ASSERT_TRUE(story.happened(Event::Kind::link_changed));
  EXPECT_EQ(story.last(Event::Kind::link_changed)->instrument, 29);
  EXPECT_EQ(story.last(Event::Kind::link_changed)->at, began);
}

// The channel after the last is the first that is not there.
TEST(Guard, bears_whatever_is_said_of_the_channel_after_its_last) {  // S4
  GuardStory story;
  story.guard.restore_trip({.cause = Cause::voltage_high, .channel = 1});
  story.guard.restore_limits(1, cell_limits());
  story.start();
  Request request;
  request.kind = Request::Kind::arm;
  request.channel = 1;
  story.guard.request(request, story.now);
  story.settle();
  EXPECT_EQ(story.last_refusal(), Refusal::wrong_state);
  story.guard.refuse(request, Refusal::no_dead_man, story.now);
  story.settle();
  EXPECT_EQ(story.last_refusal(), Refusal::no_dead_man);
  EXPECT_EQ(story.last(Event::Kind::refused)->channel, 1);
  EXPECT_EQ(story.channel().refusal, Refusal::none);
  Outcome stray = outcome(supply, 0, Verb::measure_voltage, 9.9, story.now);
  stray.order.ticket = 1U << 28;
  story.guard.see(stray, story.now);
  EXPECT_TRUE(story.until(State::off));
}

TEST(Guard, cuts_on_a_request_of_a_kind_that_does_not_exist) {  // S4
  GuardStory story;
  story.charge_on();
  story.ask(static_cast<Request::Kind>(0xEE));
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::guard_internal);
}

TEST(Guard, refuses_to_charge_without_a_run_and_has_nothing_to_cut_for_it) {  // S1
  GuardStory story;
  story.start();
  ASSERT_TRUE(story.until(State::off));
  story.ask(Request::Kind::charge, 1, 4.20_V, 1.0_A);
  story.settle();
  EXPECT_EQ(story.last_refusal(), Refusal::wrong_state);
  EXPECT_EQ(story.state(), State::off);
  EXPECT_EQ(story.trip(), Cause::none);
}

// The sequencer that asks for something lives.
TEST(Guard, takes_a_request_for_a_step_for_a_sign_of_life) {  // S6
  GuardStory story;
  story.charge_on();
  story.sequencer_lives = false;
  for (int k = 0; k < 6; ++k) {
    story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
    story.pass(500ms);
  }
  EXPECT_EQ(story.state(), State::energised);
  for (int k = 0; k < 6; ++k) {
    story.ask(Request::Kind::rest, 2);
    story.pass(500ms);
  }
  EXPECT_EQ(story.state(), State::ready);
  story.pass(1100ms);
  EXPECT_EQ(story.trip(), Cause::sequencer_late);
}

TEST(Guard, shows_the_refusal_of_an_arm_and_of_nothing_else_that_its_shell_refused) {
  GuardStory story;
  story.start();
  ASSERT_TRUE(story.until(State::off));
  Request request;
  request.kind = Request::Kind::acknowledge;
  story.guard.refuse(request, Refusal::no_dead_man, story.now);
  EXPECT_EQ(story.channel().refusal, Refusal::none);
  request.kind = Request::Kind::arm;
  story.guard.refuse(request, Refusal::no_dead_man, story.now);
  EXPECT_EQ(story.channel().refusal, Refusal::no_dead_man);
}

// ---- the plan of a run --------------------------------------------------------------------------

TEST(Guard, refuses_an_arm_whose_plan_is_no_plan) {  // S1 S2
  const std::function<void(RunPlan&)> spoil[] = {
      [](RunPlan& r) { r.full = drivers::volts(NAN); },
      [](RunPlan& r) { r.lead_compensation_max = drivers::volts(HUGE_VAL); },
      [](RunPlan& r) { r.open_circuit_min = drivers::volts(NAN); },
      [](RunPlan& r) { r.open_circuit_max = drivers::volts(NAN); },
      [](RunPlan& r) { r.over_voltage_protection = drivers::volts(NAN); },
      [](RunPlan& r) { r.over_current_protection = drivers::amperes(NAN); },
      [](RunPlan& r) { r.full = 0.0_V; },
      [](RunPlan& r) { r.lead_compensation_max = drivers::volts(-0.1); },
      [](RunPlan& r) { r.open_circuit_min = r.open_circuit_max; },
      [](RunPlan& r) { r.full = 4.26_V; },
      [](RunPlan& r) { r.over_voltage_protection = 4.19_V; },
      [](RunPlan& r) { r.over_current_protection = 0.0_A; },
      [](RunPlan& r) { r.limits.run_time->value = Duration{-1}; },
      [](RunPlan& r) { r.limits.step_time->on_delay = Duration{-1}; },
      [](RunPlan& r) { r.limits.run_time->on_delay = Duration{-1}; },
      [](RunPlan& r) {
        r.limits.voltage_above->at_once = AtOnce<drivers::Volts>{drivers::volts(NAN), {}};
      }};
  int number = 0;
  for (const auto& change : spoil) {
    GuardStory story;
    story.start();
    ASSERT_TRUE(story.until(State::off));
    RunPlan run = run_plan();
    change(run);
    story.arm(run);
    story.settle();
    EXPECT_EQ(story.last_refusal(), Refusal::limits_defective) << number;
    EXPECT_EQ(story.state(), State::off);
    ++number;
  }
}

TEST(Guard, refuses_a_run_that_carries_what_is_no_amount) {  // S1 S9
  GuardStory story;
  story.start();
  story.until(State::off);
  RunPlan run = run_plan();
  run.carried.charge_in = drivers::coulombs(std::nan(""));
  story.arm(run);
  EXPECT_EQ((story.settle(), story.last_refusal()), Refusal::limits_defective);
}

TEST(Guard, arms_a_run_at_the_edge_of_each_of_its_numbers) {  // S1 S2
  RunPlan run = run_plan();
  run.lead_compensation_max = 0.0_V;
  run.full = 4.25_V;  // its limit
  run.over_voltage_protection = 4.25_V;
  run.over_current_protection = 1.0_A;
  GuardStory story;
  story.start();
  ASSERT_TRUE(story.until(State::off));
  story.arm(run);
  EXPECT_TRUE(story.until(State::ready)) << describe(story.last_refusal());
  RunPlan low = run_plan();  // a small capacitor
  low.full = 0.9_V;
  low.open_circuit_min = drivers::volts(-0.05);
  low.open_circuit_max = 0.9_V;
  low.limits.voltage_below.reset();
  GuardStory capacitor;
  capacitor.bench.inner_voltage = 0.1;
  capacitor.start();
  ASSERT_TRUE(capacitor.until(State::off));
  capacitor.arm(low);
  EXPECT_TRUE(capacitor.until(State::ready)) << describe(capacitor.last_refusal());
  // What the source has not is not asked of the plan.
  ChannelPlan plan = plan_of();
  plan.abilities.over_voltage_protection = false;
  plan.abilities.over_current_protection = false;
  run.over_voltage_protection = 0.0_V;
  run.over_current_protection = 0.0_A;
  GuardStory bare(plan);
  bare.start();
  ASSERT_TRUE(bare.until(State::off));
  bare.arm(run);
  EXPECT_TRUE(bare.until(State::ready)) << describe(bare.last_refusal());
}

// ---- an acknowledgement and the own protection of the source ------------------------------------

TEST(Guard, clears_the_instruments_own_protection_with_the_acknowledgement) {  // S5
  for (const bool clears : {true, false}) {
    ChannelPlan plan = plan_of();
    plan.abilities.clears_protection = clears;
    GuardStory story(plan);
    story.charge_on();
    story.bench.protection = 1;
    ASSERT_TRUE(story.until(State::tripped));
    EXPECT_EQ(story.trip(), Cause::protection_tripped);
    story.pass(1s);
    story.ask(Request::Kind::acknowledge);
    story.pass(1s);
    EXPECT_EQ(story.bench.protection, clears ? 0 : 1);
  }
}

TEST(Guard, clears_the_instruments_own_protection_where_that_alone_may_be_latched) {  // S5
  // It tripped, and reads clear by now: the instrument may hold its output off all the same.
  GuardStory tripped;
  tripped.charge_on();
  tripped.bench.protection = 1;
  ASSERT_TRUE(tripped.until(State::tripped));
  tripped.bench.protection = 0;
  tripped.pass(5s);
  tripped.ask(Request::Kind::acknowledge);
  ASSERT_TRUE(tripped.until(State::off));
  EXPECT_EQ(tripped.bench.count(Verb::clear_protection), 1);
  // It never did: it is left alone.
  GuardStory other;
  other.charge_on();
  other.pass(2s);
  other.ask(Request::Kind::cut);
  ASSERT_TRUE(other.until(State::tripped));
  other.ask(Request::Kind::acknowledge);
  ASSERT_TRUE(other.until(State::off));
  EXPECT_EQ(other.bench.count(Verb::clear_protection), 0);
}

TEST(Guard, clears_an_own_protection_that_tripped_beside_another_cause_when_acknowledged) {  // S5
  GuardStory story;
  story.charge_on();
  story.bench.protection = 1;
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.pass(2s);
  ASSERT_EQ(story.trip(), Cause::operator_cut);
  ASSERT_EQ(story.bench.count(Verb::clear_protection), 0);
  story.ask(Request::Kind::acknowledge);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_EQ(story.bench.count(Verb::clear_protection), 1);
}

}  // namespace
}  // namespace chargewright::safety::testing

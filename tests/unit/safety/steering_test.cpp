// Setpoints and output on their way to the source: each proved before the next, and what cannot be
// proved is a fault by its name (S1, S3, S4).
#include <gtest/gtest.h>

#include <cmath>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

TEST(Steering, writes_nothing_where_the_setpoints_stand_already) {
  GuardStory story;
  story.charge_on();
  story.bench.written.clear();
  story.ask(Request::Kind::charge, 2, 4.20_V, 2.4_A);
  story.pass(50ms);
  EXPECT_EQ(story.bench.count(Verb::set_voltage) + story.bench.count(Verb::set_current), 0);
  EXPECT_EQ(story.channel().step, 2);
  EXPECT_EQ(story.state(), State::energised);
}

TEST(Steering, writes_only_the_setpoint_that_changes) {
  GuardStory story;
  story.charge_on();
  story.bench.written.clear();
  story.ask(Request::Kind::charge, 2, 4.10_V, 2.4_A);
  story.pass(50ms);
  EXPECT_EQ(story.bench.count(Verb::set_voltage), 1);
  EXPECT_EQ(story.bench.count(Verb::set_current), 0);
}

TEST(Steering, judges_no_setpoint_while_another_is_on_its_way) {  // S3
  for (const auto& aim : {std::pair{4.10, 2.0}, {4.10, 2.4}, {4.20, 2.0}}) {
    GuardStory story;
    story.charge_on();  // not proved yet, perhaps there already:
    story.ask(Request::Kind::charge, 2, drivers::volts(aim.first), drivers::amperes(aim.second));
    const auto read_back = [&](Verb verb, double value) {
      story.guard.see(outcome(supply, 0, verb, value, story.now), story.now);
    };
    read_back(Verb::read_voltage_setpoint, aim.first);
    read_back(Verb::read_current_setpoint, aim.second);
    story.guard.turn(story.now);
    EXPECT_EQ(story.state(), State::energised) << describe(story.channel().trip);
    story.pass(5s);
    EXPECT_EQ(story.state(), State::energised) << describe(story.channel().trip);
  }
}

// From the order on: the readback may come before the answer to the order.
TEST(Steering, finds_no_output_unbidden_that_it_has_just_ordered_on) {  // S3
  GuardStory story;
  ASSERT_TRUE(story.start_to_ready());
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  ASSERT_TRUE(story.until(State::energised));
  ASSERT_FALSE(story.happened(Event::Kind::output_changed));  // not answered yet
  story.guard.see(outcome(supply, 0, Verb::read_output, 1, story.now), story.now);
  story.guard.turn(story.now);
  EXPECT_EQ(story.state(), State::energised) << describe(story.channel().trip);
}

// The source says another value than the one that was written, or nothing.
TEST(Steering, cuts_by_name_where_a_setpoint_or_the_output_is_not_obeyed) {  // S3 S4
  constexpr drivers::InstrumentId source = ammeter;                          // any but the first
  constexpr double said = 1.5;
  const struct {
    Verb verb;
    Ending ending;
    Cause cause;
    Subject sensor;
    double measured, limit;
  } cases[] = {
      {Verb::set_voltage, Ending::disproved, Cause::setpoint_changed, Subject::voltage_setpoint,
       said, 4.20},
      {Verb::set_current, Ending::device_error, Cause::setpoint_changed, Subject::current_setpoint,
       said, 2.4},
      {Verb::set_voltage, Ending::timed_out, Cause::conversation_failing, Subject::voltage_setpoint,
       source, 0},
      {Verb::set_current, Ending::link_down, Cause::conversation_failing, Subject::current_setpoint,
       source, 0},
      {Verb::output_on, Ending::disproved, Cause::output_off_unbidden, Subject::output, said, 0},
      {Verb::output_on, Ending::timed_out, Cause::conversation_failing, Subject::output, source, 0},
  };
  ChannelPlan plan = plan_of();
  plan.source = plan.ammeter = {source, 0};
  for (const auto& c : cases) {
    GuardStory story(plan);
    ASSERT_TRUE(story.start_to_ready());
    story.bench.says[{source, c.verb}] = {c.ending, said};
    story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
    ASSERT_TRUE(story.until(State::tripped)) << static_cast<int>(c.verb);
    const Fault trip = story.channel().trip;
    EXPECT_EQ(trip.cause, c.cause) << static_cast<int>(c.verb) << key_of(trip.cause);
    EXPECT_EQ(trip.sensor, static_cast<std::uint8_t>(c.sensor)) << static_cast<int>(c.verb);
    EXPECT_EQ(trip.measured, c.measured) << static_cast<int>(c.verb);
    EXPECT_EQ(trip.limit, c.limit) << static_cast<int>(c.verb);
    EXPECT_FALSE(story.bench.output);
  }
}

TEST(Steering, cuts_where_a_rest_does_not_switch_off) {  // S3 S4
  GuardStory story;
  story.charge_on();
  story.bench.ignores_off = true;
  story.ask(Request::Kind::rest, 2);
  ASSERT_TRUE(story.until(State::cutting));
  EXPECT_EQ(story.trip(), Cause::output_on_unbidden);
  EXPECT_EQ(story.channel().trip.measured, 1);  // what the output says
  EXPECT_EQ(story.channel().trip.limit, 0);
}

// What is read until the off is answered belongs to neither state: no doubt and no fault.
TEST(Steering, concludes_nothing_while_the_order_to_switch_off_is_under_way) {  // S3
  GuardStory story;
  story.charge_on();
  story.bench.says[{voltmeter, Verb::measure_voltage}] = {Ending::done, 3.5};  // leads apart
  story.pass(300ms);
  ASSERT_TRUE(story.channel().in_doubt);
  story.bench.latency = 400ms;
  story.ask(Request::Kind::rest, 2);
  story.pass(50ms);
  ASSERT_EQ(story.state(), State::energised);
  story.guard.see(outcome(supply, 0, Verb::measure_current, 0, story.now), story.now);
  story.guard.turn(story.now);
  EXPECT_FALSE(story.channel().in_doubt);
  EXPECT_TRUE(story.until(State::ready)) << describe(story.channel().trip);
}

TEST(Steering, judges_setpoints_that_were_changed_in_mid_charge) {  // S3
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::charge, 2, 4.10_V, 2.0_A);
  story.pass(2s);
  ASSERT_EQ(story.state(), State::energised);
  story.bench.current_setpoint = 2.2;  // a knob
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::setpoint_changed);
  EXPECT_EQ(story.channel().trip.limit, 2.0);
}

TEST(Steering, sets_what_waited_while_the_output_went_on) {
  GuardStory story;
  ASSERT_TRUE(story.start_to_ready());
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  ASSERT_TRUE(story.until(State::energised));  // the order to switch on is under way
  story.ask(Request::Kind::charge, 1, 4.10_V, 2.0_A);
  story.pass(500ms);
  EXPECT_EQ(story.bench.voltage_setpoint, 4.10);
  EXPECT_EQ(story.bench.current_setpoint, 2.0);
}

TEST(Steering, charges_again_after_a_cut_in_mid_change) {  // S5
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::charge, 1, 4.15_V, 2.0_A);
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.ask(Request::Kind::acknowledge);
  ASSERT_TRUE(story.off_to_ready());
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  EXPECT_TRUE(story.until(State::energised));
}

// Even one that stands at what it is asked for, by the checks of the arming.
TEST(Steering, proves_both_setpoints_with_the_first_charge_of_each_run) {  // S1
  GuardStory story;
  for (int run = 1; run <= 2; ++run) {
    if (run == 1) {
      story.start();
    } else {
      story.ask(Request::Kind::finish);
    }
    ASSERT_TRUE(story.off_to_ready());
    story.bench.written.clear();
    story.ask(Request::Kind::charge, 1, 4.20_V, 0.0_A);
    ASSERT_TRUE(story.until(State::energised));
    EXPECT_EQ(story.bench.count(Verb::set_voltage), 1) << run;
    EXPECT_EQ(story.bench.count(Verb::set_current), 1) << run;
    story.pass(100ms);
  }
}

TEST(Steering, proves_both_setpoints_after_a_rest_before_the_output_went_on) {  // S1
  GuardStory story;
  ASSERT_TRUE(story.start_to_ready());
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  story.ask(Request::Kind::rest, 2);  // 2.4 A may stand there
  story.pass(100ms);
  story.bench.written.clear();
  story.ask(Request::Kind::charge, 3, 4.20_V, 0.0_A);
  ASSERT_TRUE(story.until(State::energised));
  EXPECT_EQ(story.bench.count(Verb::set_current), 1);
  EXPECT_EQ(story.bench.current_setpoint, 0);
}

TEST(Steering, rests_at_once_in_mid_change_of_a_setpoint_and_proves_both_anew) {  // S1
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::charge, 1, 4.15_V, 2.0_A);
  story.ask(Request::Kind::rest, 2);
  story.ask(Request::Kind::rest, 2);  // asked twice, switched off once
  ASSERT_TRUE(story.until(State::ready));
  EXPECT_FALSE(story.bench.output);
  story.bench.written.clear();
  story.ask(Request::Kind::charge, 3, 4.15_V, 2.0_A);
  ASSERT_TRUE(story.until(State::energised));
  EXPECT_EQ(story.bench.count(Verb::set_voltage), 1);
  EXPECT_EQ(story.bench.count(Verb::set_current), 1);
}

TEST(Steering, proves_setpoints_anew_that_a_rest_in_mid_change_may_have_left_at_either) {  // S1
  GuardStory story;
  story.charge_on();  // 4.20 V and 2.4 A
  story.ask(Request::Kind::charge, 1, 4.15_V, 2.0_A);
  story.ask(Request::Kind::rest, 2);
  ASSERT_TRUE(story.until(State::ready));
  story.bench.written.clear();
  story.ask(Request::Kind::charge, 3, 4.20_V, 2.4_A);  // as they were proved before the change
  ASSERT_TRUE(story.until(State::energised));
  EXPECT_EQ(story.bench.count(Verb::set_voltage), 1);
  EXPECT_EQ(story.bench.count(Verb::set_current), 1);
}

TEST(Steering, rests_where_the_output_is_off_already) {
  GuardStory story;
  ASSERT_TRUE(story.start_to_ready());
  story.ask(Request::Kind::rest, 1);
  EXPECT_EQ(story.state(), State::ready);
  story.settle();
  ASSERT_TRUE(story.happened(Event::Kind::output_changed));
  EXPECT_FALSE(story.last(Event::Kind::output_changed)->on);
  story.ask(Request::Kind::charge, 2, 4.20_V, 1.0_A);
  story.ask(Request::Kind::rest, 3);  // before the setpoints are proved: the output never goes on
  story.pass(1s);
  EXPECT_EQ(story.state(), State::ready);
  EXPECT_EQ(story.bench.count(Verb::output_on), 0);
}

TEST(Steering, forgets_with_a_rest_the_setpoints_that_waited_for_their_turn) {  // S1
  GuardStory story;
  story.charge_on();
  story.bench.latency = 50ms;
  story.ask(Request::Kind::charge, 2, 4.15_V, 2.0_A);
  story.ask(Request::Kind::charge, 2, 4.10_V, 1.5_A);  // waits until those are proved
  story.ask(Request::Kind::rest, 3);
  ASSERT_TRUE(story.until(State::ready));
  story.bench.written.clear();
  story.pass(2s);
  EXPECT_EQ(story.state(), State::ready);
  EXPECT_FALSE(story.bench.output);
  EXPECT_EQ(story.bench.count(Verb::set_voltage) + story.bench.count(Verb::output_on), 0);
}

TEST(Steering, asks_nothing_of_a_guard_that_is_ending) {  // S1
  GuardStory story;
  story.charge_on();
  story.guard.shut_down(story.now);
  story.ask(Request::Kind::charge, 2, 4.20_V, 1.0_A);
  story.settle();
  EXPECT_EQ(story.last_refusal(), Refusal::wrong_state);
  ASSERT_TRUE(story.until(State::off));
  story.arm();
  story.settle();
  EXPECT_EQ(story.last_refusal(), Refusal::wrong_state);
}

TEST(Steering, gives_up_arming_when_the_guard_ends) {  // S1
  GuardStory story;
  story.start();
  story.until(State::off);
  story.arm();
  ASSERT_TRUE(story.until(State::arming));
  story.guard.shut_down(story.now);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_EQ(story.bench.count(Verb::output_on), 0);
}

TEST(Steering, believes_no_order_to_switch_on_that_is_done_when_the_run_is_over) {  // S1 S8
  GuardStory story;
  ASSERT_TRUE(story.start_to_ready());
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  ASSERT_TRUE(story.until(State::energised));  // the order is under way
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_FALSE(story.bench.output);
  EXPECT_FALSE(story.happened(Event::Kind::output_changed));
  story.pass(5s);
  EXPECT_EQ(story.state(), State::off) << describe(story.channel().trip);
  // Nor one to set: the next run begins with nothing of it.
  story.arm();
  ASSERT_TRUE(story.until(State::ready));
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  story.settle();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_FALSE(story.happened(Event::Kind::setpoints_set) &&
               story.last(Event::Kind::setpoints_set)->at > story.now - 1s);
}

// ---- what a guard is asked that does not exist ----

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

TEST(Guard, cuts_on_a_request_of_a_kind_that_does_not_exist) {  // S4
  GuardStory story;
  story.charge_on();
  story.ask(static_cast<Request::Kind>(0xEE));
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::guard_internal);
}

TEST(Guard, does_and_wakes_for_nothing_before_it_is_started) {
  GuardStory story;
  story.settle();
  EXPECT_TRUE(story.bench.written.empty());
  EXPECT_EQ(story.guard.wake(), drivers::never);
}

TEST(Guard, tells_what_an_instrument_has_in_its_error_queue) {  // S3
  GuardStory story;
  story.start();
  Outcome wrong = outcome(voltmeter, 0, Verb::measure_voltage, 0, story.now);
  story.guard.see(wrong, story.now);
  story.pass(1s);
  EXPECT_FALSE(story.happened(Event::Kind::instrument_error));
  wrong.device_error = -113;  // SCPI-1999: undefined header
  story.guard.see(wrong, story.now);
  story.settle();
  ASSERT_TRUE(story.happened(Event::Kind::instrument_error));
  EXPECT_EQ(story.last(Event::Kind::instrument_error)->device_error, -113);
  EXPECT_EQ(story.last(Event::Kind::instrument_error)->instrument, voltmeter);
}

TEST(Guard, moves_with_all_that_it_is) {
  Guard first(plant_of(plan_of()));
  Guard second(std::move(first));
  Guard third(plant_of(plan_of()));
  third = std::move(second);
  third.start(at(0s));
  Order order;
  EXPECT_TRUE(third.take_order(order));
  EXPECT_EQ(order.verb, Verb::output_off);
}

TEST(Guard, makes_no_events_where_nobody_listens) {
  GuardStory story;
  story.guard.listen(false);
  story.charge_on();
  EXPECT_EQ(story.state(), State::energised);
  EXPECT_TRUE(story.events.empty());
}

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

TEST(Cut, goes_on_where_the_link_of_source_or_contactor_comes_back) {  // S4
  GuardStory story({.ammeter = true, .contactor = true});
  story.charge_on();
  story.bench.misbehave[supply].link_down = true;
  story.bench.misbehave[contactor].link_down = true;
  story.guard.link_changed(supply, false, story.now);
  story.guard.link_changed(contactor, false, story.now);
  ASSERT_TRUE(story.until(State::cutting));
  story.pass(3s);
  EXPECT_TRUE(story.bench.output);
  EXPECT_TRUE(story.channel().alarm);
  story.bench.misbehave[contactor].link_down = false;
  story.guard.link_changed(contactor, true, story.now);
  story.pass(100ms);
  EXPECT_FALSE(story.bench.contactor_closed);
  story.bench.misbehave[supply].link_down = false;
  story.guard.link_changed(supply, true, story.now);
  EXPECT_TRUE(story.until(State::tripped));
  EXPECT_FALSE(story.bench.output);
}

// ---- queues that are full -----------------------------------------------------------------------

// A channel whose orders are taken by hand.
class Congested : public ::testing::Test {
 protected:
  Congested() { begin_anew(); }
  void begin_anew() {
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
    channel.turn(now, *out);
    ChannelSnapshot snapshot;
    channel.snapshot(snapshot, now);
    return snapshot.trip.cause;
  }
  ChannelGuard channel{plan_of(), 0};
  FakeBench bench;
  std::unique_ptr<Outbox> out = std::make_unique<Outbox>();
  Instant now = at(0s);
};

TEST_F(Congested, cuts_where_a_setpoint_finds_no_place) {  // S4
  fill(*out, false);
  charge();
  EXPECT_EQ(trip(), Cause::guard_internal);
  EXPECT_EQ(channel.state(), State::cutting);
}

TEST_F(Congested, cuts_where_one_setpoint_of_the_two_finds_no_place) {  // S4
  for (const bool voltage : {true, false}) {
    out = std::make_unique<Outbox>();
    bench = FakeBench{};
    begin_anew();
    charge();
    pass(500ms);
    ASSERT_EQ(channel.state(), State::energised);
    fill(*out, false);
    Request change;
    change.kind = Request::Kind::charge;
    change.voltage = voltage ? 4.1_V : 4.2_V;
    change.current = voltage ? 2.4_A : 2.0_A;
    channel.request(change, now, *out);
    EXPECT_EQ(trip(), Cause::guard_internal) << voltage;
    EXPECT_EQ(channel.state(), State::cutting);
  }
}

TEST_F(Congested, cuts_at_once_where_the_order_to_switch_on_again_finds_no_place) {  // S4
  charge();
  pass(500ms);
  Request rest;
  rest.kind = Request::Kind::rest;
  channel.request(rest, now, *out);
  pass(100ms);
  ASSERT_EQ(channel.state(), State::ready);
  channel.turn(now, *out);
  fill(*out, false);
  charge();  // the setpoints stand already: straight to the output
  EXPECT_EQ(trip(), Cause::guard_internal);
  EXPECT_EQ(channel.state(), State::cutting);
}

// Whichever comes first.
TEST_F(Congested, switches_on_when_both_setpoints_are_proved_and_not_before) {  // S1
  for (const std::size_t first : {0U, 1U}) {
    out = std::make_unique<Outbox>();
    bench = FakeBench{};
    begin_anew();
    charge();
    std::vector<Outcome> proofs;
    for (Order order; out->take_order(order);) {
      proofs.push_back(outcome(supply, 0, order.verb, order.value, now));
      proofs.back().order = order;
    }
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

TEST_F(Congested, cuts_where_the_order_to_switch_on_finds_no_place) {  // S4
  charge();
  std::vector<Outcome> proofs;
  for (Order order; out->take_order(order);) {
    ASSERT_EQ(purpose_of(order.ticket), Purpose::steering);
    Outcome done;
    done.order = order;
    done.ending = Ending::done;
    done.value = order.value;
    done.asked = done.answered = now;
    proofs.push_back(done);
  }
  fill(*out, false);
  for (const Outcome& proof : proofs) channel.see(proof, now, *out);
  EXPECT_EQ(trip(), Cause::guard_internal);
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
  EXPECT_EQ(trip(), Cause::guard_internal);
  EXPECT_EQ(channel.state(), State::cutting);
  pass(1s);  // and there is room again
  EXPECT_EQ(channel.state(), State::tripped);
  EXPECT_FALSE(bench.output);
}

}  // namespace
}  // namespace chargewright::safety::testing

// Stories of a guarded channel, stepped in virtual time (S1 to S6, S8, S9).
#include <gtest/gtest.h>

#include <algorithm>
#include <functional>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

TEST(Guard, brings_an_output_that_was_left_on_to_off_before_anything_else) {  // S6
  GuardStory story;
  story.bench.output = true;
  story.bench.voltage_setpoint = 4.2;
  story.bench.current_setpoint = 1;
  story.start();
  EXPECT_EQ(story.bench.written.front().order.verb, Verb::output_off);
  EXPECT_TRUE(story.bench.written.front().order.urgent);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_FALSE(story.bench.output);
}

TEST(Guard, is_not_off_at_start_until_current_is_measured) {  // S4 S6
  GuardStory story;
  story.bench.says[{supply, Verb::measure_current}] = {Ending::done, 0.5};
  story.start();
  story.pass(2s);
  EXPECT_EQ(story.state(), State::unknown);
  EXPECT_FALSE(story.guard.all_off());
}

TEST(Guard, cuts_and_alarms_when_the_output_cannot_be_proved_off_at_start) {  // S4 S6
  GuardStory story;
  story.bench.misbehave[supply].mute = true;
  story.start();
  EXPECT_TRUE(story.until(State::cutting));
  EXPECT_TRUE(story.happened(Event::Kind::alarm));
  EXPECT_NE(story.channel().alarm.cause, Cause::none);
  EXPECT_EQ(story.trip(), Cause::conversation_failing);
}

TEST(Guard, charges_through_permissives_gate_and_proved_setpoints) {  // S1
  GuardStory story;
  story.charge_on();
  ASSERT_EQ(story.state(), State::energised);
  EXPECT_TRUE(story.bench.output);
  EXPECT_DOUBLE_EQ(story.bench.voltage_setpoint, 4.20);
  EXPECT_DOUBLE_EQ(story.bench.current_setpoint, 2.4);
  EXPECT_DOUBLE_EQ(story.bench.ovp, 4.40);
  EXPECT_DOUBLE_EQ(story.bench.ocp, 8.0);
  EXPECT_NEAR(story.channel().current.value, 2.4, 1e-9);
  // Protection and setpoints stood before the output went on.
  const auto first = [&](Verb verb, double least) {
    for (std::size_t k = 0; k < story.bench.written.size(); ++k) {
      const Order& order = story.bench.written[k].order;
      if (order.verb == verb && order.value >= least) return k;
    }
    return std::size_t{1'000'000};
  };
  EXPECT_LT(first(Verb::set_over_voltage, 4), first(Verb::output_on, 0));
  EXPECT_LT(first(Verb::set_voltage, 4), first(Verb::output_on, 0));
  EXPECT_LT(first(Verb::set_current, 2), first(Verb::output_on, 0));
}

TEST(Guard, stays_energised_while_all_readings_are_good) {
  GuardStory story;
  story.charge_on();
  for (int minute = 0; minute < 20; ++minute) {
    story.bench.inner_voltage += 0.01;
    story.pass(60s);
  }
  EXPECT_EQ(story.state(), State::energised) << describe(story.channel().trip);
}

TEST(Guard, tallies_charge_and_energy_of_a_constant_current) {
  GuardStory story;
  story.charge_on();
  story.pass(60s);
  const ChannelSnapshot channel = story.channel();
  const double seconds = drivers::in_seconds(channel.on_time);
  EXPECT_NEAR(seconds, 60.5, 0.1);
  EXPECT_NEAR(channel.charge_in, 2.4 * seconds, 2.4 * 0.11);  // up to the last reading
  EXPECT_NEAR(channel.energy_in, channel.charge_in * (3.70 + 2.4 * 0.030), 1e-6);
}

TEST(Guard, rests_with_the_output_proved_off_and_charges_again) {  // S1
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::rest, 2);
  ASSERT_TRUE(story.until(State::ready));
  EXPECT_FALSE(story.bench.output);
  story.pass(10s);
  ASSERT_EQ(story.state(), State::ready) << describe(story.channel().trip);
  story.ask(Request::Kind::charge, 3, 4.10_V, 1.0_A);
  ASSERT_TRUE(story.until(State::energised));
  story.pass(1s);
  EXPECT_TRUE(story.bench.output);
  EXPECT_DOUBLE_EQ(story.bench.current_setpoint, 1.0);
}

TEST(Guard, applies_the_newest_setpoints_when_asked_faster_than_it_can_prove) {
  GuardStory story;
  story.charge_on();
  for (int k = 1; k <= 10; ++k) {
    story.ask(Request::Kind::charge, 1, 4.20_V, drivers::amperes(1.0 + 0.1 * k));
  }
  story.pass(500ms);
  EXPECT_NEAR(story.bench.current_setpoint, 2.0, 1e-12);
  EXPECT_LE(story.bench.count(Verb::set_current), 1 + 1 + 2);
  EXPECT_NEAR(story.last(Event::Kind::setpoints_set)->amperes, 2.0, 1e-12);
}

TEST(Guard, lowers_before_it_raises) {  // S2
  GuardStory story;
  story.charge_on();
  story.bench.written.clear();
  story.ask(Request::Kind::charge, 2, 4.25_V, 1.0_A);
  story.pass(100ms);
  std::vector<Verb> sets;
  for (const auto& w : story.bench.written) {
    if (w.order.verb == Verb::set_voltage || w.order.verb == Verb::set_current) {
      sets.push_back(w.order.verb);
    }
  }
  EXPECT_EQ(sets, (std::vector{Verb::set_current, Verb::set_voltage}));
  story.bench.written.clear();
  sets.clear();
  story.ask(Request::Kind::charge, 3, 4.10_V, 2.0_A);
  story.pass(100ms);
  for (const auto& w : story.bench.written) {
    if (w.order.verb == Verb::set_voltage || w.order.verb == Verb::set_current) {
      sets.push_back(w.order.verb);
    }
  }
  EXPECT_EQ(sets, (std::vector{Verb::set_voltage, Verb::set_current}));
}

TEST(Guard, refuses_setpoints_beyond_the_gate_and_leaves_the_output_as_it_was) {  // S2
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::charge, 1, 4.31_V, 2.4_A);
  story.pass(500ms);
  EXPECT_EQ(story.last_refusal(), Refusal::voltage_beyond_limit);
  EXPECT_DOUBLE_EQ(story.bench.voltage_setpoint, 4.20);
  EXPECT_EQ(story.state(), State::energised);
}

TEST(Guard, finishes_with_the_output_verified_off_and_the_contactor_open) {  // S8
  GuardStory story(Fittings{.contactor = true});
  story.charge_on();
  ASSERT_EQ(story.state(), State::energised);
  EXPECT_TRUE(story.bench.contactor_closed);
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_FALSE(story.bench.output);
  EXPECT_FALSE(story.bench.contactor_closed);
}

TEST(Guard, trips_and_stays_tripped_until_acknowledged) {  // S4 S5
  GuardStory story;
  story.charge_on();
  story.bench.celsius[0] = 48.1;
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_FALSE(story.bench.output);
  EXPECT_EQ(story.trip(), Cause::temperature_high);
  EXPECT_NEAR(story.channel().trip.measured, 48.1, 1e-9);
  EXPECT_NEAR(story.channel().trip.limit, 48.0, 1e-9);
  story.arm();
  EXPECT_EQ((story.settle(), story.last_refusal()), Refusal::latched_trip);
  story.ask(Request::Kind::charge, 1, 4.2_V, 1.0_A);
  EXPECT_EQ((story.settle(), story.last_refusal()), Refusal::wrong_state);
  story.pass(1s);
  EXPECT_FALSE(story.bench.output);
  story.ask(Request::Kind::acknowledge);
  EXPECT_EQ((story.settle(), story.last_refusal()), Refusal::latched_trip);  // still too warm
  EXPECT_EQ(story.state(), State::tripped);
  story.bench.celsius[0] = 30;
  story.pass(1s);
  story.ask(Request::Kind::acknowledge);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_EQ(story.trip(), Cause::none);
  story.arm();
  EXPECT_TRUE(story.until(State::ready));
}

TEST(Guard, records_the_time_of_each_stage_of_a_cut) {  // S5
  GuardStory story;
  story.charge_on();
  story.events.clear();
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  std::vector<CutStage> stages;
  for (const Event& event : story.events) {
    if (event.kind == Event::Kind::cut_stage) {
      stages.push_back(static_cast<CutStage>(event.cut_stage));
    }
  }
  EXPECT_EQ(stages.front(), CutStage::started);
  EXPECT_EQ(stages.back(), CutStage::verified);
  EXPECT_NE(std::find(stages.begin(), stages.end(), CutStage::off_written), stages.end());
  EXPECT_NE(std::find(stages.begin(), stages.end(), CutStage::current_stopped), stages.end());
  ASSERT_TRUE(story.happened(Event::Kind::tripped));
  EXPECT_EQ(story.last(Event::Kind::tripped)->fault.cause, Cause::operator_cut);
}

TEST(Guard, tells_every_cause_of_a_trip_the_worst_first) {  // S5
  GuardStory story;
  story.charge_on();
  story.bench.says[{voltmeter, Verb::measure_voltage}] = {Ending::done, 4.5};
  story.bench.says[{supply, Verb::measure_current}] = {Ending::done, 9.0};
  ASSERT_TRUE(story.until(State::cutting));
  story.bench.says.clear();
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::voltage_high);
  const std::vector<Cause> causes = story.causes_present();
  EXPECT_EQ(causes.front(), Cause::voltage_high);
  EXPECT_NE(std::find(causes.begin(), causes.end(), Cause::current_high), causes.end());
  EXPECT_EQ(std::find(causes.begin(), causes.end(), Cause::guard_internal), causes.end());
}

TEST(Guard, cuts_on_the_operators_word_in_every_state) {  // S4
  for (const State wanted : {State::unknown, State::off, State::arming, State::ready}) {
    GuardStory story;
    if (wanted == State::unknown) {
      story.guard.start(story.now);
    } else {
      story.start();
      story.until(State::off);
    }
    if (wanted == State::arming || wanted == State::ready) {
      story.arm();
      if (wanted == State::ready) {
        story.until(State::ready);
      }
    }
    ASSERT_EQ(story.state(), wanted);
    story.ask(Request::Kind::cut);
    EXPECT_EQ(story.state(), State::cutting) << key_of(wanted);
    EXPECT_TRUE(story.until(State::tripped));
    EXPECT_EQ(story.trip(), Cause::operator_cut);
    // Tripped: cut once more, verified once more, still tripped.
    story.ask(Request::Kind::cut);
    EXPECT_EQ(story.state(), State::cutting);
    EXPECT_TRUE(story.until(State::tripped));
  }
}

TEST(Guard, keeps_a_trip_of_a_former_life) {  // S5
  GuardStory story;
  story.guard.restore_trip(
      {.cause = Cause::voltage_high, .channel = 0, .measured = 4.4, .limit = 4.25});
  story.start();
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::voltage_high);
  story.arm();
  EXPECT_EQ((story.settle(), story.last_refusal()), Refusal::latched_trip);
  story.bench.inner_voltage = 4.26;
  story.pass(2s);
  story.ask(Request::Kind::acknowledge);
  EXPECT_EQ((story.settle(), story.last_refusal()), Refusal::latched_trip);
  story.bench.inner_voltage = 4.0;
  story.pass(2s);
  story.ask(Request::Kind::acknowledge);
  EXPECT_TRUE(story.until(State::off));
}

TEST(Guard, cuts_when_the_sequencer_falls_silent) {  // S6
  GuardStory story;
  story.charge_on();
  story.sequencer_lives = false;
  story.ask(Request::Kind::heartbeat);
  const Instant since = story.now;
  ASSERT_TRUE(story.until(State::cutting));
  EXPECT_EQ(story.trip(), Cause::sequencer_late);
  EXPECT_EQ(story.causes_present(), std::vector{Cause::sequencer_late});
  EXPECT_LE(story.now - since, 1s + 2ms);
  EXPECT_TRUE(story.until(State::tripped));
}

TEST(Guard, cuts_when_an_output_is_switched_on_at_the_front_panel_while_off) {  // S3
  GuardStory story;
  story.start();
  ASSERT_TRUE(story.until(State::off));
  story.bench.output = true;
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::output_on_unbidden);
  EXPECT_EQ(story.causes_present(), std::vector{Cause::output_on_unbidden});
  EXPECT_FALSE(story.bench.output);
}

TEST(Guard, ends_with_every_output_off) {
  GuardStory story;
  story.charge_on();
  EXPECT_FALSE(story.guard.all_off());
  story.guard.shut_down(story.now);
  story.pass(200ms);
  EXPECT_TRUE(story.guard.all_off());
  EXPECT_FALSE(story.bench.output);
  story.arm();
  EXPECT_EQ((story.settle(), story.last_refusal()), Refusal::wrong_state);
}

TEST(Guard, cuts_every_channel_on_a_fault_of_its_own_shell) {
  GuardStory story;
  story.charge_on();
  story.guard.internal_fault(story.now);
  EXPECT_EQ(story.state(), State::cutting);
  EXPECT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::guard_internal);
}

TEST(Guard, counts_the_events_that_nobody_takes_and_goes_on) {
  GuardStory story;
  story.charge_on();
  for (int k = 0; k < 3000; ++k) {
    story.guard.turn(story.now);
    Order order;
    while (story.guard.take_order(order)) story.bench.obey(order, story.now);
    story.now += 50ms;
    story.ask(Request::Kind::heartbeat);
    Outcome outcome;
    while (story.bench.take(outcome, story.now)) story.guard.see(outcome, story.now);
  }
  Snapshot snapshot;
  story.guard.snapshot(snapshot, story.now);
  EXPECT_GT(snapshot.events_lost, 0U);
  EXPECT_EQ(snapshot.channel[0].state, State::energised);
}

// Of a 2.64 Ah limit 2.6 Ah were counted before the interruption: 0.04 Ah at 2.4 A are 60 s.
TEST(Guard, counts_a_resumed_run_on_from_what_was_carried) {  // S2 S9
  GuardStory story;
  RunPlan run = run_plan();
  run.carried = {.charge_in = 2.0_Ah, .uncertain = 0.6_Ah, .energy_in = 8.0_Wh, .on_time = 10min};
  ASSERT_TRUE(story.start_to_ready(run));
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  ASSERT_TRUE(story.until(State::energised));
  story.pass(50s);
  ASSERT_EQ(story.state(), State::energised) << describe(story.channel().trip);
  EXPECT_GT(story.channel().charge_in, 2.0 * 3600);
  EXPECT_GT(story.channel().on_time, Duration{10min});
  story.pass(15s);
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::charge_high);
}

TEST(Guard, counts_the_step_of_a_resumed_run_on) {  // S2 S9
  GuardStory story;
  RunPlan run = run_plan();
  run.carried = {.step = 3, .step_time = 79min};  // of 80
  ASSERT_TRUE(story.start_to_ready(run));
  story.ask(Request::Kind::charge, 3, 4.20_V, 2.4_A);
  ASSERT_TRUE(story.until(State::energised));
  story.pass(50s);
  ASSERT_EQ(story.state(), State::energised) << describe(story.channel().trip);
  story.pass(15s);
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::step_time);
}

TEST(Guard, counts_the_time_of_each_step_apart) {  // S2
  GuardStory story;
  RunPlan run = run_plan();
  run.limits.step_time = limit(Duration{60s});
  ASSERT_TRUE(story.start_to_ready(run));
  for (const std::uint16_t step : {std::uint16_t{1}, std::uint16_t{2}}) {
    story.ask(Request::Kind::charge, step, 4.20_V, 2.4_A);
    story.pass(40s);
    ASSERT_EQ(story.state(), State::energised) << describe(story.channel().trip);
  }
  story.ask(Request::Kind::rest, 3);
  story.pass(40s);
  ASSERT_EQ(story.state(), State::ready) << describe(story.channel().trip);
  story.ask(Request::Kind::charge, 3, 4.20_V, 2.4_A);  // still the third
  story.pass(19s);
  ASSERT_EQ(story.state(), State::energised) << describe(story.channel().trip);
  ASSERT_TRUE(story.until(State::tripped, 2s));
  EXPECT_EQ(story.trip(), Cause::step_time);
}

TEST(Guard, cuts_when_the_panel_is_touched_before_the_first_step) {  // S3
  const struct {
    std::function<void(FakeBench&)> touch;
    Cause cause;
    double measured;
  } cases[] = {
      {[](FakeBench& b) { b.voltage_setpoint = 1.0; }, Cause::setpoint_changed, 1.0},
      {[](FakeBench& b) { b.current_setpoint = 2.0; }, Cause::setpoint_changed, 2.0},
      {[](FakeBench& b) { b.output = true; }, Cause::output_on_unbidden, 1.0},
  };
  for (const auto& c : cases) {
    GuardStory story;
    ASSERT_TRUE(story.start_to_ready());
    story.pass(2s);
    ASSERT_EQ(story.state(), State::ready);
    c.touch(story.bench);
    ASSERT_TRUE(story.until(State::tripped));
    EXPECT_EQ(story.trip(), c.cause);
    EXPECT_EQ(story.channel().trip.measured, c.measured);
    EXPECT_EQ(story.channel().trip.limit, 0);
  }
}

TEST(Guard, holds_what_could_not_resume_until_a_person_acknowledges) {  // S5 S9
  GuardStory story;
  story.start();
  ASSERT_TRUE(story.until(State::off));
  story.ask(Request::Kind::hold);
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_FALSE(story.bench.output);
  story.arm();
  EXPECT_EQ((story.settle(), story.last_refusal()), Refusal::latched_trip);
  story.ask(Request::Kind::acknowledge);
  EXPECT_TRUE(story.until(State::off));
}

TEST(Guard, lets_a_trip_stand_when_it_is_to_hold) {  // S5 S9
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.ask(Request::Kind::hold);
  story.settle();
  EXPECT_EQ(story.state(), State::tripped);
  EXPECT_EQ(story.trip(), Cause::operator_cut);
}

TEST(Guard, gives_the_links_of_a_trip_of_a_former_life_their_time_to_open) {  // S4 S5
  GuardStory story;
  story.guard.restore_trip({.cause = Cause::voltage_high, .channel = 0});
  story.bench.misbehave[supply].link_down = true;
  story.start();
  ASSERT_EQ(story.state(), State::cutting);
  story.pass(9900ms);
  EXPECT_FALSE(story.happened(Event::Kind::alarm));
  story.pass(200ms);
  EXPECT_TRUE(story.happened(Event::Kind::alarm));
  EXPECT_EQ(story.last(Event::Kind::alarm)->fault.cause, Cause::voltage_high);
}

TEST(Guard, alarms_a_cut_from_its_stages_once_the_links_have_had_their_time) {  // S4
  GuardStory story;
  story.start();
  ASSERT_TRUE(story.until(State::off));
  story.bench.misbehave[supply].link_down = true;
  story.ask(Request::Kind::cut);
  story.pass(1400ms);
  EXPECT_FALSE(story.happened(Event::Kind::alarm));
  story.pass(200ms);
  EXPECT_TRUE(story.happened(Event::Kind::alarm));
}

TEST(Guard, is_all_off_when_every_channel_is_and_wakes_for_the_first) {  // S4
  Plant plant = plant_of(plan_of());
  plant.channels.push_back(plan_of());
  Guard guard(plant);
  EXPECT_FALSE(guard.all_off());
  guard.start(at(0s));
  const auto work = [&](Instant now, bool second_too) {
    guard.turn(now);
    for (Order order; guard.take_order(order);) {
      if ((order.ticket >> 28) == 1 && !second_too) continue;
      Outcome done;
      done.order = order;
      done.ending = Ending::done;
      done.asked = done.answered = now;
      guard.see(done, now);
    }
    guard.turn(now);
  };
  work(at(1ms), false);
  work(at(101ms), false);
  Snapshot snapshot;
  guard.snapshot(snapshot, at(101ms));
  EXPECT_EQ(snapshot.channel[0].state, State::off);
  EXPECT_EQ(snapshot.channel[1].state, State::unknown);
  EXPECT_FALSE(guard.all_off());
  EXPECT_LE(guard.wake(), at(201ms));  // the second still asks, ten times a second
}

TEST(Guard, wants_its_turn_at_once_after_it_saw_something) {
  GuardStory story;
  story.charge_on();
  ASSERT_GT(story.guard.wake(), story.now);
  story.guard.see(outcome(supply, 0, Verb::measure_voltage, 3.7, story.now), story.now);
  EXPECT_LE(story.guard.wake(), story.now);
}

TEST(Guard, does_and_wakes_for_nothing_before_it_is_started) {
  GuardStory story;
  story.settle();
  EXPECT_TRUE(story.bench.written.empty());
  EXPECT_EQ(story.guard.wake(), drivers::never);
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

}  // namespace
}  // namespace chargewright::safety::testing

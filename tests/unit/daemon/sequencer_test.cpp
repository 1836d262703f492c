// Stories of a run in virtual time: the sequencer through the real guard onto the simulated bench.
#include "daemon/run/sequencer.h"

#include <gtest/gtest.h>

#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;
using drivers::simulated::FaultKind;

TEST(Sequencer, takes_a_run_through_all_its_steps_and_leaves_the_output_off) {
  Story story(procedure({charge(0.2_A, 3.2_V, voltage_at_least(3.1_V)),
                         charge(4.0_A, 4.2_V, current_at_most(0.1_A)), rest(10min)}));
  ASSERT_TRUE(story.until_step(1));
  EXPECT_TRUE(story.output_is_on());
  EXPECT_GE(story.cell_volts(), 3.1);
  ASSERT_TRUE(story.until_step(2));
  const auto rest_began = story.progress().step_began;
  story.run_for(3s);
  EXPECT_FALSE(story.output_is_on());
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::done);
  EXPECT_EQ(story.progress().fraction, 1);
  EXPECT_FALSE(story.output_is_on());
  EXPECT_NEAR(drivers::in_seconds(story.progress().ended - rest_began), 600, 3);
}

TEST(Sequencer, never_energises_before_the_guard_is_ready) {  // S1
  safety::RunPlan unapproved = plan();
  unapproved.approved = false;
  Story story(procedure({charge(1.0_A, 4.2_V, current_at_most(0.1_A))}), unapproved);
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::refused);
  EXPECT_EQ(story.progress().refusal, safety::Refusal::limits_not_approved);
  EXPECT_EQ(story.stage->bench().log().last(drivers::simulated::Event::Kind::output_on, supply),
            nullptr);
}

// The slowest that a bench file may say. With a contactor, the checks look at the cell twice.
TEST(Sequencer, begins_a_run_on_a_bench_that_is_read_once_a_minute) {  // S1
  for (const bool contactor : {false, true}) {
    profiles::Bench slow = bench();
    slow.channels[0].every = 60s;
    slow.channels[0].allowed_age = 5min;
    if (contactor) {
      slow.instruments.emplace_back().name = "relay";
      slow.channels[0].contactor = {3, 1};
    }
    Story story(procedure({charge(2.0_A, 4.2_V, voltage_at_least(3.8_V))}), plan(), slow);
    ASSERT_TRUE(story.until_step(0)) << contactor;
    ASSERT_TRUE(story.until_over());
    EXPECT_EQ(story.progress().phase, Phase::done);
  }
}

TEST(Sequencer, tells_that_the_cell_lies_the_wrong_way_round) {  // S1
  Story story(procedure({charge(1.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(story.stage->bench().inject({.kind = FaultKind::reversed, .device = supply}));
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::refused);
  EXPECT_EQ(story.stage->bench().log().last(drivers::simulated::Event::Kind::output_on, supply),
            nullptr);
}

// A lead that falls off in the taper makes the very reading that ends it. Whatever bench: with a
// meter at the cell, or the supply alone; however short the condition must hold.
TEST(Sequencer, does_not_take_a_lead_that_fell_off_for_the_end_of_the_charge) {  // S3
  for (const profiles::Bench& on : {bench(), bare_bench()}) {
    for (const drivers::Duration hold : {0s, 1s, 5s}) {
      Story story(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A, hold)), rest(10min)}),
                  plan(), on);
      ASSERT_TRUE(story.until([&] { return story.amperes() > 3.9; }));
      ASSERT_TRUE(story.until([&] { return story.amperes() < 0.13; }));
      ASSERT_TRUE(story.stage->bench().inject({.kind = FaultKind::lead_off, .device = supply}));
      ASSERT_TRUE(story.until_over());
      EXPECT_EQ(story.progress().phase, Phase::tripped) << drivers::in_seconds(hold);
      EXPECT_EQ(story.progress().trip.cause, safety::Cause::circuit_open);
      EXPECT_FALSE(story.output_is_on());
    }
  }
}

TEST(Sequencer, does_not_energise_a_cell_that_was_swapped_as_the_rest_ended) {  // S1
  Story story(procedure({charge(4.0_A, 4.2_V, voltage_at_least(4.0_V)), rest(1min),
                         charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(story.until_step(1));
  story.run_for(58s);
  ASSERT_TRUE(story.stage->bench().inject(
      {.kind = FaultKind::cell_swapped, .device = supply, .value = 3.3}));
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().trip.cause, safety::Cause::cell_changed);
  EXPECT_EQ(story.progress().step, 1);
}

// The last reading of a rest shows no current: it must not end the charge that follows it.
TEST(Sequencer, does_not_end_a_charge_on_the_current_of_the_rest_before_it) {
  Story story(procedure({rest(30s), charge(2.0_A, 4.2_V, current_at_most(0.1_A)), rest(10s)}));
  ASSERT_TRUE(story.until_step(1));
  ASSERT_TRUE(story.until_step(2));
  // 2 A into 2 Ah from empty: more than 53 minutes (C (Vcv - U0 - I R) / I = 3180 s).
  EXPECT_GT(story.stage->channel().charge_in, 0.9 * 7200);
}

TEST(Sequencer, does_not_end_a_step_on_the_voltage_of_the_step_before_it) {
  Story story(procedure({charge(4.0_A, 4.2_V, voltage_at_least(3.5_V)),
                         charge(0.5_A, 4.2_V, voltage_at_least(3.4_V)), rest(1h)}));
  ASSERT_TRUE(story.until_step(1));
  const auto began = story.now;
  ASSERT_TRUE(story.until_step(2));
  // At 0.5 A the cell stands at 3.255 V, and needs 1740 s more to reach 3.4 V.
  EXPECT_GT(drivers::in_seconds(story.now - began), 1000);
}

// A slow thermometer shows the step before for a while, and one that is garbled shows nothing: the
// hottest is known where all have been read.
TEST(Sequencer, ends_no_step_on_a_temperature_before_every_thermometer_was_read_in_it) {
  profiles::PlannedStep cooling = rest(1h);
  cooling.until = when(compare(profiles::Subject::temperature, profiles::Comparison::at_most, 25));
  profiles::Bench on = bench();
  on.channels[0].thermometers = {{probe, 1}, {probe, 2}};
  drivers::Instant now{1h};
  Sequencer sequencer({0, profiles::plant_of(on).channels[0], plan(), procedure({cooling}), {}},
                      now);
  safety::ChannelSnapshot snapshot;
  snapshot.thermometers = 2;
  const auto turn = [&](safety::State state, std::array<double, 2> degrees_c,
                        std::array<bool, 2> anew = {true, true}) {
    now += 100ms;
    snapshot.state = state;
    for (std::size_t k = 0; k < 2; ++k) {
      drivers::Reading& reading = snapshot.temperatures[k];
      if (!anew[k]) continue;
      reading.validity =
          degrees_c[k] > 0 ? drivers::Validity::valid : drivers::Validity::unparsable;
      reading.value = degrees_c[k];
      reading.asked = reading.answered = now;
    }
    now += 1ms;
    sequencer.turn(snapshot, now);
    return sequencer.progress().phase;
  };
  turn(safety::State::off, {20, 24});
  turn(safety::State::ready, {20, 24});
  turn(safety::State::ready, {20, 24}, {false, false});  // established; nothing read in it yet
  EXPECT_EQ(turn(safety::State::ready, {20, 24}, {false, true}), Phase::running);
  EXPECT_EQ(turn(safety::State::ready, {30, 24}), Phase::running);
  EXPECT_EQ(turn(safety::State::ready, {0, 24}), Phase::running);
  EXPECT_EQ(turn(safety::State::ready, {24, 24}), Phase::stopping);
}

TEST(Sequencer, fails_a_run_whose_step_does_not_reach_its_end_within_its_time) {
  auto slow = charge(0.1_A, 4.2_V, voltage_at_least(4.0_V));
  slow.within = 10min;
  Story story(procedure({slow, rest(1h)}));
  ASSERT_TRUE(story.until_step(0));
  const auto began = story.progress().step_began;
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::failed);
  EXPECT_FALSE(story.output_is_on());
  EXPECT_NEAR(drivers::in_seconds(story.progress().ended - began), 600, 5);
}

TEST(Sequencer, stops_at_a_persons_word_with_the_output_off) {
  Story story(procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(story.until_step(0));
  story.run_for(60s);
  ASSERT_TRUE(story.output_is_on());
  story.stage->sequencer().stop(story.now);
  story.run_for(2s);
  EXPECT_FALSE(story.output_is_on());
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::stopped);
}

TEST(Sequencer, stops_while_it_is_still_arming) {
  Story story(procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))}));
  story.turn();
  story.stage->sequencer().stop(story.now);
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::stopped);
  story.run_for(60s);
  EXPECT_FALSE(story.output_is_on());
  EXPECT_EQ(story.stage->channel().state, safety::State::off);
}

TEST(Sequencer, ends_failed_and_off_when_its_owner_says_that_it_cannot_go_on) {  // S10
  Story story(procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(story.until_step(0));
  story.run_for(60s);
  story.stage->sequencer().fail(story.now);
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::failed);
  EXPECT_FALSE(story.output_is_on());
}

TEST(Sequencer, knows_a_trip_when_the_guard_cuts_and_never_goes_on) {  // S2 S4 S5
  safety::RunPlan tight = plan();
  tight.limits.charge_above = {0.5_Ah, safety::Origin::policy, {}};
  Story story(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A)), rest(1h)}), tight);
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::tripped);
  EXPECT_EQ(story.progress().trip.cause, safety::Cause::charge_high);
  EXPECT_FALSE(story.output_is_on());
  story.run_for(1h);
  EXPECT_FALSE(story.output_is_on());
  EXPECT_EQ(story.stage->channel().state, safety::State::tripped);
}

TEST(Sequencer, is_tripped_by_a_meter_that_falls_silent) {  // S3 S4
  Story story(procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(story.until_step(0));
  story.run_for(60s);
  ASSERT_TRUE(story.output_is_on());
  ASSERT_TRUE(story.stage->bench().inject({.kind = FaultKind::mute, .device = meter}));
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::tripped);
  EXPECT_FALSE(story.output_is_on());
}

TEST(Sequencer, that_hangs_is_cut_by_the_guard) {  // S6
  Story story(procedure({charge(2.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(story.until_step(0));
  story.run_for(60s);
  ASSERT_TRUE(story.output_is_on());
  story.stage->sequencer_hangs = true;
  story.run_for(story.plant.channels[0].heartbeat + 2s);
  EXPECT_FALSE(story.output_is_on());
  EXPECT_EQ(story.stage->channel().trip.cause, safety::Cause::sequencer_late);
}

TEST(Sequencer, does_not_ask_for_what_the_gate_would_refuse) {  // S2
  Story story(procedure({charge(9.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::refused);
  EXPECT_EQ(story.progress().refusal, safety::Refusal::current_beyond_limit);
  EXPECT_FALSE(story.output_is_on());
}

TEST(Sequencer, counts_the_rounds_of_a_repeat) {
  profiles::Procedure rounds = procedure(
      {charge(4.0_A, 4.2_V,
              when(compare(profiles::Subject::step_time, profiles::Comparison::at_least, 60))),
       rest(30s)});
  rounds.order = {{0, 0}, {1, 0}, {0, 1}, {1, 1}, {0, 2}, {1, 2}};
  Story story(rounds);
  for (std::uint16_t i = 0; i < 6; ++i) {
    ASSERT_TRUE(story.until_step(i));
    EXPECT_EQ(story.progress().step_in_file, i % 2);
    EXPECT_EQ(story.progress().cycle, i / 2);
    EXPECT_EQ(story.progress().steps, 6);
  }
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::done);
}

TEST(Sequencer, ends_a_rest_sooner_when_its_condition_is_met) {
  auto cool = rest(2h);
  cool.until = when(compare(profiles::Subject::temperature, profiles::Comparison::at_most, 30));
  Story story(procedure({charge(6.0_A, 4.2_V, current_at_most(5.0_A)), cool, rest(1s)}));
  ASSERT_TRUE(story.until_step(1));
  EXPECT_GT(story.degrees_c(), 31);
  ASSERT_TRUE(story.until_step(2));
  EXPECT_NEAR(story.degrees_c(), 30, 0.3);
}

TEST(Sequencer, takes_a_condition_only_when_it_has_held_for_its_time) {
  Story story(procedure({charge(2.0_A, 4.2_V, current_at_most(1.0_A, 5min)), rest(1h)}));
  ASSERT_TRUE(story.until_step(0));
  ASSERT_TRUE(story.until(
      [&] { return story.output_is_on() && story.amperes() < 0.999 && story.cell_volts() > 4.1; }));
  const auto met = story.now;
  ASSERT_TRUE(story.until_step(1));
  EXPECT_NEAR(drivers::in_seconds(story.now - met), 300, 10);
}

TEST(Sequencer, holds_a_power_ceiling) {
  auto step = charge(8.0_A, 4.2_V, current_at_most(0.5_A));
  step.ceilings.power = 15.0_W;
  Story story(procedure({step, rest(1h)}));
  double most = 0;
  double seconds_bound = 0;
  ASSERT_TRUE(story.until([&] {
    most = std::max(most, story.cell_volts() * story.amperes());
    if (story.progress().binding == Binding::step_power) {
      seconds_bound += 1;
      EXPECT_NEAR(story.cell_volts() * story.amperes(), 15, 0.4);
    }
    return story.progress().step == 1;
  }));
  EXPECT_LT(most, 15 * 1.03);
  EXPECT_GT(seconds_bound, 600);
}

TEST(Sequencer, rides_a_temperature_ceiling_and_is_not_fooled_by_the_low_current) {
  auto step = charge(6.0_A, 4.2_V, current_at_most(4.5_A));
  step.ceilings.temperature = 32.0_degC;
  Story story(procedure({step, rest(1h)}));
  double warmest = 0;
  double seconds_folded = 0;
  double low_while_folding = 100;
  double highest = 0;
  ASSERT_TRUE(story.until([&] {
    warmest = std::max(warmest, story.degrees_c());
    highest = std::max(highest, story.cell_volts());
    if (story.progress().binding == Binding::step_temperature) {
      seconds_folded += 1;
      low_while_folding = std::min(low_while_folding, story.amperes());
    }
    return story.progress().step == 1;
  }));
  EXPECT_LT(warmest, 32.5);
  EXPECT_GT(seconds_folded, 100);
  // The current went below the end condition, and the step went on until the cell was full.
  EXPECT_LT(low_while_folding, 4.4);
  EXPECT_GT(highest, 4.19);
}

TEST(Sequencer, raises_the_source_by_what_the_leads_drop_and_never_overcharges_the_cell) {
  Story story(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A)), rest(1s)}));
  double highest = 0;
  double setpoint = 0;
  ASSERT_TRUE(story.until_step(0));
  const auto began = story.now;
  ASSERT_TRUE(story.until([&] {
    highest = std::max(highest, story.cell_volts());
    setpoint = std::max(setpoint, story.stage->bench().output(supply).voltage_setpoint().value());
    return story.progress().step == 1;
  }));
  EXPECT_LT(highest, 4.2 + 0.003);
  EXPECT_GT(setpoint, 4.2 + 0.030);  // 4 A times 10 mohm
  // Without leads it takes 2929 s (1380 s of constant current, R C ln(4/0.1) of taper); with
  // leads that nobody compensates the taper's time constant grows by C times 10 mohm: 3120 s.
  EXPECT_LT(drivers::in_seconds(story.now - began), 3000);
}

TEST(Sequencer, backs_off_when_the_leads_drop_less_than_stated) {
  Story story(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A)), rest(1s)}), plan(), bench(),
              cell(), {});
  // The bench file says 10 mohm; the guard's plan says 20 mohm to the sequencer.
  safety::ChannelPlan wrong = story.plant.channels[0];
  wrong.loop_resistance = 20.0_mohm;
  story.stage->run(
      {0, wrong, plan(), procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A)), rest(1s)}), {}});
  double highest = 0;
  ASSERT_TRUE(story.until([&] {
    highest = std::max(highest, story.cell_volts());
    return story.progress().step == 1 || story.progress().phase >= Phase::done;
  }));
  EXPECT_EQ(story.progress().phase, Phase::running);
  EXPECT_LT(highest, 4.2 + 0.015);
}

TEST(Sequencer, moves_setpoints_only_when_it_matters) {
  Story story(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A)), rest(1s)}));
  int moves = 0;
  story.stage->on_event = [&](const safety::Event& event) {
    moves += event.kind == safety::Event::Kind::setpoints_set ? 1 : 0;
  };
  ASSERT_TRUE(story.until_over());
  EXPECT_LT(moves, 100);  // in some 3000 readings
}

TEST(Sequencer, foretells_the_end_of_a_taper) {
  Story story(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(story.until(
      [&] { return story.amperes() > 0 && story.cell_volts() > 4.15 && story.amperes() < 2; }));
  story.run_for(60s);
  const double foretold = story.progress().seconds_left;
  const auto then = story.now;
  ASSERT_TRUE(story.until_over());
  const double took = drivers::in_seconds(story.now - then);
  EXPECT_NEAR(foretold, took, 0.15 * took);
}

TEST(Sequencer, says_nothing_of_the_time_left_that_it_does_not_know) {
  Story story(procedure({charge(1.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(story.until_step(0));
  story.run_for(60s);
  EXPECT_TRUE(std::isnan(story.progress().seconds_left));
}

// What it would do next is fail: no output goes on for that.
TEST(Sequencer, switches_nothing_on_for_a_step_whose_time_was_over_before_it_was_resumed) {  // S9
  for (const drivers::Duration gone : {drivers::Duration{10min} - 1ms, drivers::Duration{10min}}) {
    safety::RunPlan interrupted = plan();
    interrupted.carried = {.step = 1, .step_time = gone};
    auto slow = charge(0.1_A, 4.2_V, voltage_at_least(4.1_V));
    slow.within = 10min;
    Story story(procedure({rest(1h), slow}), interrupted);
    ASSERT_TRUE(story.until_over());
    EXPECT_EQ(story.progress().phase, Phase::failed);
    EXPECT_EQ(story.progress().step, 1);
    const auto* on =
        story.stage->bench().log().last(drivers::simulated::Event::Kind::output_on, supply);
    EXPECT_EQ(on == nullptr, gone == 10min);
  }
}

TEST(Sequencer, goes_on_with_the_step_at_which_it_was_interrupted) {  // S9
  safety::RunPlan interrupted = plan();
  interrupted.carried = {.charge_in = 0.5_Ah, .on_time = 20min, .step = 1, .step_time = 4min};
  auto slow = charge(0.1_A, 4.2_V, voltage_at_least(4.1_V));
  slow.within = 10min;
  Story story(procedure({charge(4.0_A, 4.2_V, voltage_at_least(4.0_V)), slow, rest(1min)}),
              interrupted);
  ASSERT_TRUE(story.until_step(1));
  const auto began = story.now;
  EXPECT_NEAR(drivers::in_seconds(began - story.progress().step_began), 240, 1);
  ASSERT_TRUE(story.until_over());
  EXPECT_EQ(story.progress().phase, Phase::failed);  // `within` counts on
  EXPECT_NEAR(drivers::in_seconds(story.progress().ended - began), 360, 5);
  EXPECT_GT(story.stage->channel().charge_in, 0.5 * 3600);
  EXPECT_FALSE(story.output_is_on());
}

}  // namespace
}  // namespace chargewright::daemon

// What goes with a change of a channel's state: what is given up, what is told and of which
// channel, and when it happens (S1, S4, S5, S8).
#include <gtest/gtest.h>

#include <algorithm>

#include "safety/outbox.h"
#include "support.h"

namespace chargewright::safety::testing {
namespace {

using Causes = std::vector<Cause>;

TEST(AStateChange, to_off_waits_for_the_contactor_or_for_its_alarm) {  // S4 S8
  GuardStory story(Fittings{.contactor = true});
  story.charge_on();
  story.bench.misbehave[contactor].mute = true;
  story.ask(Request::Kind::finish);
  story.pass(1s);
  EXPECT_FALSE(story.bench.output);
  EXPECT_EQ(story.state(), State::unknown);
  ASSERT_TRUE(story.until(State::off));
  ASSERT_TRUE(story.happened(Event::Kind::alarm));
  EXPECT_EQ(story.last(Event::Kind::alarm)->fault.sensor, subject(Subject::contactor));
  EXPECT_EQ(story.last(Event::Kind::alarm)->fault.cause, Cause::conversation_failing);
}

// The contactor is not closed, and no setpoint written, by an arming that was given up.
TEST(AStateChange, out_of_arming_gives_up_every_permissive) {  // S1 S4
  for (const Request::Kind kind : {Request::Kind::finish, Request::Kind::cut}) {
    GuardStory story(Fittings{.contactor = true});
    story.start();
    ASSERT_TRUE(story.until(State::off));
    story.arm();
    story.settle();
    ASSERT_EQ(story.state(), State::arming);
    story.bench.written.clear();
    story.ask(kind);
    ASSERT_TRUE(story.until(kind == Request::Kind::cut ? State::tripped : State::off));
    story.pass(2s);
    EXPECT_EQ(story.bench.count(Verb::close_switch), 0);
    EXPECT_EQ(story.bench.count(Verb::set_over_voltage), 0);
    EXPECT_FALSE(story.bench.contactor_closed);
    EXPECT_FALSE(story.happened(Event::Kind::refused));
  }
}

TEST(AStateChange, to_off_in_good_order_is_no_cut_but_alarms_after_its_stages) {  // S4 S8
  for (const bool answers : {true, false}) {
    GuardStory story;
    story.charge_on();
    story.bench.misbehave[supply].mute = !answers;
    story.ask(Request::Kind::finish);
    story.pass(1499ms);
    EXPECT_EQ(story.happened(Event::Kind::alarm), false);
    story.pass(2ms);
    EXPECT_EQ(story.happened(Event::Kind::alarm), !answers);
    EXPECT_EQ(story.state() == State::off, answers);
    EXPECT_EQ(story.happened(Event::Kind::cut_stage), false);
  }
}

// What was proved before is no proof now: an off is ordered and asked for anew.
TEST(AStateChange, to_off_proves_it_anew_from_wherever_it_comes) {  // S4 S5 S8
  const auto proves_anew = [](GuardStory& story, Request::Kind kind) {
    story.bench.written.clear();
    story.ask(kind);
    EXPECT_EQ(story.state(), State::unknown);
    ASSERT_TRUE(story.until(State::off));
    EXPECT_GE(story.bench.count(Verb::output_off), 1);
    EXPECT_FALSE(story.happened(Event::Kind::cut_stage));
  };
  GuardStory ready;
  ready.start();
  ASSERT_TRUE(ready.until(State::off));
  ready.arm();
  ASSERT_TRUE(ready.until(State::ready));
  proves_anew(ready, Request::Kind::finish);
  GuardStory arming(Fittings{.contactor = true});
  arming.start();
  ASSERT_TRUE(arming.until(State::off));
  arming.arm();
  arming.settle();
  ASSERT_EQ(arming.state(), State::arming);
  proves_anew(arming, Request::Kind::finish);
  GuardStory tripped;
  tripped.charge_on();
  tripped.ask(Request::Kind::cut);
  ASSERT_TRUE(tripped.until(State::tripped));
  tripped.events.clear();
  proves_anew(tripped, Request::Kind::acknowledge);
}

TEST(AStateChange, to_off_in_good_order_is_no_cut_after_a_cut_either) {  // S5 S8
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.events.clear();
  story.ask(Request::Kind::acknowledge);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_FALSE(story.happened(Event::Kind::cut_stage));
}

TEST(AStateChange, to_ready_expects_nothing_of_the_setpoints_of_the_run_before) {  // S1 S3
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.off_to_ready());
  EXPECT_EQ(story.channel().voltage_setpoint, 0);
  EXPECT_EQ(story.channel().current_setpoint, 0);
  story.pass(3s);
  EXPECT_EQ(story.state(), State::ready) << describe(story.channel().trip);
}

// A stage of the cut, as after any output that has gone off.
TEST(AStateChange, to_ready_gives_the_cell_half_a_second_before_it_counts_as_resting) {  // S1
  GuardStory story;
  ASSERT_TRUE(story.start_to_ready());
  story.pass(200ms);
  story.bench.inner_voltage += 0.050;
  story.pass(5s);
  EXPECT_EQ(story.state(), State::ready) << describe(story.channel().trip);
  story.bench.inner_voltage += 0.050;
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::cell_changed);
}

TEST(AStateChange, to_cutting_believes_no_order_that_is_done_later) {  // S4
  for (const Verb last : {Verb::set_voltage, Verb::output_on}) {
    GuardStory story;
    ASSERT_TRUE(story.start_to_ready());
    story.bench.written.clear();
    story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
    for (int k = 0; k < 100 && story.bench.count(last) == 0; ++k) story.pass(100us);
    ASSERT_EQ(story.bench.count(last), 1);
    story.events.clear();
    story.ask(Request::Kind::cut);
    ASSERT_TRUE(story.until(State::tripped));
    EXPECT_FALSE(story.happened(Event::Kind::setpoints_set));
    EXPECT_FALSE(story.happened(Event::Kind::output_changed));
    EXPECT_EQ(story.last(Event::Kind::tripped)->at, story.last(Event::Kind::state_changed)->at);
    EXPECT_GE(story.last(Event::Kind::tripped)->at, story.now - 1ms);
  }
}

// The output reads off, as it should, while the current cannot be proved to have stopped.
TEST(AStateChange, to_cutting_expects_the_output_off_from_then_on) {  // S4 S5
  GuardStory story;
  story.charge_on();
  story.bench.says[{supply, Verb::measure_current}] = {Ending::done, 0.1};
  story.ask(Request::Kind::cut);
  story.pass(10s);
  EXPECT_EQ(story.state(), State::cutting);
  EXPECT_EQ(story.causes_present(), Causes{Cause::operator_cut});
}

// What goes on flowing without a digit of change is a source that does not obey, not a sensor that
// is stuck.
TEST(AStateChange, to_cutting_calls_nothing_stuck) {  // S3 S5
  ChannelPlan plan = plan_of();
  plan.stuck_after = 5s;
  GuardStory story(plan);
  RunPlan run = run_plan();
  run.limits.charge_above.reset();
  ASSERT_TRUE(story.start_to_ready(run));
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  ASSERT_TRUE(story.until(State::energised));
  story.bench.ignores_off = story.bench.ignores_set = true;
  story.ask(Request::Kind::cut);
  story.pass(20s);
  EXPECT_EQ(story.state(), State::cutting);
  EXPECT_GT(story.bench.cell_current(), 2);
  EXPECT_EQ(story.causes_present(), Causes{Cause::operator_cut});
}

TEST(AStateChange, to_cutting_reads_everything_at_once) {  // S4
  GuardStory story;
  story.charge_on();
  story.pass(17ms);
  story.bench.written.clear();
  story.ask(Request::Kind::cut);
  story.settle();
  EXPECT_EQ(story.bench.count(Verb::measure_temperature), 1);
}

TEST(AStateChange, to_tripped_needs_no_sequencer_any_more) {  // S5 S8
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.sequencer_lives = false;
  story.bench.inner_voltage = 2.0;  // below its limit: no danger any more
  story.pass(10s);
  EXPECT_EQ(story.state(), State::tripped);
  EXPECT_EQ(story.causes_present(), Causes{Cause::operator_cut});
  EXPECT_FALSE(story.happened(Event::Kind::alarm));
}

TEST(AStateChange, from_tripped_to_cutting_tells_its_causes_anew) {  // S4 S5
  GuardStory story;
  story.charge_on();
  for (int cuts = 1; cuts <= 2; ++cuts) {
    story.ask(Request::Kind::cut);
    ASSERT_TRUE(story.until(State::tripped));
    EXPECT_EQ(story.causes_present(), Causes(static_cast<std::size_t>(cuts), Cause::operator_cut));
  }
}

// What was reported before is not found again when the next run begins.
TEST(AStateChange, by_acknowledgement_leaves_nothing_of_the_trip) {  // S5
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.ask(Request::Kind::acknowledge);
  ASSERT_TRUE(story.until(State::off));
  story.pass(1s);
  EXPECT_EQ(story.state(), State::off);
  EXPECT_EQ(story.trip(), Cause::none);
  story.arm();
  ASSERT_TRUE(story.until(State::ready));
  story.bench.celsius[0] = 50;
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::temperature_high);
  EXPECT_EQ(story.causes_present(), (Causes{Cause::operator_cut, Cause::temperature_high}));
}

// Time by itself is enough, and the guard knows when.
TEST(AStateChange, happens_at_the_very_moment_for_which_the_guard_wakes) {  // S3 S6
  GuardStory story;
  story.charge_on();
  const Instant before = story.now;
  for (int turns = 0; turns < 1000 && story.state() == State::energised; ++turns) {
    story.now = std::max(story.now, story.guard.wake());
    story.guard.turn(story.now);  // and nobody answers or asks
  }
  EXPECT_EQ(story.state(), State::cutting);
  EXPECT_EQ(story.trip(), Cause::reading_stale);
  EXPECT_LE(story.now - before, 500ms + 1ns);
}

TEST(AStateChange, is_told_with_its_channel_and_so_is_all_that_goes_with_it) {  // S5 S10
  Plant plant = plant_of(plan_of({.contactor = true}));
  plant.channels.push_back(plant.channels[0]);
  Guard guard(plant);
  FakeBench bench;
  Instant now = at(0s);
  std::vector<Event> events;
  const auto pass = [&](Duration time) {
    for (const Instant end = now + time; now < end; now += 1ms) {
      guard.turn(now);
      for (Order order; guard.take_order(order);) {
        if (order.ticket >> 28 == 1) bench.obey(order, now);
      }
      for (Outcome done; bench.take(done, now);) guard.see(done, now);
      for (Event event; guard.take_event(event);) events.push_back(event);
    }
  };
  const auto ask = [&](Request request) {
    request.channel = 1;
    guard.request(request, now);
  };
  guard.start(now);
  pass(500ms);
  Request arm;
  arm.kind = Request::Kind::arm;
  arm.plan = run_plan();
  ask(arm);
  pass(300ms);
  ask({.kind = Request::Kind::charge, .step = 4, .voltage = 4.2_V, .current = 1.0_A});
  pass(300ms);
  ask({.kind = Request::Kind::charge, .step = 4, .voltage = 9.0_V, .current = 1.0_A});
  ask({.kind = Request::Kind::cut});
  bench.contactor_welded = true;
  pass(5s);
  Snapshot snapshot;
  guard.snapshot(snapshot, now);
  EXPECT_EQ(snapshot.channel[0].state, State::unknown);  // nobody obeys it
  EXPECT_EQ(snapshot.channel[1].state, State::tripped);
  EXPECT_EQ(snapshot.channel[1].trip.channel, 1);
  std::vector<Event::Kind> kinds;
  for (const Event& event : events) {
    EXPECT_EQ(event.channel, 1) << static_cast<int>(event.kind);
    EXPECT_EQ(event.fault.channel, event.fault.cause == Cause::none ? 0 : 1);
    if (std::find(kinds.begin(), kinds.end(), event.kind) == kinds.end()) {
      kinds.push_back(event.kind);
    }
  }
  EXPECT_EQ(kinds.size(), 9U);  // readings, states, setpoints, output, refusal, cause, stages,
                                // trip, alarm
}

}  // namespace
}  // namespace chargewright::safety::testing

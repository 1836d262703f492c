// The cut chain with every failure (S4), seen from the bench: what was written, and what flows.
#include <gtest/gtest.h>

#include <algorithm>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

Instant first(const GuardStory& story, Verb verb, Instant since) {
  for (const auto& w : story.bench.written) {
    if (w.order.verb == verb && w.at >= since) return w.at;
  }
  return drivers::never;
}

bool reached(const GuardStory& story, CutStage stage) {
  return std::any_of(story.events.begin(), story.events.end(), [&](const Event& event) {
    return event.kind == Event::Kind::cut_stage &&
           event.cut_stage == static_cast<std::uint8_t>(stage);
  });
}

TEST(Cut, writes_off_in_the_turn_in_which_the_reading_came) {  // S4
  GuardStory story;
  story.charge_on();
  Order order;
  while (story.guard.take_order(order)) story.bench.obey(order, story.now);
  story.guard.see(outcome(voltmeter, 0, Verb::measure_voltage, 4.26, story.now), story.now);
  story.guard.turn(story.now);
  ASSERT_TRUE(story.guard.take_order(order));  // ahead of everything queued
  EXPECT_EQ(order.verb, Verb::output_off);
  EXPECT_TRUE(order.urgent);
}

TEST(Cut, is_verified_by_output_state_and_current) {  // S4
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::cut);
  EXPECT_TRUE(story.until(State::tripped, 100ms));
  EXPECT_FALSE(reached(story, CutStage::repeated));
  EXPECT_FALSE(story.happened(Event::Kind::alarm));
}

TEST(Cut, repeats_and_takes_the_setpoints_to_zero_when_off_is_ignored) {  // S4
  GuardStory story;
  story.charge_on();
  story.bench.ignores_off = true;
  const Instant began = story.now;
  story.ask(Request::Kind::cut);
  story.pass(1s);
  EXPECT_EQ(story.state(), State::cutting);
  EXPECT_TRUE(reached(story, CutStage::repeated));
  EXPECT_LE(first(story, Verb::set_current, began) - began, 500ms + 1ms);
  EXPECT_EQ(story.bench.current_setpoint, 0);
  EXPECT_EQ(story.bench.cell_current(), 0);
  // Current has stopped, but the output still says on: not verified, alarm.
  story.pass(2s);
  EXPECT_EQ(story.state(), State::cutting);
  EXPECT_TRUE(story.happened(Event::Kind::alarm));
  story.bench.ignores_off = false;  // it obeys at last
  EXPECT_TRUE(story.until(State::tripped, 2s));
  EXPECT_EQ(story.channel().alarm.cause, Cause::none);
}

TEST(Cut, is_not_verified_while_current_flows_though_the_output_says_off) {  // S4
  GuardStory story;
  story.charge_on();
  story.bench.says[{supply, Verb::measure_current}] = {Ending::done, 0.021};
  story.ask(Request::Kind::cut);
  story.pass(5s);
  EXPECT_EQ(story.state(), State::cutting);
  EXPECT_NE(story.channel().alarm.cause, Cause::none);
  story.bench.says[{supply, Verb::measure_current}] = {Ending::done, 0.020};
  EXPECT_TRUE(story.until(State::tripped, 1s));
}

TEST(Cut, wants_no_current_from_both_ammeters) {  // S4
  GuardStory story(Fittings{.ammeter = true});
  story.charge_on();
  story.bench.says[{ammeter, Verb::measure_current}] = {Ending::done, -0.5};
  story.ask(Request::Kind::cut);
  story.pass(3s);
  EXPECT_EQ(story.state(), State::cutting);
}

TEST(Cut, opens_the_contactor_once_the_output_is_off) {  // S4
  GuardStory story(Fittings{.contactor = true});
  story.charge_on();
  const Instant began = story.now;
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_FALSE(story.bench.contactor_closed);
  EXPECT_LT(first(story, Verb::output_off, began), first(story, Verb::open_switch, began));
}

TEST(Cut, opens_the_contactor_at_once_when_the_source_is_known_down) {  // S4
  GuardStory story(Fittings{.ammeter = true, .contactor = true});
  story.charge_on();
  story.bench.misbehave[supply].link_down = true;
  story.guard.link_changed(supply, false, story.now);
  ASSERT_TRUE(story.until(State::cutting));
  const Instant cut = story.now;
  EXPECT_EQ(story.trip(), Cause::conversation_failing);
  story.pass(10ms);
  EXPECT_FALSE(story.bench.contactor_closed);
  EXPECT_LE(first(story, Verb::open_switch, at(0s)) - cut, 1ms);
  // The source cannot be read; contactor and ammeter prove it.
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_TRUE(reached(story, CutStage::verified_by_contactor));
}

TEST(Cut, opens_the_contactor_when_the_source_ignores_off_but_is_not_verified_by_it) {  // S4
  GuardStory story(Fittings{.ammeter = true, .contactor = true});
  story.charge_on();
  story.bench.ignores_off = true;
  story.ask(Request::Kind::cut);
  story.pass(100ms);
  EXPECT_FALSE(story.bench.contactor_closed);  // the off had failed: nothing to wait for
  story.pass(5s);
  EXPECT_EQ(story.state(), State::cutting);  // its output is still on
  EXPECT_NE(story.channel().alarm.cause, Cause::none);
}

TEST(Cut, opens_the_contactor_when_the_source_is_mute) {  // S4
  GuardStory story(Fittings{.ammeter = true, .contactor = true});
  story.charge_on();
  story.bench.misbehave[supply].mute = true;
  ASSERT_TRUE(story.until(State::cutting));
  story.pass(1100ms);
  EXPECT_FALSE(story.bench.contactor_closed);
  EXPECT_TRUE(story.until(State::tripped));
}

TEST(Cut, without_a_contactor_goes_on_for_ever_until_the_source_comes_back) {  // S4
  GuardStory story;
  story.charge_on();
  story.bench.misbehave[supply].link_down = true;
  story.guard.link_changed(supply, false, story.now);
  ASSERT_TRUE(story.until(State::cutting));
  story.bench.written.clear();
  story.pass(60s);
  EXPECT_EQ(story.state(), State::cutting);
  EXPECT_NE(story.channel().alarm.cause, Cause::none);
  const int offs = story.bench.count(Verb::output_off);
  EXPECT_GE(offs, 100);  // still at it
  EXPECT_LE(offs, 130);  // at a bounded rate
  story.bench.misbehave[supply].link_down = false;
  const Instant back = story.now;
  story.guard.link_changed(supply, true, story.now);
  story.settle();
  EXPECT_LE(first(story, Verb::output_off, back) - back, 1ms);
  EXPECT_TRUE(story.until(State::tripped));
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
  EXPECT_NE(story.channel().alarm.cause, Cause::none);
  story.bench.misbehave[contactor].link_down = false;
  story.guard.link_changed(contactor, true, story.now);
  story.pass(100ms);
  EXPECT_FALSE(story.bench.contactor_closed);
  story.bench.misbehave[supply].link_down = false;
  story.guard.link_changed(supply, true, story.now);
  EXPECT_TRUE(story.until(State::tripped));
  EXPECT_FALSE(story.bench.output);
}

TEST(Cut, alarms_when_the_contactor_is_welded_though_current_has_stopped) {  // S4
  GuardStory story(Fittings{.contactor = true});
  story.charge_on();
  story.bench.contactor_welded = true;
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  ASSERT_TRUE(story.happened(Event::Kind::alarm));
  EXPECT_EQ(story.last(Event::Kind::alarm)->fault.sensor, subject(Subject::contactor));
  EXPECT_GE(story.bench.count(Verb::open_switch), 3);
}

TEST(Cut, alarms_of_a_welded_contactor_though_it_has_alarmed_of_the_output_before) {  // S4
  GuardStory story(Fittings{.contactor = true});
  story.charge_on();
  story.bench.contactor_welded = true;
  story.bench.ignores_off = true;
  story.ask(Request::Kind::cut);
  story.pass(5s);
  ASSERT_TRUE(story.happened(Event::Kind::alarm));
  ASSERT_NE(story.last(Event::Kind::alarm)->fault.sensor, subject(Subject::contactor));
  story.bench.ignores_off = false;
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.last(Event::Kind::alarm)->fault.sensor, subject(Subject::contactor));
}

// A source that says how long its current takes to fall.
TEST(Cut, waits_for_a_current_that_falls_in_the_time_that_its_source_states) {  // S4 S5
  for (const auto kind : {Request::Kind::finish, Request::Kind::cut, Request::Kind::rest}) {
    ChannelPlan plan = plan_of();
    plan.settling = 2s;
    plan.prove_off_within = 10s;
    GuardStory story(plan);
    story.charge_on();
    story.ask(kind);
    for (double amperes : {2.0, 1.5, 1.0, 0.5, 0.3, 0.2, 0.1, 0.05, 0.03}) {
      story.bench.says[{supply, Verb::measure_current}] = {Ending::done, amperes};
      story.pass(200ms);
    }
    story.bench.says.clear();
    story.pass(3s);
    EXPECT_FALSE(story.happened(Event::Kind::alarm)) << static_cast<int>(kind);
    EXPECT_EQ(story.state(), kind == Request::Kind::finish ? State::off
                             : kind == Request::Kind::cut  ? State::tripped
                                                           : State::ready)
        << describe(story.channel().trip);
  }
}

// It had stopped: what flows then is not what still falls.
TEST(Cut, is_made_again_where_current_flows_again_however_slowly_it_may_fall) {  // S4 S8
  ChannelPlan plan = plan_of();
  plan.settling = 60s;
  plan.prove_off_within = 70s;
  plan.abilities.reads_output = false;
  GuardStory story(plan);
  story.charge_on();
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.pass(2s);
  ASSERT_EQ(story.state(), State::tripped);
  story.bench.says[{supply, Verb::measure_current}] = {Ending::done, 2.0};
  EXPECT_TRUE(story.until(State::cutting, 5s));
}

TEST(Cut, is_verified_anew_though_the_end_of_the_run_was_verified_just_before) {  // S4
  GuardStory story(Fittings{.contactor = true});
  story.charge_on();
  story.bench.misbehave[contactor].mute = true;  // the run's end waits for it
  story.ask(Request::Kind::finish);
  story.pass(200ms);
  ASSERT_EQ(story.state(), State::unknown);
  ASSERT_FALSE(story.bench.output);
  story.bench.output = true;
  story.bench.ignores_off = true;
  story.ask(Request::Kind::cut);
  story.pass(10s);
  EXPECT_EQ(story.state(), State::cutting);
  EXPECT_FALSE(story.happened(Event::Kind::tripped));
  EXPECT_FALSE(reached(story, CutStage::verified));
  story.bench.ignores_off = false;
  EXPECT_TRUE(story.until(State::tripped));
  EXPECT_TRUE(reached(story, CutStage::verified));
}

TEST(Cut, goes_on_when_a_second_cut_comes_and_keeps_its_deadlines) {  // S4
  GuardStory story;
  story.charge_on();
  story.bench.ignores_off = true;
  story.ask(Request::Kind::cut);
  for (int k = 0; k < 40; ++k) {
    story.pass(100ms);
    story.ask(Request::Kind::cut);
  }
  EXPECT_NE(story.channel().alarm.cause, Cause::none);  // not pushed back by the repeated word
}

TEST(Cut, writes_the_off_again_at_once_when_the_operator_asks_again) {  // S4
  GuardStory story;
  story.charge_on();
  story.bench.ignores_off = true;
  story.bench.written.clear();
  story.ask(Request::Kind::cut);
  story.settle();
  EXPECT_EQ(story.bench.count(Verb::output_off), 1);
  EXPECT_TRUE(reached(story, CutStage::started));
  story.pass(100ms);
  EXPECT_EQ(story.bench.count(Verb::output_off), 1);
  story.ask(Request::Kind::cut);
  story.settle();
  EXPECT_EQ(story.bench.count(Verb::output_off), 2);
}

TEST(Cut, does_not_take_a_current_measured_before_the_off_for_proof) {  // S4
  GuardStory story;
  story.start();
  story.until(State::off);
  // Readings that were asked before the cut and answer late, with no current.
  Instant now = story.now;
  Order order;
  while (story.guard.take_order(order)) story.bench.obey(order, now);
  story.bench.says[{supply, Verb::measure_current}] = {Ending::done, 1.0};
  story.ask(Request::Kind::cut);
  story.guard.see(outcome(supply, 0, Verb::measure_current, 0.0, now - 100ms), now);
  story.pass(500ms);
  EXPECT_EQ(story.state(), State::cutting);
}

TEST(Cut, follows_each_fault_of_the_bench) {  // S2 S3 S4
  struct Case {
    const char* what;
    std::function<void(GuardStory&)> inject;
    Cause expected;
    Duration within;
  };
  const auto says = [](drivers::InstrumentId instrument, Verb verb, Ending ending, double value) {
    return [=](GuardStory& s) { s.bench.says[{instrument, verb}] = {ending, value}; };
  };
  const Case cases[] = {
      {"cell too high", says(voltmeter, Verb::measure_voltage, Ending::done, 4.26),
       Cause::voltage_high, 110ms},
      {"cell too low", says(voltmeter, Verb::measure_voltage, Ending::done, 2.4),
       Cause::voltage_low, 110ms},
      {"lead off",
       [](GuardStory& s) {
         s.bench.inner_voltage = 4.19;
         s.bench.lead_off = true;
         s.bench.voltage_setpoint = 4.2;
         s.bench.says[{voltmeter, Verb::measure_voltage}] = {Ending::done, 0.0};
       },
       Cause::voltage_low, 110ms},
      {"current", says(supply, Verb::measure_current, Ending::done, 7.3), Cause::current_high,
       110ms},
      {"reverse", says(supply, Verb::measure_current, Ending::done, -0.6), Cause::current_reverse,
       110ms},
      {"hot", [](GuardStory& s) { s.bench.celsius[0] = 48.5; }, Cause::temperature_high, 110ms},
      {"cold", [](GuardStory& s) { s.bench.celsius[0] = 4; }, Cause::temperature_low, 110ms},
      {"not a number", says(voltmeter, Verb::measure_voltage, Ending::not_a_number, 0),
       Cause::reading_unusable, 110ms},
      {"infinite", says(thermometer, Verb::measure_temperature, Ending::infinite, 0),
       Cause::reading_unusable, 110ms},
      {"garbage", says(voltmeter, Verb::measure_voltage, Ending::unparsable, 0),
       Cause::reading_unusable, 460ms},
      {"meter mute", [](GuardStory& s) { s.bench.misbehave[voltmeter].mute = true; },
       Cause::reading_stale, 510ms},
      {"probe mute", [](GuardStory& s) { s.bench.misbehave[thermometer].mute = true; },
       Cause::reading_stale, 510ms},
      {"meter link",
       [](GuardStory& s) {
         s.bench.misbehave[voltmeter].link_down = true;
         s.guard.link_changed(voltmeter, false, s.now);
       },
       Cause::conversation_failing, 260ms},
      {"protection",
       [](GuardStory& s) {
         s.bench.protection = 1;
         s.bench.output = false;
       },
       Cause::protection_tripped, 810ms},
      {"output off", [](GuardStory& s) { s.bench.output = false; }, Cause::output_off_unbidden,
       1700ms},
      {"knob", [](GuardStory& s) { s.bench.voltage_setpoint = 4.15; }, Cause::setpoint_changed,
       810ms},
      {"current knob", [](GuardStory& s) { s.bench.current_setpoint = 2.3; },
       Cause::setpoint_changed, 810ms},
      {"disagree", says(voltmeter, Verb::measure_voltage, Ending::done, 3.5),
       Cause::readings_disagree, 2200ms},
      {"sequencer", [](GuardStory& s) { s.sequencer_lives = false; }, Cause::sequencer_late,
       1100ms},
  };
  for (const Case& c : cases) {
    GuardStory story;
    story.charge_on();
    ASSERT_EQ(story.state(), State::energised) << c.what;
    c.inject(story);
    ASSERT_TRUE(story.until(State::cutting, c.within)) << c.what;
    EXPECT_EQ(story.trip(), c.expected) << c.what << ": " << describe(story.channel().trip);
    story.bench.says.clear();
    story.bench.misbehave = {};
    EXPECT_TRUE(story.until(State::tripped, 5s)) << c.what;
    EXPECT_FALSE(story.bench.output) << c.what;
    EXPECT_EQ(story.trip(), c.expected) << c.what;
  }
}

TEST(Cut, follows_a_setpoint_that_cannot_be_proved) {  // S3
  GuardStory story;
  story.charge_on();
  story.bench.ignores_set = true;
  story.ask(Request::Kind::charge, 2, 4.1_V, 1.0_A);
  ASSERT_TRUE(story.until(State::cutting, 100ms));
  EXPECT_EQ(story.trip(), Cause::setpoint_changed);
}

TEST(Cut, follows_an_output_that_does_not_go_on_or_off_as_ordered) {  // S3
  GuardStory on;
  ASSERT_TRUE(on.start_to_ready());
  on.bench.says[{supply, Verb::output_on}] = {Ending::disproved, 0};
  on.ask(Request::Kind::charge, 1, 4.2_V, 1.0_A);
  ASSERT_TRUE(on.until(State::cutting, 200ms));
  EXPECT_EQ(on.trip(), Cause::output_off_unbidden);

  GuardStory off;
  off.charge_on();
  off.bench.ignores_off = true;
  off.ask(Request::Kind::rest, 2);
  ASSERT_TRUE(off.until(State::cutting, 200ms));
  EXPECT_EQ(off.trip(), Cause::output_on_unbidden);

  GuardStory mute;
  mute.charge_on();
  mute.bench.says[{supply, Verb::set_current}] = {Ending::timed_out, 0};
  mute.ask(Request::Kind::charge, 1, 4.2_V, 1.0_A);
  ASSERT_TRUE(mute.until(State::cutting, 200ms));
  EXPECT_EQ(mute.trip(), Cause::conversation_failing);
}

}  // namespace
}  // namespace chargewright::safety::testing

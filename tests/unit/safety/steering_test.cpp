// Setpoints and output on their way to the source: each proved before the next, and what cannot be
// proved is a fault by its name (S1, S3, S4).
#include <gtest/gtest.h>

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

// A hand at the panel may have changed them, or a source that began anew.
TEST(Steering, proves_its_protections_anew_before_the_output_goes_on_after_a_rest) {  // S1
  for (const bool charged_before : {true, false}) {
    GuardStory story;
    if (charged_before) {
      story.charge_on();
    } else {
      ASSERT_TRUE(story.start_to_ready());
    }
    story.ask(Request::Kind::rest, 2);
    ASSERT_TRUE(story.until(State::ready));
    story.pass(1s);
    story.bench.ovp = 60;
    story.bench.ocp = 20;
    story.bench.written.clear();
    story.ask(Request::Kind::charge, 3, 4.20_V, 2.4_A);
    ASSERT_TRUE(story.until(State::energised)) << describe(story.channel().trip);
    EXPECT_EQ(story.bench.ovp, 4.40);
    EXPECT_EQ(story.bench.ocp, 8.0);
    story.ask(Request::Kind::charge, 4, 4.10_V, 2.0_A);
    story.pass(1s);
    EXPECT_EQ(story.bench.count(Verb::set_over_voltage), 1);
    EXPECT_EQ(story.bench.count(Verb::set_over_current), 1);
    EXPECT_EQ(story.state(), State::energised) << describe(story.channel().trip);
  }
}

// Nor is a knob seen at once that was turned meanwhile, or ever where no setpoint is read back.
TEST(Steering, proves_its_setpoints_anew_before_the_output_goes_on_after_a_rest) {  // S1
  for (const bool reads_setpoints : {true, false}) {
    ChannelPlan plan = plan_of();
    plan.abilities.reads_setpoints = reads_setpoints;
    GuardStory story(plan);
    story.charge_on();
    story.ask(Request::Kind::rest, 2);
    ASSERT_TRUE(story.until(State::ready));
    story.pass(1s);
    story.bench.voltage_setpoint = 30;
    story.bench.current_setpoint = 8;
    story.ask(Request::Kind::charge, 3, 4.20_V, 2.4_A);
    ASSERT_TRUE(story.until(State::energised)) << describe(story.channel().trip);
    EXPECT_EQ(story.bench.voltage_setpoint, 4.20) << reads_setpoints;
    EXPECT_EQ(story.bench.current_setpoint, 2.4) << reads_setpoints;
    story.pass(2s);
    EXPECT_EQ(story.state(), State::energised) << describe(story.channel().trip);
  }
}

TEST(Steering, still_finds_a_knob_that_is_turned_in_a_rest) {  // S3
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::rest, 2);
  ASSERT_TRUE(story.until(State::ready));
  story.bench.voltage_setpoint = 30;
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.trip(), Cause::setpoint_changed);
}

TEST(Steering, does_not_switch_on_after_a_rest_where_a_protection_is_not_proved) {  // S1 S4
  for (const Verb verb : {Verb::set_over_voltage, Verb::set_over_current}) {
    for (const Ending ending : {Ending::disproved, Ending::timed_out}) {
      GuardStory story;
      story.charge_on();
      story.ask(Request::Kind::rest, 2);
      ASSERT_TRUE(story.until(State::ready));
      story.bench.says[{supply, verb}] = {ending, 60};
      story.bench.written.clear();
      story.ask(Request::Kind::charge, 3, 4.20_V, 2.4_A);
      ASSERT_TRUE(story.until(State::tripped));
      EXPECT_EQ(story.bench.count(Verb::output_on), 0);
      EXPECT_EQ(story.trip(), ending == Ending::disproved ? Cause::setpoint_changed
                                                          : Cause::conversation_failing);
      EXPECT_EQ(story.channel().trip.sensor, static_cast<std::uint8_t>(Subject::protection));
    }
  }
}

TEST(Steering, asks_for_no_protection_after_a_rest_that_the_source_does_not_have) {  // S1
  for (const bool over_voltage : {false, true}) {
    ChannelPlan plan = plan_of();
    plan.abilities.over_voltage_protection = over_voltage;
    plan.abilities.over_current_protection = !over_voltage;
    GuardStory story(plan);
    story.charge_on();
    story.ask(Request::Kind::rest, 2);
    ASSERT_TRUE(story.until(State::ready));
    story.bench.written.clear();
    story.ask(Request::Kind::charge, 3, 4.20_V, 2.4_A);
    ASSERT_TRUE(story.until(State::energised)) << describe(story.channel().trip);
    EXPECT_EQ(story.bench.count(Verb::set_over_voltage), over_voltage ? 1 : 0);
    EXPECT_EQ(story.bench.count(Verb::set_over_current), over_voltage ? 0 : 1);
  }
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

}  // namespace
}  // namespace chargewright::safety::testing

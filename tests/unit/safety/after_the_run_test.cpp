// The watch goes on once the output is off (S8): what a thermometer shows is an alarm then, and
// what says that the output is not off is a cut.
#include <gtest/gtest.h>

#include <functional>

#include "energised.h"
#include "support.h"

namespace chargewright::safety::testing {
namespace {

// ---- the interlock ------------------------------------------------------------------------------

TEST(AWatch, without_limits_judges_no_thermometer) {  // S8
  Interlock interlock(plan_of(), 0);
  interlock.watch_only(at(0s));
  EXPECT_TRUE(interlock.judge(at(1h)).within());
  interlock.see(
      outcome(thermometer, 1, Verb::measure_temperature, 0, at(1h), Ending::not_a_number));
  interlock.link(thermometer, false);
  EXPECT_TRUE(interlock.judge(at(1h)).within());
  interlock.restore_limits(cell_limits());
  EXPECT_FALSE(interlock.judge(at(1h)).within());
}

TEST(AWatch, misses_no_instrument_but_its_thermometers) {  // S8
  for (const bool known : {true, false}) {
    for (const auto lost : {supply, voltmeter, thermometer}) {
      Interlock interlock(plan_of(), 0);
      if (known) interlock.restore_limits(cell_limits());
      interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 25, at(0s)));
      interlock.link(lost, false);
      interlock.judge(at(0s));
      EXPECT_EQ(interlock.judge(at(1s)).within(), !known || lost != thermometer) << lost;
    }
  }
}

TEST(AWatch, looks_for_its_thermometers_from_the_moment_that_it_was_told_on) {  // S8
  ChannelPlan plan = plan_of();
  plan.allowed_age = 10s;
  Interlock interlock(plan, 0);
  interlock.restore_limits(cell_limits());
  interlock.watch_from(at(10s));
  interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 25, at(0s)));
  interlock.link(thermometer, false);
  EXPECT_TRUE(interlock.judge(at(1s)).within());
  EXPECT_EQ(interlock.wake(), at(10s));
  EXPECT_TRUE(interlock.judge(at(10s)).within());
  EXPECT_EQ(interlock.wake(), at(15s));  // half of the allowed age, as for any link
  EXPECT_EQ(interlock.judge(at(15s)).worst.cause, Cause::conversation_failing);
}

TEST(AWatch, of_a_former_life_takes_one_garbled_answer_for_the_line_too) {  // S3 S8
  Interlock interlock(plan_of(), 0);
  interlock.restore_limits(cell_limits());
  interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 25, at(0s)));
  interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 0, at(1s), Ending::unparsable));
  EXPECT_TRUE(interlock.judge(at(1s)).within());
  EXPECT_EQ(interlock.judge(at(1250ms)).worst.cause, Cause::reading_unusable);
}

TEST(AWatch, asks_only_for_thermometers) {  // S8
  Interlock interlock(plan_of(), 0);
  interlock.restore_limits(cell_limits());
  interlock.watch_only(at(0s));
  interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 25, at(0s)));
  interlock.see(outcome(voltmeter, 0, Verb::measure_voltage, 0, at(0s), Ending::not_a_number));
  interlock.link(supply, false);
  interlock.link(voltmeter, false);
  EXPECT_TRUE(interlock.judge(at(3s)).within()) << describe(interlock.judge(at(3s)).worst);
  // Read five times slower, and borne five times as old: 5 * (500 ms + 100 ms).
  EXPECT_TRUE(interlock.judge(at(3s)).within());
  EXPECT_EQ(interlock.wake(), at(3s) + 1ns);
  EXPECT_EQ(interlock.judge(at(3s) + 1ns).worst.cause, Cause::reading_stale);
}

TEST(AWatch, gives_a_thermometer_of_a_former_life_the_time_that_its_link_needs) {  // S8
  Interlock interlock(plan_of({.thermometers = 2}), 0);
  interlock.restore_limits(cell_limits());
  interlock.watch_only(at(0s));
  interlock.watch_from(at(10s));
  interlock.link(thermometer, false);
  EXPECT_TRUE(interlock.judge(at(5s)).within());
  EXPECT_EQ(interlock.wake(), at(10s));
  EXPECT_TRUE(interlock.judge(at(10s) - 1ns).within());
  EXPECT_EQ(interlock.judge(at(10s)).worst.cause, Cause::reading_stale);
  // Silent over a link that is up: as long, and no longer.
  Interlock silent(plan_of(), 0);
  silent.restore_limits(cell_limits());
  silent.watch_only(at(0s));
  silent.watch_from(at(10s));
  EXPECT_TRUE(silent.judge(at(10s) - 1ns).within());
  EXPECT_EQ(silent.wake(), at(10s));
  EXPECT_EQ(silent.judge(at(10s)).worst.cause, Cause::reading_stale);
  // One that was heard is judged by its age, and its conversation waits all the same.
  Interlock heard(plan_of(), 0);
  heard.restore_limits(cell_limits());
  heard.watch_only(at(0s));
  heard.watch_from(at(10s));
  heard.see(outcome(thermometer, 1, Verb::measure_temperature, 25, at(1s)));
  EXPECT_TRUE(heard.judge(at(4s)).within());
  EXPECT_EQ(heard.judge(at(4s) + 1ns).worst.cause, Cause::reading_stale);
}

// ---- the guard ----------------------------------------------------------------------------------

TEST(Guard, only_alarms_by_what_its_thermometer_shows_once_the_output_is_off) {  // S8
  const auto answers = [](Ending ending) {
    return [ending](GuardStory& story) {
      story.bench.says[{thermometer, Verb::measure_temperature}] = {ending, 0};
    };
  };
  const struct {
    Cause cause;
    std::function<void(GuardStory&)> inject;
  } cases[] = {
      {Cause::temperature_high, [](GuardStory& story) { story.bench.celsius[0] = 48.1; }},
      {Cause::temperature_rising,
       [](GuardStory& story) {
         for (int second = 0; second < 100; ++second) {
           story.bench.celsius[0] += 0.05;
           story.pass(1s);
         }
       }},
      {Cause::reading_unusable, answers(Ending::not_a_number)},
      {Cause::reading_stale, answers(Ending::absent)},
      {Cause::conversation_failing, answers(Ending::timed_out)},
      {Cause::conversation_failing,
       [](GuardStory& story) {
         story.bench.misbehave[thermometer].link_down = true;
         story.guard.link_changed(thermometer, false, story.now);
       }},
  };
  for (const auto& c : cases) {
    GuardStory story;
    story.charge_on();
    story.ask(Request::Kind::finish);
    ASSERT_TRUE(story.until(State::off));
    story.pass(10s);  // no link may have yet to open
    ASSERT_FALSE(story.happened(Event::Kind::alarm));
    c.inject(story);
    for (int k = 0; k < 100 && !story.happened(Event::Kind::alarm); ++k) story.pass(100ms);
    ASSERT_TRUE(story.happened(Event::Kind::alarm)) << key_of(c.cause);
    EXPECT_EQ(story.last(Event::Kind::alarm)->fault.cause, c.cause)
        << describe(story.last(Event::Kind::alarm)->fault);
    story.pass(20s);
    EXPECT_EQ(story.state(), State::off) << key_of(c.cause);
    EXPECT_EQ(story.trip(), Cause::none) << key_of(c.cause);
    EXPECT_TRUE(story.causes_present().empty()) << key_of(c.cause);
    EXPECT_NE(story.channel().alarm.cause, Cause::none);
  }
}

TEST(Guard, cuts_an_output_switched_on_beside_a_hot_cell_by_its_own_name) {  // S5 S8
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  story.events.clear();
  story.bench.celsius.fill(55);  // hotter than the limit of the last run
  story.bench.output = true;     // and a hand switches the output on
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_EQ(story.causes_present().front(), Cause::output_on_unbidden);
  EXPECT_EQ(story.trip(), Cause::output_on_unbidden);
  story.pass(5s);
  ASSERT_TRUE(story.happened(Event::Kind::alarm));
  EXPECT_EQ(story.last(Event::Kind::alarm)->fault.cause, Cause::temperature_high);
}

TEST(Guard,
     reads_its_thermometer_five_times_slower_while_off_or_tripped_and_at_no_other_time) {  // S8
  GuardStory story;
  const auto readings_in_5_s = [&] {
    const int before = story.bench.count(Verb::measure_temperature);
    story.pass(5s);
    return story.bench.count(Verb::measure_temperature) - before;
  };
  story.start();
  ASSERT_TRUE(story.until(State::off));
  EXPECT_NEAR(readings_in_5_s(), 10, 1);
  ASSERT_TRUE(story.off_to_ready());
  EXPECT_NEAR(readings_in_5_s(), 50, 1);
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  ASSERT_TRUE(story.until(State::energised));
  EXPECT_NEAR(readings_in_5_s(), 50, 1);
  story.bench.ignores_off = true;
  story.ask(Request::Kind::cut);
  EXPECT_NEAR(readings_in_5_s(), 50, 1);
  story.bench.ignores_off = false;
  ASSERT_TRUE(story.until(State::tripped));
  EXPECT_NEAR(readings_in_5_s(), 10, 1);
}

// A channel that is cut from off is still only watched: its warm cell is no cause of that cut.
TEST(Guard, alarms_by_a_warm_cell_in_a_cut_from_off_too_and_once) {  // S4 S8
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  story.bench.celsius[0] = 60;
  story.pass(2s);
  ASSERT_TRUE(story.happened(Event::Kind::alarm));
  story.events.clear();
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.pass(2s);
  EXPECT_EQ(story.causes_present(), std::vector{Cause::operator_cut});
  EXPECT_FALSE(story.happened(Event::Kind::alarm));
  EXPECT_NE(story.channel().alarm.cause, Cause::none);
}

// While another cause stays present, too: what it says of the cell is told each time that it
// begins.
TEST(Guard, alarms_anew_by_a_warm_cell_in_a_cut_that_does_not_end) {  // S4 S8
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  story.bench.ignores_off = story.bench.output = true;
  ASSERT_TRUE(story.until(State::cutting));
  const auto alarms = [&] {
    return std::count_if(story.events.begin(), story.events.end(), [](const Event& event) {
      return event.kind == Event::Kind::alarm && event.fault.cause == Cause::temperature_high;
    });
  };
  for (int times = 1; times <= 2; ++times) {
    story.bench.celsius[0] = 60;
    story.pass(2s);
    EXPECT_EQ(alarms(), times);
    story.bench.celsius[0] = 40;
    story.pass(2s);
  }
  EXPECT_EQ(story.state(), State::cutting);
}

// A cell that is colder than it may be charged does not run away.
TEST(Guard, has_no_alarm_for_a_cell_that_gets_cold_after_the_run) {  // S8
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  story.bench.celsius[0] = -10;
  story.pass(60s);
  EXPECT_FALSE(story.happened(Event::Kind::alarm));
  EXPECT_EQ(story.state(), State::off);
}

TEST(Guard, alarms_anew_when_a_cell_runs_away_whose_other_thermometer_is_lost) {  // S8
  GuardStory story(Fittings{.thermometers = 2});
  story.charge_on();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  const auto alarms = [&] {
    std::vector<Cause> causes;
    for (const Event& event : story.events) {
      if (event.kind == Event::Kind::alarm) causes.push_back(event.fault.cause);
    }
    return causes;
  };
  story.pass(10s);  // no link may have yet to open
  story.bench.says[{thermometer, Verb::measure_temperature}] = {Ending::timed_out, 0};
  story.pass(10s);  // in the end its readings are stale, too: told once
  EXPECT_EQ(alarms(), std::vector{Cause::conversation_failing});
  story.bench.says.clear();
  story.pass(2s);
  EXPECT_EQ(story.channel().alarm.cause, Cause::none);
  story.bench.celsius[1] = 25;
  story.bench.says[{thermometer, Verb::measure_temperature}] = {Ending::not_a_number, 0};
  story.pass(2s);
  // The first shows its cell again, the second does not.
  story.guard.see(outcome(thermometer, 1, Verb::measure_temperature, 60, story.now), story.now);
  story.settle();
  EXPECT_EQ(alarms(), (std::vector{Cause::conversation_failing, Cause::reading_unusable,
                                   Cause::temperature_high}));
  EXPECT_EQ(story.state(), State::off);
}

TEST(Guard, alarms_without_a_new_trip_when_the_cell_warms_after_the_run) {  // S8
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  story.pass(5s);
  EXPECT_FALSE(story.happened(Event::Kind::alarm));
  story.bench.celsius[0] = 60;
  story.pass(2s);
  ASSERT_TRUE(story.happened(Event::Kind::alarm));
  EXPECT_EQ(story.last(Event::Kind::alarm)->fault.cause, Cause::temperature_high);
  EXPECT_EQ(story.state(), State::off);
  EXPECT_NE(story.channel().alarm.cause, Cause::none);
}

TEST(Guard, alarms_on_a_warm_cell_by_the_limits_of_a_former_life) {  // S8
  GuardStory story;
  story.guard.restore_limits(0, cell_limits());
  story.start();
  ASSERT_TRUE(story.until(State::off));
  story.pass(2s);
  EXPECT_FALSE(story.happened(Event::Kind::alarm));
  story.bench.celsius[0] = 60;
  story.pass(2s);
  ASSERT_TRUE(story.happened(Event::Kind::alarm));
  EXPECT_EQ(story.last(Event::Kind::alarm)->fault.cause, Cause::temperature_high);
  EXPECT_EQ(story.last(Event::Kind::alarm)->fault.limit, 48.0);
  EXPECT_EQ(story.state(), State::off);
}

TEST(Guard, alarms_when_a_thermometer_stays_lost_after_a_restart) {  // S8
  GuardStory story;
  story.guard.restore_limits(0, cell_limits());
  story.bench.misbehave[thermometer].link_down = true;
  story.start();
  story.guard.link_changed(thermometer, false, story.now);
  ASSERT_TRUE(story.until(State::off));
  story.pass(5s);
  EXPECT_FALSE(story.happened(Event::Kind::alarm));  // its link may have yet to open
  story.pass(10s);
  EXPECT_TRUE(story.happened(Event::Kind::alarm));
}

TEST(Guard,
     takes_no_acknowledgement_while_the_cell_is_warm_by_the_limits_of_a_former_life) {  // S5 S8
  GuardStory story;
  story.guard.restore_trip({.cause = Cause::current_high});
  story.guard.restore_limits(0, cell_limits());
  story.bench.celsius[0] = 60;
  story.start();
  ASSERT_TRUE(story.until(State::tripped));
  story.pass(2s);
  story.ask(Request::Kind::acknowledge);
  story.pass(1s);
  EXPECT_EQ(story.state(), State::tripped);
  EXPECT_TRUE(story.happened(Event::Kind::alarm));
  story.bench.celsius[0] = 30;
  story.pass(2s);
  story.ask(Request::Kind::acknowledge);
  EXPECT_TRUE(story.until(State::off));
}

TEST(Guard, alarms_when_the_thermometer_is_lost_after_a_trip) {  // S8
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.bench.misbehave[thermometer].mute = true;
  story.pass(10s);
  EXPECT_TRUE(story.happened(Event::Kind::alarm));
  EXPECT_EQ(story.state(), State::tripped);
}

}  // namespace
}  // namespace chargewright::safety::testing

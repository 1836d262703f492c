// The output goes on only after every permissive (S1): each, failing alone, refuses by its name,
// and leaves the output off and the contactor open.
#include <gtest/gtest.h>

#include <cmath>
#include <memory>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

class Arming : public ::testing::Test {
 protected:
  Arming() { begin({.contactor = true}); }
  void begin(const Fittings& fittings) {
    story = std::make_unique<GuardStory>(fittings);
    story->start();
    story->until(State::off);
    story->bench.written.clear();
  }
  Refusal arm(const RunPlan& run = run_plan()) {
    story->arm(run);
    story->pass(1ms);
    for (int k = 0; k < 20'000 && story->state() == State::arming; ++k) story->pass(1ms);
    story->until(State::off, 2s);
    EXPECT_EQ(story->bench.count(Verb::output_on), 0);
    EXPECT_FALSE(story->bench.output);
    return story->last_refusal();
  }
  std::unique_ptr<GuardStory> story;
  FakeBench& bench() { return story->bench; }
};

TEST_F(Arming, ends_ready_with_the_contactor_closed_and_the_output_off) {  // S1
  story->arm();
  ASSERT_TRUE(story->until(State::ready));
  EXPECT_EQ(story->last_refusal(), Refusal::none);
  EXPECT_TRUE(bench().contactor_closed);
  EXPECT_FALSE(bench().output);
  EXPECT_EQ(bench().voltage_setpoint, 0);
  EXPECT_EQ(bench().count(Verb::identify), 4);  // supply, voltmeter, thermometer, contactor
}

TEST_F(Arming, refuses_a_wrong_identity_of_any_instrument) {  // S1
  for (const auto instrument : {supply, voltmeter, thermometer, contactor}) {
    begin({.contactor = true});
    bench().misbehave[instrument].wrong_identity = true;
    EXPECT_EQ(arm(), Refusal::identity_mismatch);
    EXPECT_EQ(story->last(Event::Kind::refused)->instrument, instrument);
  }
}

TEST_F(Arming, refuses_an_identity_that_answers_no) {  // S1
  bench().says[{voltmeter, Verb::identify}] = {Ending::done, 0};
  EXPECT_EQ(arm(), Refusal::identity_mismatch);
  EXPECT_EQ(story->last(Event::Kind::refused)->instrument, voltmeter);
}

TEST_F(Arming, refuses_when_an_instrument_does_not_answer) {  // S1
  bench().misbehave[voltmeter].mute = true;
  EXPECT_EQ(arm(), Refusal::instrument_unreachable);
  EXPECT_EQ(story->last(Event::Kind::refused)->instrument, voltmeter);
  bench().misbehave[voltmeter] = {.link_down = true};
  EXPECT_EQ(arm(), Refusal::instrument_unreachable);
}

TEST_F(Arming, drains_errors_and_refuses_when_they_do_not_end) {  // S1
  bench().errors_queued = 3;
  story->arm();
  ASSERT_TRUE(story->until(State::ready));
  begin({});
  bench().says[{supply, Verb::drain_errors}] = {Ending::done, 1};
  EXPECT_EQ(arm(), Refusal::instrument_errors);
}

TEST_F(Arming, refuses_a_setpoint_that_is_not_proved) {  // S1
  bench().says[{supply, Verb::set_current}] = {Ending::disproved, 1.0};
  EXPECT_EQ(arm(), Refusal::setpoint_not_proved);
  begin({});
  bench().says[{supply, Verb::set_voltage}] = {Ending::device_error, 0};
  EXPECT_EQ(arm(), Refusal::setpoint_not_proved);
}

TEST_F(Arming, refuses_when_the_instruments_protection_cannot_be_armed) {  // S1
  bench().says[{supply, Verb::set_over_voltage}] = {Ending::disproved, 20};
  EXPECT_EQ(arm(), Refusal::protection_not_armed);
  begin({});
  bench().says[{supply, Verb::set_over_current}] = {Ending::device_error, 0};
  EXPECT_EQ(arm(), Refusal::protection_not_armed);
}

TEST_F(Arming, does_not_ask_for_a_protection_that_the_instrument_lacks) {  // S1
  ChannelPlan plan = plan_of();
  plan.abilities.over_voltage_protection = false;
  plan.abilities.over_current_protection = false;
  plan.abilities.reads_protection = false;
  plan.abilities.drains_errors = false;
  story = std::make_unique<GuardStory>(plan);
  ASSERT_TRUE(story->start_to_ready());
  EXPECT_EQ(bench().count(Verb::set_over_voltage), 0);
  EXPECT_EQ(bench().count(Verb::read_protection), 0);
  EXPECT_EQ(bench().count(Verb::drain_errors), 0);
}

TEST_F(Arming, refuses_a_tripped_protection_until_it_is_acknowledged) {  // S1 S5
  bench().protection = 1;
  EXPECT_EQ(arm(), Refusal::protection_was_tripped);
  EXPECT_EQ(arm(), Refusal::protection_was_tripped);
  EXPECT_EQ(story->channel().refusal, Refusal::protection_was_tripped);
  story->ask(Request::Kind::acknowledge);
  story->pass(10ms);
  EXPECT_EQ(bench().protection, 0);
  EXPECT_EQ(story->channel().refusal, Refusal::none);
  EXPECT_TRUE(story->happened(Event::Kind::acknowledged));
  story->arm();
  EXPECT_TRUE(story->until(State::ready));
}

TEST_F(Arming, refuses_an_output_that_does_not_go_off) {  // S1
  bench().says[{supply, Verb::output_off}] = {Ending::disproved, 1};
  EXPECT_EQ(arm(), Refusal::output_not_off);
}

TEST_F(Arming, judges_the_open_circuit_voltage_before_the_contactor_closes) {  // S1
  struct {
    double volts;
    Refusal expected;
  } const cases[] = {{2.50, Refusal::none},
                     {2.499, Refusal::open_circuit_implausible},
                     {4.20, Refusal::none},
                     {4.2501, Refusal::open_circuit_implausible},
                     {8.39, Refusal::open_circuit_implausible},
                     {0.0, Refusal::open_circuit_implausible},
                     {-0.09, Refusal::open_circuit_implausible},
                     {-0.11, Refusal::polarity_reversed},
                     {-3.7, Refusal::polarity_reversed}};
  for (const auto& c : cases) {
    begin({.contactor = true});
    bench().inner_voltage = c.volts;
    if (c.expected == Refusal::none) {
      story->arm();
      EXPECT_TRUE(story->until(State::ready)) << c.volts;
    } else {
      EXPECT_EQ(arm(), c.expected) << c.volts;
      EXPECT_EQ(bench().count(Verb::close_switch), 0) << c.volts;
    }
  }
}

TEST_F(Arming, lets_an_empty_capacitor_pass_and_a_reversed_one_not) {  // S1
  RunPlan run = run_plan();
  run.limits.voltage_below.reset();
  run.open_circuit_min = drivers::volts(-0.05);
  begin({});
  bench().inner_voltage = -0.01;
  story->arm(run);
  EXPECT_TRUE(story->until(State::ready));
  begin({});
  bench().inner_voltage = -0.2;
  EXPECT_EQ(arm(run), Refusal::polarity_reversed);
}

TEST_F(Arming, looks_through_the_contactor_where_the_source_is_the_only_voltmeter) {  // S1
  begin({.voltmeter = false, .contactor = true});
  story->arm();
  ASSERT_TRUE(story->until(State::ready)) << key_of(story->last_refusal());
  begin({.voltmeter = false, .contactor = true});
  bench().inner_voltage = 1.0;
  EXPECT_EQ(arm(), Refusal::open_circuit_implausible);
  EXPECT_FALSE(bench().contactor_closed);
}

TEST_F(Arming, refuses_a_contactor_that_does_not_close) {  // S1
  bench().says[{contactor, Verb::close_switch}] = {Ending::disproved, 0};
  EXPECT_EQ(arm(), Refusal::contactor_not_proved);
}

TEST_F(Arming, refuses_a_contactor_that_is_welded) {  // S1 S4
  bench().contactor_welded = true;
  EXPECT_EQ(arm(), Refusal::contactor_not_proved);
  EXPECT_EQ(bench().count(Verb::close_switch), 0);
}

TEST_F(Arming, refuses_a_sensor_that_is_not_fresh) {  // S1
  for (const Ending ending : {Ending::not_a_number, Ending::unparsable, Ending::infinite}) {
    begin({});
    bench().says[{thermometer, Verb::measure_temperature}] = {ending, 0};
    EXPECT_EQ(arm(), Refusal::reading_not_fresh);
  }
  begin({});
  bench().says[{thermometer, Verb::measure_temperature}] = {Ending::done, NAN};
  EXPECT_EQ(arm(), Refusal::reading_not_fresh);
  begin({.contactor = true});
  bench().says[{voltmeter, Verb::measure_voltage}] = {Ending::not_a_number, 0};
  EXPECT_EQ(arm(), Refusal::reading_not_fresh);
  begin({.ammeter = true});
  bench().says[{ammeter, Verb::measure_current}] = {Ending::not_a_number, 0};
  EXPECT_EQ(arm(), Refusal::reading_not_fresh);
}

TEST_F(Arming, refuses_when_current_flows_with_the_output_off) {  // S1
  begin({});
  bench().says[{supply, Verb::measure_current}] = {Ending::done, 0.021};
  story->arm();
  story->pass(300ms);
  EXPECT_EQ(story->last_refusal(), Refusal::output_not_off);
  begin({.ammeter = true});
  bench().says[{supply, Verb::measure_current}] = {Ending::done, -0.021};
  story->arm();
  story->pass(300ms);
  EXPECT_EQ(story->last_refusal(), Refusal::output_not_off);
}

TEST_F(Arming, refuses_fewer_thermometers_than_the_policy_demands) {
  RunPlan run = run_plan();
  run.thermometers_needed = 2;
  EXPECT_EQ(arm(run), Refusal::too_few_thermometers);
}

TEST_F(Arming, refuses_limits_that_are_not_approved) {  // S1
  RunPlan run = run_plan();
  run.approved = false;
  EXPECT_EQ(arm(run), Refusal::limits_not_approved);
  EXPECT_EQ(bench().count(Verb::identify), 0);
}

TEST_F(Arming, refuses_a_defective_plan) {  // S1
  const auto spoiled = [&](auto spoil) {
    RunPlan run = run_plan();
    spoil(run);
    return arm(run);
  };
  EXPECT_EQ(spoiled([](RunPlan& r) { r.limits.current_above.reset(); }), Refusal::limits_defective);
  EXPECT_EQ(spoiled([](RunPlan& r) { r.full = drivers::volts(NAN); }), Refusal::limits_defective);
  EXPECT_EQ(spoiled([](RunPlan& r) { r.full = drivers::volts(0); }), Refusal::limits_defective);
  EXPECT_EQ(spoiled([](RunPlan& r) { r.full = 4.26_V; }), Refusal::limits_defective);
  EXPECT_EQ(spoiled([](RunPlan& r) { r.lead_compensation_max = drivers::volts(-0.1); }),
            Refusal::limits_defective);
  EXPECT_EQ(spoiled([](RunPlan& r) { r.lead_compensation_max = drivers::volts(INFINITY); }),
            Refusal::limits_defective);
  EXPECT_EQ(spoiled([](RunPlan& r) { r.open_circuit_max = 2.5_V; }), Refusal::limits_defective);
  EXPECT_EQ(spoiled([](RunPlan& r) { r.over_voltage_protection = 4.19_V; }),
            Refusal::limits_defective);
  EXPECT_EQ(spoiled([](RunPlan& r) { r.over_current_protection = drivers::amperes(0); }),
            Refusal::limits_defective);
}

TEST_F(Arming, trips_by_name_when_a_limit_is_beyond_already) {  // S2
  bench().celsius[0] = 3.0;
  story->arm();
  ASSERT_TRUE(story->until(State::tripped));
  EXPECT_EQ(story->trip(), Cause::temperature_low);
  EXPECT_EQ(bench().count(Verb::output_on), 0);
}

TEST_F(Arming, trips_on_a_cell_that_is_too_warm_before_it_is_ever_ready) {  // S2
  bench().celsius[0] = 49;
  story->arm();
  ASSERT_TRUE(story->until(State::tripped));
  EXPECT_EQ(story->trip(), Cause::temperature_high);
  for (const Event& event : story->events) {
    EXPECT_FALSE(event.kind == Event::Kind::state_changed && event.to == State::ready);
  }
}

TEST_F(Arming, is_given_up_by_a_finish) {
  story->arm();
  ASSERT_EQ(story->state(), State::arming);
  story->ask(Request::Kind::finish);
  EXPECT_TRUE(story->until(State::off));
  story->pass(1s);
  EXPECT_EQ(story->state(), State::off);
}

TEST_F(Arming, is_refused_while_a_run_is_on) {
  story->arm();
  ASSERT_TRUE(story->until(State::ready));
  story->arm();
  story->settle();
  EXPECT_EQ(story->last_refusal(), Refusal::wrong_state);
  EXPECT_EQ(story->state(), State::ready);
}

TEST(ArmingStages, name_the_refusal_of_the_stage_whose_order_failed) {  // S1
  const struct {
    drivers::InstrumentId instrument;
    Verb verb;
    Ending ending;
    Refusal refusal;
  } cases[] = {
      {supply, Verb::drain_errors, Ending::unparsable, Refusal::instrument_errors},
      {supply, Verb::output_off, Ending::disproved, Refusal::output_not_off},
      {supply, Verb::read_protection, Ending::unparsable, Refusal::protection_was_tripped},
      {supply, Verb::set_voltage, Ending::disproved, Refusal::setpoint_not_proved},
      {supply, Verb::set_over_voltage, Ending::disproved, Refusal::protection_not_armed},
      {contactor, Verb::open_switch, Ending::disproved, Refusal::contactor_not_proved},
      {contactor, Verb::close_switch, Ending::disproved, Refusal::contactor_not_proved},
      {supply, Verb::drain_errors, Ending::timed_out, Refusal::instrument_unreachable},
  };
  for (const auto& c : cases) {
    GuardStory story({.contactor = true});
    story.start();
    ASSERT_TRUE(story.until(State::off));
    story.arm();
    story.bench.says[{c.instrument, c.verb}] = {c.ending, 1};
    ASSERT_TRUE(story.until(State::unknown)) << key_of(c.refusal);
    EXPECT_EQ(story.last_refusal(), c.refusal) << key_of(story.last_refusal());
    EXPECT_EQ(story.bench.count(Verb::output_on), 0);
  }
}

TEST(ArmingStages, take_no_longer_than_is_allowed_in_all) {  // S1
  ChannelPlan plan = plan_of();
  plan.arm_within = 1s;
  GuardStory story(plan);
  story.start();
  ASSERT_TRUE(story.until(State::off));
  story.bench.latency = 400ms;  // each stage is borne, all of them together are not
  story.arm();
  ASSERT_TRUE(story.until(State::arming));
  ASSERT_TRUE(story.until(State::unknown));
  EXPECT_EQ(story.last_refusal(), Refusal::took_too_long);
}

TEST(ArmingStages, forget_answers_that_come_after_they_ended) {  // S1
  GuardStory story;
  story.start();
  ASSERT_TRUE(story.until(State::off));
  story.bench.latency = 50ms;
  story.arm();
  story.pass(60ms);
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  story.pass(1s);
  EXPECT_EQ(story.state(), State::off);
}

}  // namespace
}  // namespace chargewright::safety::testing

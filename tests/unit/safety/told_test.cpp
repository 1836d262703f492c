// What a guard tells whoever records and shows: the snapshot, and an event for everything (S5, S8,
// S10).
#include <gtest/gtest.h>

#include <algorithm>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

std::vector<Event> all(const GuardStory& story, Event::Kind kind) {
  std::vector<Event> found;
  for (const Event& event : story.events) {
    if (event.kind == kind) found.push_back(event);
  }
  return found;
}

// With a number of its own, which the answer repeats.
void ask(GuardStory& story, Request request, std::uint32_t number) {
  request.number = number;
  story.guard.request(request, story.now);
}
Request charging(double volts, double amperes, std::uint16_t step = 1) {
  Request request;
  request.kind = Request::Kind::charge;
  request.step = step;
  request.voltage = drivers::volts(volts);
  request.current = drivers::amperes(amperes);
  return request;
}
Request of(Request::Kind kind, std::uint16_t step = 0) {
  Request request;
  request.kind = kind;
  request.step = step;
  return request;
}

TEST(ASnapshot, shows_everything_of_a_channel_that_charges) {
  GuardStory story(Fittings{.ammeter = true, .thermometers = 2});
  story.bench.celsius = {25.5, 26.5};
  story.bench.lead_resistance = 0.010;
  story.charge_on();
  story.pass(10s);
  Snapshot snapshot;
  story.guard.snapshot(snapshot, story.now);
  EXPECT_EQ(snapshot.at, story.now);
  EXPECT_EQ(snapshot.channels, 1);
  EXPECT_EQ(snapshot.events_lost, 0U);
  const ChannelSnapshot& channel = snapshot.channel[0];
  EXPECT_EQ(channel.state, State::energised);
  EXPECT_EQ(channel.refusal, Refusal::none);
  EXPECT_EQ(channel.trip.cause, Cause::none);
  EXPECT_EQ(channel.alarm.cause, Cause::none);
  EXPECT_FALSE(channel.in_doubt);
  EXPECT_NEAR(channel.voltage.value, 3.772, 1e-9);
  EXPECT_NEAR(channel.source_voltage.value, 3.796, 1e-9);
  EXPECT_NEAR(channel.current.value, 2.4, 1e-9);
  EXPECT_EQ(channel.thermometers, 2);
  EXPECT_EQ(channel.temperatures[0].value, 25.5);
  EXPECT_EQ(channel.temperatures[1].value, 26.5);
  EXPECT_TRUE(channel.output_on);
  EXPECT_EQ(channel.regulation, 2);
  EXPECT_EQ(channel.voltage_setpoint, 4.20);
  EXPECT_EQ(channel.current_setpoint, 2.4);
  EXPECT_NEAR(channel.charge_in, 2.4 * drivers::in_seconds(channel.on_time), 0.5);
  EXPECT_EQ(channel.charge_out, 0);
  EXPECT_GT(channel.energy_in, 3.7 * channel.charge_in);
  EXPECT_EQ(channel.energy_out, 0);
  EXPECT_EQ(channel.step, 1);
  EXPECT_EQ(channel.arms, 1U);
  EXPECT_EQ(channel.limits.current_above->value, 7.2_A);
}

TEST(ASnapshot, shows_what_flows_out_of_the_cell_apart) {
  GuardStory story;
  story.charge_on();
  const double before = story.channel().charge_in;
  story.bench.says[{supply, Verb::measure_current}] = {Ending::done, -0.1};
  story.pass(300ms);
  story.pass(10s);
  EXPECT_NEAR(story.channel().charge_out, 1.0, 0.05);
  EXPECT_NEAR(story.channel().energy_out, 3.7, 0.3);
  EXPECT_LT(story.channel().charge_in, before + 0.3);
}

TEST(ASnapshot, renews_the_limits_with_each_arm_and_only_then) {
  GuardStory story;
  story.charge_on();
  Snapshot snapshot;
  story.guard.snapshot(snapshot, story.now);
  snapshot.channel[0].limits.current_above->value = 1.0_A;
  story.guard.snapshot(snapshot, story.now);
  EXPECT_EQ(snapshot.channel[0].limits.current_above->value, 1.0_A);
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  RunPlan other = run_plan();
  other.limits.current_above = limit(3.0_A);
  story.arm(other);
  story.guard.snapshot(snapshot, story.now);
  EXPECT_EQ(snapshot.channel[0].arms, 2U);
  EXPECT_EQ(snapshot.channel[0].limits.current_above->value, 3.0_A);
  EXPECT_EQ(snapshot.channel[0].step, 0);  // of the run before
}

TEST(ASnapshot, shows_an_output_as_it_was_read_back_last) {  // S3
  GuardStory story;
  EXPECT_FALSE(story.channel().output_on);  // never read
  story.charge_on();
  EXPECT_TRUE(story.channel().output_on);
  story.ask(Request::Kind::rest, 2);
  story.pass(2s);
  EXPECT_FALSE(story.channel().output_on);
}

TEST(ASnapshot, shows_the_thermometers_that_there_are_and_touches_no_other) {
  GuardStory story;
  story.charge_on();
  Snapshot snapshot;
  snapshot.channel[0].temperatures[1].value = 4711;
  story.guard.snapshot(snapshot, story.now);
  EXPECT_EQ(snapshot.channel[0].thermometers, 1);
  EXPECT_EQ(snapshot.channel[0].temperatures[0].value, 25);
  EXPECT_EQ(snapshot.channel[0].temperatures[1].value, 4711);
}

TEST(ASnapshot, shows_the_regulation_that_was_last_read_whatever_number_it_is) {
  GuardStory story;
  story.charge_on();
  const auto shown = [&](Ending ending, double value) {
    story.guard.see(outcome(supply, 0, Verb::read_regulation, value, story.now, ending), story.now);
    return story.channel().regulation;
  };
  EXPECT_EQ(shown(Ending::done, 1), 1);
  EXPECT_EQ(shown(Ending::timed_out, 2), 1);
  EXPECT_EQ(shown(Ending::done, -5), 0);
  EXPECT_EQ(shown(Ending::done, 255), 255);
  EXPECT_EQ(shown(Ending::done, 300), 255);
}

TEST(ASnapshot, shows_the_last_good_value_with_what_the_newest_answer_was) {  // S2
  GuardStory story;
  story.charge_on();
  story.bench.says[{voltmeter, Verb::measure_voltage}] = {Ending::unparsable, 0};
  story.pass(150ms);
  EXPECT_EQ(story.channel().voltage.validity, drivers::Validity::unparsable);
  EXPECT_NEAR(story.channel().voltage.value, 3.772, 1e-9);
}

TEST(ASnapshot, keeps_the_refusal_of_an_arm_until_the_next_and_forgets_it_then) {
  GuardStory story;
  story.start();
  story.until(State::off);
  story.bench.misbehave[voltmeter].wrong_identity = true;
  story.arm();
  ASSERT_TRUE(story.until(State::unknown));
  EXPECT_EQ(story.channel().refusal, Refusal::identity_mismatch);
  ASSERT_TRUE(story.until(State::off));
  story.bench.misbehave[voltmeter].wrong_identity = false;
  story.arm();
  EXPECT_EQ(story.channel().refusal, Refusal::none);
  ASSERT_TRUE(story.until(State::ready));
}

TEST(Events, tell_each_reading_with_its_step_and_whether_it_is_the_sources_own) {  // S10
  GuardStory story(Fittings{.ammeter = true});
  story.charge_on();
  story.events.clear();
  const Instant began = story.now;
  story.pass(1s);
  int voltages = 0, currents = 0, temperatures = 0, at_source = 0;
  for (const Event& event : all(story, Event::Kind::reading)) {
    EXPECT_EQ(event.channel, 0);
    EXPECT_EQ(event.step, 1);
    EXPECT_GE(event.at, began);
    EXPECT_TRUE(event.reading.valid());
    EXPECT_EQ(event.at_source, event.reading.instrument == supply);
    at_source += event.at_source ? 1 : 0;
    voltages += event.reading.measurand == drivers::Measurand::voltage ? 1 : 0;
    currents += event.reading.measurand == drivers::Measurand::current ? 1 : 0;
    temperatures += event.reading.measurand == drivers::Measurand::temperature ? 1 : 0;
  }
  EXPECT_NEAR(voltages, 20, 2);  // ten a second, at each of two places
  EXPECT_NEAR(currents, 20, 2);
  EXPECT_NEAR(temperatures, 10, 1);
  EXPECT_NEAR(at_source, 20, 2);
}

TEST(Events, call_no_reading_the_sources_own_where_the_source_is_the_meter) {
  GuardStory story(Fittings{.voltmeter = false});
  story.charge_on();
  for (const Event& event : all(story, Event::Kind::reading)) EXPECT_FALSE(event.at_source);
}

TEST(Events, answer_a_request_by_its_number) {
  GuardStory story;
  story.start();
  story.until(State::off);
  Request arming = of(Request::Kind::arm);
  arming.plan = run_plan();
  ask(story, arming, 100);
  ASSERT_TRUE(story.until(State::ready));
  for (const Event& event : all(story, Event::Kind::state_changed)) {
    const bool of_the_run = event.to == State::arming || event.to == State::ready;
    EXPECT_EQ(event.number, of_the_run ? 100U : 0U);
  }
  ask(story, charging(4.2, 2.0, 3), 101);
  ASSERT_TRUE(story.until(State::energised));
  story.pass(100ms);
  const Event* set = story.last(Event::Kind::setpoints_set);
  ASSERT_NE(set, nullptr);
  EXPECT_EQ(set->number, 101U);
  EXPECT_TRUE(set->on);
  EXPECT_EQ(set->volts, 4.2);
  EXPECT_EQ(set->amperes, 2.0);
  EXPECT_EQ(set->step, 3);
  const Event* on = story.last(Event::Kind::output_changed);
  ASSERT_NE(on, nullptr);
  EXPECT_TRUE(on->on);
  EXPECT_EQ(on->number, 101U);
  EXPECT_EQ(on->volts, 4.2);
  EXPECT_EQ(on->amperes, 2.0);
  ask(story, charging(4.2, 99, 3), 102);
  story.settle();
  const Event* refused = story.last(Event::Kind::refused);
  ASSERT_NE(refused, nullptr);
  EXPECT_EQ(refused->number, 102U);
  EXPECT_EQ(refused->fault.measured, 99);
  EXPECT_EQ(refused->fault.limit, 7.2);
  ask(story, of(Request::Kind::rest, 4), 103);
  ASSERT_TRUE(story.until(State::ready));
  const Event* off = story.last(Event::Kind::output_changed);
  EXPECT_FALSE(off->on);
  EXPECT_EQ(off->number, 103U);
  EXPECT_EQ(off->step, 4);
  ask(story, charging(4.2, 2.0, 5), 104);
  ASSERT_TRUE(story.until(State::energised));
  story.pass(100ms);
  // The end of the run: the output went off for the arm that began it.
  ask(story, of(Request::Kind::finish), 105);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_FALSE(story.last(Event::Kind::output_changed)->on);
  EXPECT_EQ(story.last(Event::Kind::output_changed)->number, 100U);
  for (const Request& late :
       {of(Request::Kind::finish), of(Request::Kind::rest), of(Request::Kind::acknowledge)}) {
    ask(story, late, 106 + static_cast<std::uint32_t>(late.kind));
    story.settle();
    refused = story.last(Event::Kind::refused);
    EXPECT_EQ(refused->number, 106 + static_cast<std::uint32_t>(late.kind));
    EXPECT_EQ(refused->refusal, Refusal::wrong_state);
    EXPECT_EQ(refused->fault.measured, 0);  // it is not of anything measured
    EXPECT_EQ(refused->fault.limit, 0);
  }
  ask(story, of(Request::Kind::arm), 120);  // without a plan
  story.settle();
  refused = story.last(Event::Kind::refused);
  EXPECT_EQ(refused->number, 120U);
  EXPECT_EQ(refused->refusal, Refusal::limits_defective);
  EXPECT_EQ(refused->fault.measured, 0);
  EXPECT_EQ(refused->fault.limit, 0);
}

TEST(Events, tell_what_a_permissive_measured_and_where) {  // S1
  GuardStory story;
  story.start();
  story.until(State::off);
  story.bench.inner_voltage = 4.30;
  Request arming = of(Request::Kind::arm);
  arming.plan = run_plan();
  ask(story, arming, 7);
  ASSERT_TRUE(story.until(State::unknown));
  const Event* refused = story.last(Event::Kind::refused);
  ASSERT_NE(refused, nullptr);
  EXPECT_EQ(refused->refusal, Refusal::open_circuit_implausible);
  EXPECT_EQ(refused->fault.measured, 4.30);
  EXPECT_EQ(refused->fault.limit, 4.25);
  EXPECT_EQ(refused->number, 7U);
}

TEST(Events, tell_an_output_that_is_off_once) {
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::rest, 2);
  ASSERT_TRUE(story.until(State::ready));
  const std::size_t before = all(story, Event::Kind::output_changed).size();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  EXPECT_EQ(all(story, Event::Kind::output_changed).size(), before);
}

TEST(Events, tell_an_acknowledgement_with_the_trip_that_it_ends) {  // S5
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  story.arm();
  story.settle();
  EXPECT_EQ(story.channel().refusal, Refusal::latched_trip);
  ask(story, of(Request::Kind::acknowledge), 11);
  story.settle();
  EXPECT_EQ(story.channel().refusal, Refusal::none);
  const Event* acknowledged = story.last(Event::Kind::acknowledged);
  ASSERT_NE(acknowledged, nullptr);
  EXPECT_EQ(acknowledged->number, 11U);
  EXPECT_EQ(acknowledged->fault.cause, Cause::operator_cut);
  ASSERT_TRUE(story.until(State::off));
  ask(story, of(Request::Kind::acknowledge), 12);  // of nothing
  story.settle();
  EXPECT_EQ(story.last_refusal(), Refusal::wrong_state);
  EXPECT_EQ(story.last(Event::Kind::refused)->number, 12U);
}

TEST(Events, tell_a_warm_cell_after_the_run_once_and_anew_when_it_comes_back) {  // S8
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::finish);
  ASSERT_TRUE(story.until(State::off));
  const auto alarms = [&] { return all(story, Event::Kind::alarm).size(); };
  story.bench.celsius[0] = 60;
  story.pass(10s);
  EXPECT_EQ(alarms(), 1U);
  story.bench.celsius[0] = 30;
  story.pass(3s);
  EXPECT_EQ(story.channel().alarm.cause, Cause::none);
  story.bench.celsius[0] = 61;
  story.pass(3s);
  EXPECT_EQ(alarms(), 2U);
}

TEST(Events, tell_each_cause_of_a_cut_once_and_no_sequencer_that_stopped_because_of_it) {  // S5
  GuardStory story;
  story.charge_on();
  story.bench.ignores_off = true;
  story.bench.celsius[0] = 50;
  ASSERT_TRUE(story.until(State::cutting));
  story.sequencer_lives = false;
  story.pass(10s);
  const std::vector<Cause> causes = story.causes_present();
  EXPECT_EQ(std::count(causes.begin(), causes.end(), Cause::temperature_high), 1);
  EXPECT_EQ(std::count(causes.begin(), causes.end(), Cause::sequencer_late), 0);
}

TEST(Events, tell_the_causes_of_the_next_trip_anew) {  // S5
  GuardStory story;
  for (int trips = 1; trips <= 2; ++trips) {
    if (trips == 1) {
      story.charge_on();
    } else {
      story.arm();
      ASSERT_TRUE(story.until(State::ready));
    }
    story.bench.celsius[0] = 50;
    ASSERT_TRUE(story.until(State::tripped));
    const std::vector<Cause> causes = story.causes_present();
    EXPECT_EQ(std::count(causes.begin(), causes.end(), Cause::temperature_high), trips);
    story.bench.celsius[0] = 30;
    story.pass(60s);
    story.ask(Request::Kind::acknowledge);
    ASSERT_TRUE(story.until(State::off));
  }
}

TEST(Events, name_the_fault_behind_an_output_that_cannot_be_proved_off_at_start) {  // S4 S6
  for (const bool answers : {true, false}) {
    GuardStory story;
    story.bench.output = true;
    story.bench.ignores_off = true;
    story.bench.misbehave[supply].mute = !answers;
    story.start();
    ASSERT_TRUE(story.until(State::cutting));
    EXPECT_EQ(story.trip(), answers ? Cause::output_on_unbidden : Cause::conversation_failing);
    EXPECT_EQ(story.channel().trip.sensor, subject(Subject::output));
    EXPECT_EQ(story.causes_present().front(), story.trip());
    ASSERT_TRUE(story.happened(Event::Kind::alarm));
    EXPECT_EQ(story.last(Event::Kind::alarm)->fault.cause, story.trip());
    EXPECT_NE(story.channel().alarm.cause, Cause::none);
  }
}

TEST(Events, tell_a_link_to_each_channel_that_uses_it) {
  Plant plant = plant_of(plan_of());
  plant.channels.push_back(plan_of());
  plant.channels[1].source = plant.channels[1].ammeter = {ammeter, 0};
  Guard guard(plant);
  const auto told = [&](drivers::InstrumentId instrument) {
    guard.link_changed(instrument, false, at(0s));
    std::vector<int> channels;
    for (Event event; guard.take_event(event);) channels.push_back(event.channel);
    return channels;
  };
  EXPECT_EQ(told(supply), std::vector{0});
  EXPECT_EQ(told(ammeter), std::vector{1});
  EXPECT_EQ(told(voltmeter), (std::vector{0, 1}));
  EXPECT_EQ(told(contactor), std::vector{0});  // of nobody: told all the same
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

TEST(Guard, makes_no_events_where_nobody_listens) {
  GuardStory story;
  story.guard.listen(false);
  story.charge_on();
  EXPECT_EQ(story.state(), State::energised);
  EXPECT_TRUE(story.events.empty());
}

}  // namespace
}  // namespace chargewright::safety::testing

// What a person at the bench can do wrong, each noticed by its own name (S1, S3): leads, cells and
// sensors that come off, are changed or lie the wrong way round.
#include <gtest/gtest.h>

#include <cmath>

#include "safety/flow.h"
#include "safety/resting_voltage.h"
#include "safety/warming.h"
#include "support.h"

namespace chargewright::safety::testing {
namespace {

Fittings supply_alone() { return {.voltmeter = false, .thermometers = 1}; }

TEST(LeadOff, is_an_open_circuit_where_the_meter_still_sits_on_the_cell) {  // S3
  GuardStory story;
  story.charge_on();
  story.bench.lead_off = true;
  ASSERT_TRUE(story.until(State::tripped, 5s));
  EXPECT_EQ(story.trip(), Cause::circuit_open);
  EXPECT_FALSE(story.bench.output);
}

TEST(LeadOff, is_an_open_circuit_where_only_the_supply_measures) {  // S3
  GuardStory story(supply_alone());
  story.charge_on();
  story.bench.lead_off = true;
  ASSERT_TRUE(story.until(State::tripped, 5s));
  EXPECT_EQ(story.trip(), Cause::circuit_open);
}

TEST(LeadOff, before_the_output_goes_on_is_an_open_circuit) {  // S3
  GuardStory story(supply_alone());
  story.start();
  story.until(State::off);
  RunPlan run = run_plan();
  run.limits.voltage_below = limit(-100.0_mV, Origin::cell);  // a capacitor: 0 V is plausible
  run.open_circuit_min = -100.0_mV;
  story.bench.lead_off = true;
  story.arm(run);
  ASSERT_TRUE(story.until(State::ready));
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  ASSERT_TRUE(story.until(State::tripped, 5s));
  EXPECT_EQ(story.trip(), Cause::circuit_open);
}

// Where the terminals stood before is what was read before the order, not before its answer.
TEST(LeadOff, before_the_output_goes_on_is_told_from_a_full_cell_by_what_stood_there) {  // S3
  GuardStory story(supply_alone());
  story.start();
  story.until(State::off);
  RunPlan run = run_plan();
  run.limits.voltage_below = limit(-100.0_mV, Origin::cell);
  run.open_circuit_min = -100.0_mV;
  story.bench.lead_off = true;
  story.arm(run);
  ASSERT_TRUE(story.until(State::ready));
  story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  ASSERT_TRUE(story.until(State::energised));  // ordered on, and not answered
  story.guard.see(outcome(supply, 0, Verb::measure_voltage, 4.20, story.now), story.now);
  ASSERT_TRUE(story.until(State::tripped, 5s));
  EXPECT_EQ(story.trip(), Cause::circuit_open);
}

// From the first reading without current on, before it trips: no step may end by that current.
TEST(LeadOff, puts_the_readings_in_doubt_at_once) {  // S3
  for (const Fittings& fittings : {Fittings{}, supply_alone()}) {
    GuardStory story(fittings);
    story.charge_on();
    EXPECT_FALSE(story.channel().in_doubt);
    story.bench.lead_off = true;
    while (story.channel().current.value > 0.02) {
      ASSERT_EQ(story.state(), State::energised);
      story.pass(1ms);
    }
    EXPECT_EQ(story.state(), State::energised);
    EXPECT_TRUE(story.channel().in_doubt);
  }
}

TEST(AFullCell, takes_no_current_and_is_no_open_circuit) {  // S3
  for (const Fittings& fittings : {Fittings{}, supply_alone()}) {
    GuardStory story(fittings);
    story.bench.inner_voltage = 4.2;
    story.charge_on();
    story.pass(10s);
    EXPECT_EQ(story.state(), State::energised);
    EXPECT_FALSE(story.channel().in_doubt);
  }
}

TEST(LooseLeads, are_told_from_a_meter_that_reads_too_little) {  // S3
  GuardStory loose;
  loose.charge_on();
  loose.bench.lead_resistance += 0.05;
  ASSERT_TRUE(loose.until(State::tripped, 5s));
  EXPECT_EQ(loose.trip(), Cause::leads_loose);

  GuardStory meter;
  meter.charge_on();
  meter.bench.says[{voltmeter, Verb::measure_voltage}] = {Ending::done,
                                                          meter.bench.cell_voltage() - 0.2};
  ASSERT_TRUE(meter.until(State::tripped, 5s));
  EXPECT_EQ(meter.trip(), Cause::readings_disagree);
}

TEST(LooseLeads, are_not_blamed_for_a_meter_that_is_stuck) {  // S3
  GuardStory story;
  story.start();
  story.until(State::off);
  const auto stick = [&] {
    story.bench.says[{voltmeter, Verb::measure_voltage}] = {Ending::done,
                                                            story.bench.cell_voltage()};
  };
  stick();
  story.arm();
  ASSERT_TRUE(story.until(State::ready));
  story.ask(Request::Kind::charge, 1, 4.20_V, 7.0_A);  // the source leaps by 315 mV
  ASSERT_TRUE(story.until(State::tripped, 10s));
  EXPECT_EQ(story.trip(), Cause::readings_disagree);
}

TEST(AnOutput, switched_off_at_the_panel_is_no_open_circuit) {  // S3
  GuardStory story(supply_alone());
  story.charge_on();
  story.bench.inner_voltage = 4.19;  // its terminals stay near the setpoint
  story.pass(1s);
  story.bench.output = false;
  ASSERT_TRUE(story.until(State::tripped, 10s));
  EXPECT_EQ(story.trip(), Cause::output_off_unbidden);
}

TEST(LooseLeads, are_borne_as_far_as_the_stated_leads_may_go) {  // S3
  GuardStory story;
  story.charge_on();
  story.bench.lead_resistance = 0.029;  // half as much again as 20 mohm, and no more
  story.pass(10s);
  EXPECT_EQ(story.state(), State::energised);
}

TEST(AReversedCell, is_noticed_by_that_name_in_a_run) {  // S1 S3
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::rest, 2);
  ASSERT_TRUE(story.until(State::ready));
  story.pass(2s);
  story.bench.inner_voltage = -3.7;
  ASSERT_TRUE(story.until(State::tripped, 5s));
  EXPECT_EQ(story.trip(), Cause::polarity_reversed);
}

TEST(AnotherCell, put_in_while_the_output_is_off_is_noticed_whichever_way_its_voltage_lies) {  // S1
  for (const double volts : {3.4, 4.1}) {
    GuardStory story;
    story.charge_on();
    story.ask(Request::Kind::rest, 2);
    ASSERT_TRUE(story.until(State::ready));
    story.pass(3s);
    EXPECT_EQ(story.state(), State::ready);
    story.bench.inner_voltage = volts;
    ASSERT_TRUE(story.until(State::tripped, 5s));
    EXPECT_EQ(story.trip(), Cause::cell_changed);
  }
}

TEST(ARestingCell, sinks_as_a_rested_cell_does_and_is_not_taken_for_another) {  // S3
  RestingVoltage resting;
  for (int k = 0; k < 600; ++k) {
    const double t = 1.0 * k;
    resting.see(3.7 + 0.25 * std::exp(-t / 4) + 0.1 * std::exp(-t / 120), 0.02, at(1s * k));
    EXPECT_FALSE(resting.leapt()) << t;
  }
  resting.see(3.72 + 0.05, 0.02, at(600s));
  EXPECT_TRUE(resting.leapt());
  resting.see(3.702, 0.02, at(601s));  // it was but one wild reading
  EXPECT_FALSE(resting.leapt());
}

constexpr Flow::Circumstances taper{4.2_V, 7.2_A, 3.0_mohm, 20.0_mA, {}};

TEST(AFlow, that_dies_away_ever_more_slowly_did_not_break_off) {  // S3
  // Two exponentials from 7.2 A; the fast one dies within a few readings.
  Flow flow;
  for (int k = 0; k < 400; ++k) {
    const double t = 0.1 * k;
    flow.see(7 * std::exp(-t / 0.2) + 0.3 * std::exp(-t / 5), 4.2, taper, at(100ms * k));
    ASSERT_FALSE(flow.broke_off()) << t;
  }
}

TEST(AFlow, broke_off_where_it_should_still_have_been_there) {  // S3
  for (const double last : {7.2, 0.15}) {
    Flow flow;
    flow.see(last * 1.01, 4.2, taper, at(0s));
    flow.see(last, 4.2, taper, at(100ms));
    flow.see(0, 4.2, taper, at(200ms));
    EXPECT_TRUE(flow.broke_off()) << last;
    flow.see(last, 4.2, taper, at(300ms));
    EXPECT_FALSE(flow.broke_off());
  }
}

TEST(AFlow, may_fall_as_far_as_a_lowered_setpoint_explains) {  // S3
  Flow flow;
  flow.see(2.0, 4.2, taper, at(0s));
  flow.see(2.0, 4.2, taper, at(100ms));
  Flow::Circumstances lowered = taper;
  lowered.voltage_setpoint = 4.19_V;  // 10 mV over 3 mohm: 3.3 A
  flow.see(0, 4.2, lowered, at(200ms));
  EXPECT_FALSE(flow.broke_off());

  Flow folded;
  folded.see(2.0, 4.2, taper, at(0s));
  lowered = taper;
  lowered.current_setpoint = 10.0_mA;
  folded.see(0.01, 4.2, lowered, at(100ms));
  EXPECT_FALSE(folded.broke_off());
}

TEST(AFlow, may_stop_within_one_reading_where_the_capacitor_is_that_fast) {  // S3
  for (const bool fast : {false, true}) {
    Flow flow;
    Flow::Circumstances full = taper;
    if (fast) full.fall_time = 10ms;
    flow.see(3.7, 2.69, full, at(0s));
    flow.see(3.7, 2.70, full, at(100ms));
    flow.see(0, 2.70, full, at(200ms));
    EXPECT_EQ(flow.broke_off(), !fast);
  }
}

// The cell's own meter decides: a full cell keeps its voltage when its current stops, one whose
// lead came off lets go of what the current dropped in it.
TEST(AFastCapacitor, that_is_full_is_told_from_an_open_lead_by_the_meter_at_its_terminals) {  // S3
  for (const bool lead_off : {false, true}) {
    GuardStory story;
    story.bench.cell_resistance = 0.002;
    story.charge_on();
    ASSERT_EQ(story.state(), State::energised);
    if (lead_off) {
      story.bench.lead_off = true;
    } else {
      story.bench.inner_voltage = 4.2;  // full, between two readings
    }
    story.pass(3s);
    EXPECT_EQ(story.trip(), lead_off ? Cause::circuit_open : Cause::none);
    EXPECT_EQ(story.state(), lead_off ? State::tripped : State::energised);
    if (!lead_off) {
      EXPECT_FALSE(story.channel().in_doubt);
    }
  }
}

// 7.2 A through 30 mohm into 50 J/K: 1.9 K in a minute, at the least.
const Body radio_cell{30.0_mohm, drivers::joules_per_kelvin(50)};

struct Heated {
  Warming warming;
  FollowedWarming sensor;
  int second = 0;
  explicit Heated(const Body& body) { warming.begin(body); }
  // `kelvins_per_second`: what the thermometer shows.
  void pass(int seconds, double amperes, double kelvins_per_second) {
    for (int k = 0; k < seconds; ++k) {
      warming.see(amperes, at(1s * second++));
      celsius += kelvins_per_second;
      sensor.see(celsius, warming.least(), at(1s * second));
    }
  }
  double celsius = 25;
};

TEST(AThermometer, that_does_not_rise_with_strong_heating_is_behind) {  // S3
  Heated off(radio_cell);
  off.pass(60, 7.2, 0);
  EXPECT_FALSE(off.sensor.behind());
  off.pass(120, 7.2, 0);
  EXPECT_TRUE(off.sensor.behind());
  Heated on(radio_cell);
  on.pass(600, 7.2, 0.02);
  EXPECT_FALSE(on.sensor.behind());
}

TEST(AThermometer, that_falls_to_the_room_in_the_middle_of_the_heating_is_behind) {  // S3
  Heated story(radio_cell);
  story.pass(600, 7.2, 0.02);
  EXPECT_FALSE(story.sensor.behind());
  story.pass(12, 7.2, -1);
  EXPECT_TRUE(story.sensor.behind());
}

TEST(AThermometer, that_falls_faster_than_a_cell_can_cool_has_come_off_whatever_flows) {  // S3
  Heated on({});
  on.celsius = 45;
  for (int k = 0; k < 100; ++k) on.pass(1, 0, -(on.celsius - 20) / 300);  // in a draught
  EXPECT_FALSE(on.sensor.behind());
  Heated off({});
  off.celsius = 45;
  off.pass(20, 0, 0);
  for (int k = 0; k < 20; ++k) off.pass(1, 0, -(off.celsius - 20) / 8);
  EXPECT_TRUE(off.sensor.behind());
}

TEST(AThermometer, is_not_judged_where_the_cell_is_not_known_or_hardly_warms) {  // S3
  Heated unknown({});
  unknown.pass(3600, 20, 0);
  EXPECT_FALSE(unknown.sensor.behind());
  Heated slow(radio_cell);
  slow.pass(3600, 2.4, 0);  // 1 K at most
  EXPECT_LT(slow.warming.least(), 1.1);
  EXPECT_FALSE(slow.sensor.behind());
}

TEST(AThermometer, off_the_cell_trips_the_channel_by_that_name) {  // S3
  GuardStory story;
  story.start();
  story.until(State::off);
  RunPlan run = run_plan();
  run.limits.current_above = limit(9.0_A);
  run.over_current_protection = 9.5_A;
  run.limits.charge_above = limit(10.0_Ah);
  run.limits.power_above.reset();
  run.limits.energy_above.reset();
  run.body = radio_cell;
  story.bench.inner_voltage = 3.6;
  story.arm(run);
  ASSERT_TRUE(story.until(State::ready));
  story.ask(Request::Kind::charge, 1, 4.20_V, 7.2_A);
  ASSERT_TRUE(story.until(State::energised));
  for (int k = 0; k < 300 && story.state() == State::energised; ++k) {
    story.pass(1s);
    story.bench.inner_voltage += 0.0002;  // it lives
  }
  EXPECT_EQ(story.trip(), Cause::sensor_off_cell);
}

TEST(Advice, is_given_for_every_cause) {
  for (std::size_t k = 0; k < cause_count; ++k) {
    EXPECT_GT(advice_on(static_cast<Cause>(k)).size(), 20U) << k;
  }
}

}  // namespace
}  // namespace chargewright::safety::testing

// Cases on the edge, each a claim of its own, that no story of this room comes by.
#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "energised.h"
#include "safety/cut_chain.h"
#include "safety/gate.h"
#include "safety/permissives.h"
#include "safety/warming.h"

namespace chargewright::safety::testing {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();

// ---- limits

TEST(Limits, that_are_no_number_are_looser_than_any) {  // S2
  const Limits sound = cell_limits();
  EXPECT_TRUE(no_looser(sound, sound));
  Limits broken = sound;
  broken.voltage_above->value = drivers::volts(nan);
  EXPECT_FALSE(no_looser(broken, sound));
  EXPECT_FALSE(no_looser(sound, broken));
  broken = sound;
  broken.temperature_below->value = drivers::celsius(nan);
  EXPECT_FALSE(no_looser(broken, sound));
  EXPECT_FALSE(no_looser(sound, broken));
}

TEST(Limits, that_are_no_number_are_kept_to_be_named) {  // S2
  for (const bool ours : {true, false}) {
    Limits limits = cell_limits();
    Limits with = cell_limits();
    (ours ? limits : with).voltage_above->value = drivers::volts(nan);
    tighten(limits, with);
    EXPECT_EQ(defect(limits), "the limit on voltage above is not a usable number");
  }
}

TEST(Limits, at_once_want_a_number_too) {  // S2
  Limits limits = cell_limits();
  limits.voltage_above->at_once = AtOnce<drivers::Volts>{drivers::volts(nan), Origin::cell};
  EXPECT_EQ(defect(limits), "the limit on voltage above is not a usable number");
  limits.voltage_above->at_once->value = 4.28_V;
  EXPECT_EQ(defect(limits), "");
}

TEST(Limits, at_once_are_kept_where_they_are_the_tighter_ones) {  // S2
  Limits ours;
  ours.voltage_above = limit(4.20_V, Origin::profile, 5s);
  ours.voltage_above->at_once = AtOnce<drivers::Volts>{4.30_V, Origin::cell};
  Limits looser;
  looser.voltage_above = limit(4.40_V, Origin::policy);
  tighten(ours, looser);
  EXPECT_EQ(ours.voltage_above->at_once->value, 4.30_V);
  Limits tighter;
  tighter.voltage_above = limit(4.25_V, Origin::policy);
  tighten(ours, tighter);
  EXPECT_EQ(ours.voltage_above->value, 4.20_V);
  EXPECT_EQ(ours.voltage_above->at_once->value, 4.25_V);
  EXPECT_EQ(ours.voltage_above->at_once->origin, Origin::policy);
}

TEST(Limits, of_temperature_may_have_one_side_alone) {
  Limits limits = cell_limits();
  limits.temperature_above.reset();
  EXPECT_EQ(defect(limits), "");
  limits = cell_limits();
  limits.temperature_below.reset();
  EXPECT_EQ(defect(limits), "");
  limits.temperature_below = limit(50.0_degC);  // above the other, and then without it
  EXPECT_NE(defect(limits), "");
  limits.temperature_above.reset();
  EXPECT_EQ(defect(limits), "");
}

TEST(Gate, without_a_limit_on_voltage_has_the_full_one_for_its_bound) {  // S2
  RunPlan run = run_plan();
  run.limits.voltage_above.reset();
  EXPECT_EQ(voltage_bound(run, plan_of()), 4.30_V);
}

// ---- rules

class Below : public Energised {
 protected:
  static Limits limits() {
    Limits limits = cell_limits();
    limits.voltage_below = limit(2.50_V, Origin::profile, 5s);
    limits.voltage_below->at_once = AtOnce<drivers::Volts>{2.00_V, Origin::cell};
    return limits;
  }
  Below() : Energised(plan_of({.ammeter = true, .thermometers = 2}), limits()) {}
};

TEST_F(Below, trips_at_once_by_the_outer_limit_and_by_the_inner_one_after_its_time) {  // S2
  cell_volts = source_volts = 2.30;
  pass(4s, [] {});
  EXPECT_FALSE(names(last, Cause::voltage_low));
  cell_volts = source_volts = 1.99;
  pass(100ms, [] {});
  EXPECT_TRUE(names(last, Cause::voltage_low));
  EXPECT_EQ(interlock.found(Cause::voltage_low).limit, 2.00);
}

TEST_F(Energised, names_the_cells_own_voltage_where_both_places_are_beyond) {  // S2
  cell_volts = 4.31;
  source_volts = 4.50;
  pass(100ms, [] {});
  EXPECT_EQ(last.worst.cause, Cause::voltage_high);
  EXPECT_EQ(last.worst.sensor, subject(Subject::cell_voltage));
}

TEST_F(Energised, of_two_reported_causes_names_the_worse) {  // S4
  interlock.internal_fault(now);
  interlock.operator_wants_cut(now);
  const Verdict verdict = judge();
  EXPECT_EQ(verdict.worst.cause, Cause::operator_cut);
  EXPECT_TRUE(names(verdict, Cause::guard_internal));
}

TEST_F(Energised, keeps_the_first_of_a_cause_reported_twice_and_none_for_none) {
  interlock.report({.cause = Cause::none, .at = now});
  EXPECT_TRUE(judge().within());
  interlock.report({.cause = Cause::setpoint_changed, .measured = 1, .at = now});
  interlock.report({.cause = Cause::setpoint_changed, .measured = 2, .at = now});
  EXPECT_EQ(judge().worst.measured, 1);
}

// A bench of which the output is never read back.
TEST(AnOutputThatWasNeverRead, is_neither_on_nor_off_unbidden) {  // S3
  Interlock interlock(plan_of(), 0);
  interlock.enforce(cell_limits(), at(0s));
  for (const bool on : {false, true}) {
    Expected expected;
    expected.output_on = on;
    expected.since = at(0s);
    interlock.expect(expected);
    const Verdict verdict = interlock.judge(at(1ms));
    EXPECT_FALSE(names(verdict, Cause::output_on_unbidden));
    EXPECT_FALSE(names(verdict, Cause::output_off_unbidden));
  }
}

enum class Output { reads_on, reads_off, cannot_be_read };

// A supply alone, at 4.20 V, that feeds nothing.
bool open_after_resting_at(std::optional<double> volts, Output output = Output::reads_on,
                           double now_at = 4.20) {
  ChannelPlan plan = plan_of({.voltmeter = false});
  plan.abilities.reads_output = output != Output::cannot_be_read;
  Interlock interlock(plan, 0);
  interlock.enforce(cell_limits(), at(0s));
  if (volts) interlock.see(outcome(supply, 0, Verb::measure_voltage, *volts, at(100ms)));
  Expected expected;
  expected.output_on = true;
  expected.since = expected.setpoints_since = at(200ms);
  expected.voltage_setpoint = 4.20_V;
  expected.current_setpoint = 2.4_A;
  interlock.expect(expected);
  for (Duration t = 300ms; t < 10s; t += 100ms) {
    interlock.see(outcome(supply, 0, Verb::measure_voltage, now_at, at(t)));
    interlock.see(outcome(supply, 0, Verb::measure_current, 0, at(t)));
    if (plan.abilities.reads_output) {
      const double on = output == Output::reads_on ? 1 : 0;
      interlock.see(outcome(supply, 0, Verb::read_output, on, at(t)));
    }
    interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 25, at(t)));
    interlock.sequencer_alive(at(t));
    if (names(interlock.judge(at(t)), Cause::circuit_open)) {
      return true;
    }
  }
  return false;
}

TEST(ACellThatTakesNothing, is_full_where_it_rested_at_the_setpoint_and_else_not_connected) {  // S3
  EXPECT_FALSE(open_after_resting_at(4.19));
  EXPECT_TRUE(open_after_resting_at(3.70));
  EXPECT_FALSE(open_after_resting_at({}));  // where it rested is not known
  // An output that someone switched off looks the same; what cannot be read back is decided.
  EXPECT_FALSE(open_after_resting_at(3.70, Output::reads_off));
  EXPECT_TRUE(open_after_resting_at(3.70, Output::cannot_be_read));
}

// Within what voltmeters may disagree by, 30 mV, the source stands at its setpoint.
TEST(ACellThatTakesNothing, is_not_connected_where_the_source_stands_at_its_setpoint) {  // S3
  EXPECT_TRUE(open_after_resting_at(3.70, Output::reads_on, 4.171));
  EXPECT_FALSE(open_after_resting_at(3.70, Output::reads_on, 4.169));
  EXPECT_TRUE(open_after_resting_at(3.70, Output::reads_on, 4.20 - 0.03));
  // And it rested elsewhere where that was twice as far off.
  EXPECT_TRUE(open_after_resting_at(4.139));
  EXPECT_FALSE(open_after_resting_at(4.20 - 2 * 0.03));
}

TEST(ACellThatTakesNothing, is_full_where_its_current_died_away_wherever_it_rested_before) {  // S3
  Interlock interlock(plan_of({.voltmeter = false}), 0);
  interlock.enforce(cell_limits(), at(0s));
  interlock.see(outcome(supply, 0, Verb::measure_voltage, 3.70, at(100ms)));
  Expected expected;
  expected.output_on = true;
  expected.since = expected.setpoints_since = at(200ms);
  expected.voltage_setpoint = 4.20_V;
  expected.current_setpoint = 2.4_A;
  interlock.expect(expected);
  double amperes = 0.3;
  for (Duration t = 300ms; t < 20s; t += 100ms) {
    interlock.see(outcome(supply, 0, Verb::measure_voltage, 4.20, at(t)));
    interlock.see(outcome(supply, 0, Verb::measure_current, amperes *= 0.95, at(t)));
    interlock.see(outcome(supply, 0, Verb::read_output, 1, at(t)));
    interlock.see(outcome(thermometer, 1, Verb::measure_temperature, 25, at(t)));
    interlock.sequencer_alive(at(t));
    EXPECT_FALSE(names(interlock.judge(at(t)), Cause::circuit_open));
  }
  EXPECT_LT(amperes, 0.001);
}

// A charge at its setpoint whose current is gone from one reading to the next.
class Broken : public Energised {
 protected:
  Broken() {
    source_volts = 4.20;
    cell_volts = 4.18;
    amperes = 1.0;
    pass(2s, [] {});
    now += 50ms;
    stands_at(0);
    see(voltmeter, 0, Verb::measure_voltage, 3.90);
    see(supply, 0, Verb::read_output, 1);
    judge();
  }
  void stands_at(double current) {
    see(supply, 0, Verb::measure_voltage, 4.20);
    see(supply, 0, Verb::measure_current, current);
    see(ammeter, 0, Verb::measure_current, current);
  }
  bool open() { return present(Cause::circuit_open); }
};

TEST_F(Broken,
       is_an_open_circuit_when_the_cells_meter_was_read_after_it_and_a_glitch_passed) {  // S3
  for (int k = 0; k < 6; ++k) {
    now += 50ms;
    stands_at(0.020);  // none
    EXPECT_FALSE(open());
  }
  see(voltmeter, 0, Verb::measure_voltage, 3.90);
  EXPECT_TRUE(open());  // the output read on in the very moment of the break
}

TEST_F(Broken, is_none_by_a_source_or_a_current_that_cannot_be_read) {  // S3
  for (const bool source : {true, false}) {
    for (int k = 0; k < 8; ++k) {
      now += 50ms;
      stands_at(0);
      see(voltmeter, 0, Verb::measure_voltage, 3.90);
      if (source) see(supply, 0, Verb::measure_voltage, 0, Ending::unparsable);
      if (!source) see(ammeter, 0, Verb::measure_current, 0, Ending::unparsable);
      EXPECT_FALSE(open()) << source;
    }
  }
}

TEST_F(Energised, calls_no_circuit_open_before_the_cells_own_meter_was_read_again) {  // S3
  source_volts = 4.20;
  cell_volts = 4.18;
  amperes = 1.0;
  pass(2s, [] {});
  ASSERT_TRUE(last.within()) << describe(last.worst);
  const auto stopped = [&](Duration time, bool meter) {
    bool open = false;
    for (const Instant end = now + time; now < end;) {
      now += 50ms;
      see(supply, 0, Verb::measure_voltage, 4.20);
      if (meter) see(voltmeter, 0, Verb::measure_voltage, 3.90);
      see(supply, 0, Verb::measure_current, 0);
      see(ammeter, 0, Verb::measure_current, 0);
      see(supply, 0, Verb::read_output, 1);
      open |= names(judge(), Cause::circuit_open);
    }
    return open;
  };
  EXPECT_FALSE(stopped(plan.allowed_age, false));
  EXPECT_TRUE(stopped(3s, true));
}

class SourceAlone : public Energised {
 protected:
  SourceAlone() : Energised(plan_of({.voltmeter = false, .ammeter = true, .thermometers = 2})) {}
};

TEST_F(SourceAlone, is_stuck_by_its_own_pair_while_the_ammeter_moves) {  // S3
  int k = 0;
  pass(plan.stuck_after + 10min, [&] {
    amperes = 2.4;  // at the source; the ammeter's last digit moves
    see(ammeter, 0, Verb::measure_current, 2.4 + (++k % 2 == 0 ? 0.001 : 0.0));
    celsius = 26 + (k % 3) * 0.1;
    see(thermometer, 1, Verb::measure_temperature, celsius);
    see(thermometer, 2, Verb::measure_temperature, celsius);
  });
  EXPECT_TRUE(names(last, Cause::sensor_stuck));
  EXPECT_EQ(interlock.found(Cause::sensor_stuck).sensor, subject(Subject::source_voltage));
}

TEST(AVoltageThatCannotBeRead, is_no_other_cell) {  // S3
  Interlock interlock(plan_of(), 0);
  interlock.enforce(cell_limits(), at(0s));
  Expected expected;
  expected.since = at(0s);
  interlock.expect(expected);
  const auto read = [&](double volts, Instant when, Ending ending = Ending::done) {
    interlock.see(outcome(voltmeter, 0, Verb::measure_voltage, volts, when, ending));
  };
  for (Duration t = 2s; t < 4s; t += 100ms) read(3.70, at(t));
  read(9.9e37, at(4s), Ending::not_a_number);
  for (Duration t = 4100ms; t < 6s; t += 100ms) read(3.70, at(t));
  EXPECT_FALSE(names(interlock.judge(at(6s)), Cause::cell_changed));
  for (Duration t = 6s; t < 8s; t += 100ms) {
    read(3.20, at(t));
    interlock.judge(at(t));
  }
  EXPECT_TRUE(names(interlock.judge(at(8s)), Cause::cell_changed));
}

// Current without warmth: the thermometer has fallen off. One that cannot be read is named for
// that.
TEST(AThermometerThatCannotBeRead, is_not_said_to_have_fallen_off) {  // S3
  for (const bool readable : {true, false}) {
    Interlock interlock(plan_of({.thermometers = 1}), 0);
    interlock.enforce(cell_limits(),
                      Body{.resistance_least = drivers::ohms(0.03),
                           .heat_capacity_most = drivers::joules_per_kelvin(70)},
                      at(0s));
    const auto show = [&](double celsius, Duration t, Ending ending = Ending::done) {
      interlock.see(outcome(thermometer, 1, Verb::measure_temperature, celsius, at(t), ending));
    };
    show(40, 1s);
    show(40, 2s);
    show(20, 3s);  // faster than a cell can cool
    if (!readable) show(9.9e37, 3100ms, Ending::not_a_number);
    interlock.judge(at(3200ms));  // its time begins
    const bool off_cell = names(interlock.judge(at(6s)), Cause::sensor_off_cell);
    EXPECT_EQ(off_cell, readable);
  }
}

// ---- counting

TEST(ACell, does_not_warm_by_a_current_answered_at_the_same_moment) {  // S3
  Warming warming;
  warming.begin(Body{.resistance_least = drivers::ohms(0.03),
                     .heat_capacity_most = drivers::joules_per_kelvin(70)});
  warming.see(10, at(1s));
  warming.see(10, at(1s));
  EXPECT_EQ(warming.least(), 0);
}

TEST(Tally, counts_nothing_up_to_a_sample_taken_as_the_output_went_on) {
  Tally tally;
  tally.begin(at(0s));
  tally.output(true, at(1s));
  tally.add(at(1s), 2.0_A, 3.7_V);
  EXPECT_EQ(tally.charge_in().value(), 0);
  tally.add(at(2s), 2.0_A, 3.7_V);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 2.0);
}

// ---- the guard

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

TEST(Guard, wants_its_turn_at_once_after_it_saw_something) {
  GuardStory story;
  story.charge_on();
  ASSERT_GT(story.guard.wake(), story.now);
  story.guard.see(outcome(supply, 0, Verb::measure_voltage, 3.7, story.now), story.now);
  EXPECT_LE(story.guard.wake(), story.now);
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

// ---- cut chain and permissives, where their orders find no place

TEST(CutChain, opens_the_contactor_as_soon_as_its_order_finds_a_place) {  // S4
  const auto out = std::make_unique<Outbox>();
  CutChain chain(plan_of({.contactor = true}), 1);
  fill(*out, true);
  chain.begin(at(0s), *out);
  for (Duration t = 0s; t < 3s; t += 100ms) chain.turn(at(t), *out);
  Order order;
  while (out->take_order(order)) EXPECT_NE(order.verb, Verb::open_switch);
  bool opened = false;
  for (Duration t = 3s; t < 5s; t += 100ms) {
    chain.turn(at(t), *out);
    while (out->take_order(order)) opened |= order.verb == Verb::open_switch;
  }
  EXPECT_TRUE(opened);
}

TEST(CutChain, wants_its_end_told_at_once_where_there_is_no_more_to_open) {  // S4
  const auto out = std::make_unique<Outbox>();
  CutChain chain(plan_of({}), 0);
  chain.begin(at(0s), *out);
  for (Order order; out->take_order(order);) {
    Outcome outcome = testing::outcome(order.instrument, order.channel, order.verb, 0, at(5ms));
    outcome.order = order;
    chain.see(outcome, at(5ms), *out);
  }
  ASSERT_TRUE(chain.verified());
  ASSERT_TRUE(chain.running());
  EXPECT_EQ(chain.wake(), at(5ms));
  chain.turn(at(5ms), *out);
  EXPECT_FALSE(chain.running());
}

TEST(Permissives, refuse_where_the_protection_cannot_even_be_ordered) {  // S1
  const auto out = std::make_unique<Outbox>();
  const ChannelPlan plan = plan_of({.contactor = true});
  Permissives permissives(plan, 1);
  permissives.begin(run_plan(), at(0s), *out);
  bool full = false;
  for (Order order; !full && out->take_order(order);) {
    Outcome outcome;
    outcome.order = order;
    outcome.ending = Ending::done;
    outcome.value = order.verb == Verb::identify ? 1 : 0;
    if (order.verb == Verb::set_voltage) {
      fill(*out, false);
      full = true;
    }
    permissives.see(outcome, at(1s), *out);
  }
  ASSERT_TRUE(full);
  EXPECT_EQ(permissives.refusal(), Refusal::instrument_unreachable);
  EXPECT_FALSE(permissives.running());
}

// ---- words

TEST(Words, has_no_advice_where_nothing_is_wrong) { EXPECT_EQ(advice_on(Cause::none), ""); }

}  // namespace
}  // namespace chargewright::safety::testing

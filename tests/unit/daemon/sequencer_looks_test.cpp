// What a sequencer concludes from one look at its channel to the next, with snapshots made by hand.
#include <gtest/gtest.h>

#include "daemon/run/sequencer.h"
#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;
using safety::State;

// A channel that does what it is asked, unless a test says otherwise; looked at every 100 ms.
class Looks : public ::testing::Test {
 protected:
  static safety::ChannelPlan plain_channel() { return profiles::plant_of(bench()).channels[0]; }
  void begin(profiles::PlannedStep step) { begin(procedure({std::move(step)})); }
  void begin(profiles::Procedure steps, safety::ChannelPlan on = plain_channel()) {
    sequencer.emplace(Sequencer::Setup{0, std::move(on), plan(), std::move(steps), {}}, now);
    channel.thermometers = 1;
    look(State::off);
  }
  void charge_on() {
    channel.arms = 1;
    look(State::ready);
    amperes = 4;
    for (int k = 0; k < 5; ++k) ASSERT_EQ(look(State::energised), Phase::running);
  }
  void read(drivers::Reading& reading, double value) {
    reading.validity = drivers::Validity::valid;
    reading.value = value;
    reading.asked = reading.answered = now;
  }
  // Readings first: they were asked for before the setpoints that this look brings about.
  Phase look(State state) {
    now += 99ms;
    channel.state = state;
    read(channel.voltage, volts);
    if (ammeter_answers) read(channel.current, amperes);
    read(channel.temperatures[0], degrees_c);
    if (state == State::energised) channel.on_time += 100ms;
    now += 1ms;
    sequencer->turn(channel, now);
    safety::Request request;
    while (sequencer->take_request(request)) {
      if (request.kind != safety::Request::Kind::charge) continue;
      channel.step = request.step;
      asked = request.current.value();
      asked_volts = request.voltage.value();
      if (proves) prove();
    }
    return sequencer->progress().phase;
  }
  void prove() {
    channel.voltage_setpoint = asked_volts;
    channel.current_setpoint = asked;
  }

  drivers::Instant now{1h};
  std::optional<Sequencer> sequencer;
  safety::ChannelSnapshot channel;
  double volts = 3.8;
  double degrees_c = 25;
  double amperes = 0;
  double asked = 0;
  double asked_volts = 0;
  bool proves = true;
  bool ammeter_answers = true;
};

// What was counted before, the clock, and a meter that is quicker than the ammeter all say at once
// that a charge has reached its end. A thousand such charges would be in no limit on charge.
TEST_F(Looks, end_no_charge_of_which_no_current_was_read) {  // S2
  using profiles::Comparison;
  using profiles::Subject;
  for (const auto& at_once : {compare(Subject::charge, Comparison::at_least, 0),
                              compare(Subject::energy, Comparison::at_least, 0),
                              compare(Subject::run_time, Comparison::at_least, 0.001),
                              compare(Subject::step_time, Comparison::at_least, 0.001),
                              compare(Subject::voltage, Comparison::at_least, 3.7)}) {
    SCOPED_TRACE(key_of(at_once.subject));
    channel = {};
    begin(charge(4.0_A, 4.2_V, when(at_once)));
    channel.arms = 1;
    look(State::ready);
    ammeter_answers = false;
    for (int k = 0; k < 3; ++k) EXPECT_EQ(look(State::energised), Phase::running);
    ammeter_answers = true;
    EXPECT_EQ(look(State::energised), Phase::stopping);
  }
}

profiles::PlannedStep below_40_degrees(profiles::Condition until) {
  profiles::PlannedStep step = charge(4.0_A, 4.2_V, std::move(until));
  step.ceilings.temperature = 40.0_degC;
  return step;
}

// A thermometer of whole degrees is at the ceiling in one reading and clear of it in the next: the
// current that was still read under the ceiling is none of a full cell.
TEST_F(Looks, take_no_current_for_the_end_that_was_read_before_the_folding_ended) {  // S2
  begin(below_40_degrees(current_at_most(0.1_A)));
  charge_on();
  degrees_c = 40;
  for (int k = 0; k < 5; ++k) {
    EXPECT_EQ(look(State::energised), Phase::running);
    amperes = asked;
  }
  ASSERT_EQ(amperes, 0);
  degrees_c = 39;
  EXPECT_EQ(look(State::energised), Phase::running);
  EXPECT_EQ(asked, 4);
  amperes = 4;
  EXPECT_EQ(look(State::energised), Phase::running);
  EXPECT_EQ(look(State::energised), Phase::running);
  amperes = 0.1;  // now it is full
  EXPECT_EQ(look(State::energised), Phase::stopping);
}

// A warm cell that is nearly full takes less than the folded setpoint: the end of its charge is not
// put off until it has cooled.
TEST_F(Looks, end_a_taper_that_the_folding_does_not_hold_down) {
  const auto ends = [&](double flowing, double at_volts, double warm) {
    channel = {};
    amperes = 0, volts = 3.8, degrees_c = 25;
    begin(below_40_degrees(current_at_most(0.1_A)));
    charge_on();
    degrees_c = warm;
    volts = at_volts;
    for (int k = 0; k < 8; ++k) {
      if (look(State::energised) == Phase::stopping) return true;
      amperes = std::min(flowing, asked);
    }
    return false;
  };
  EXPECT_TRUE(ends(0.1, 4.2, 39.7));
  EXPECT_FALSE(ends(0.1, 4.1, 39.7));  // the voltage holds nothing either: it has yet to rise
  EXPECT_FALSE(ends(4, 4.2, 39.7));
  EXPECT_FALSE(ends(4, 4.2, 40));  // folded to nothing: that is what flows
}

// Up and down again before the guard has proved the first: what is proved is still the setpoint
// from before both.
TEST_F(Looks, take_no_current_for_the_end_while_a_folded_setpoint_is_on_its_way) {  // S2
  begin(below_40_degrees(current_at_most(0.1_A)));
  charge_on();
  proves = false;
  degrees_c = 40;
  EXPECT_EQ(look(State::energised), Phase::running);
  degrees_c = 39;
  EXPECT_EQ(look(State::energised), Phase::running);
  amperes = 0;  // it has arrived, and is not proved yet
  for (int k = 0; k < 3; ++k) EXPECT_EQ(look(State::energised), Phase::running);
  EXPECT_EQ(asked, 0);
  prove();
  proves = true;
  EXPECT_EQ(look(State::energised), Phase::running);
  EXPECT_EQ(asked, 4);
}

// Of a source that sets 0.1 A and no less, a readback may be that far off what was written.
TEST_F(Looks,
       take_no_current_for_the_end_that_a_coarse_source_still_had_from_the_step_before) {  // S2
  safety::ChannelPlan coarse = plain_channel();
  coarse.setpoint_current_tolerance = 0.1_A;
  begin(procedure({charge(0.1_A, 4.2_V, voltage_at_least(3.7_V)),
                   charge(0.2_A, 4.2_V, current_at_most(0.1_A))}),
        coarse);
  channel.arms = 1;
  amperes = 0.1;
  look(State::ready);
  for (int k = 0; k < 5 && asked != 0.2; ++k) look(State::energised);
  ASSERT_EQ(asked, 0.2);
  channel.current_setpoint = 0.1;  // its proof is still under way
  for (int k = 0; k < 5; ++k) EXPECT_EQ(look(State::energised), Phase::running);
  prove();
  amperes = 0.2;
  for (int k = 0; k < 3; ++k) EXPECT_EQ(look(State::energised), Phase::running);
  amperes = 0.1;
  EXPECT_EQ(look(State::energised), Phase::stopping);
}

// What the guard still shows is what the next step asks for; what the source has is not.
TEST_F(Looks, take_no_current_for_the_end_that_the_step_before_has_folded) {  // S2
  profiles::PlannedStep warming = below_40_degrees(
      when(compare(profiles::Subject::temperature, profiles::Comparison::at_least, 41)));
  begin(procedure({std::move(warming), charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  charge_on();
  proves = false;
  degrees_c = 41;
  for (int k = 0; k < 5; ++k) {
    EXPECT_EQ(look(State::energised), Phase::running);
    amperes = 0;  // as it was told
  }
  prove();
  proves = true;
  EXPECT_EQ(look(State::energised), Phase::running);
  amperes = 4;
  for (int k = 0; k < 3; ++k) EXPECT_EQ(look(State::energised), Phase::running);
  amperes = 0.1;
  EXPECT_EQ(look(State::energised), Phase::stopping);
}

TEST_F(Looks, fail_no_step_at_its_end_for_the_time_that_its_last_setpoint_takes) {  // S2
  profiles::PlannedStep step = below_40_degrees(
      when(compare(profiles::Subject::step_time, profiles::Comparison::at_least, 1)));
  step.within = 1s;
  begin(std::move(step));
  charge_on();
  proves = false;
  degrees_c = 40;
  for (int k = 0; k < 20; ++k) EXPECT_EQ(look(State::energised), Phase::running);
  prove();
  EXPECT_EQ(look(State::energised), Phase::stopping);
  EXPECT_EQ(look(State::off), Phase::done);
}

TEST_F(Looks, take_no_power_for_the_end_while_the_temperature_holds_the_current_down) {  // S2
  begin(below_40_degrees(
      when(compare(profiles::Subject::power, profiles::Comparison::at_most, 0.5))));
  charge_on();
  degrees_c = 40;
  for (int k = 0; k < 5; ++k) {
    EXPECT_EQ(look(State::energised), Phase::running);
    amperes = asked;
  }
  degrees_c = 30;
  EXPECT_EQ(look(State::energised), Phase::running);
  amperes = 0.1;
  look(State::energised);
  EXPECT_EQ(look(State::energised), Phase::stopping);
}

// A cut is proved in some milliseconds, and a script acknowledges it at once.
TEST_F(Looks, call_no_run_done_whose_cut_was_acknowledged_between_two_of_them) {  // S5
  for (const State state : {State::unknown, State::off}) {
    channel = {};
    begin(charge(4.0_A, 4.2_V, current_at_most(0.1_A)));
    charge_on();
    amperes = 0;
    EXPECT_EQ(look(state), Phase::stopping);
    EXPECT_EQ(look(State::off), Phase::failed);
  }
}

TEST_F(Looks, know_a_trip_that_came_before_they_saw_the_channel_arm) {  // S4
  begin(charge(4.0_A, 4.2_V, current_at_most(0.1_A)));
  channel.arms = 1;
  channel.trip.cause = safety::Cause::operator_cut;
  EXPECT_EQ(look(State::cutting), Phase::tripped);
  EXPECT_EQ(sequencer->progress().trip.cause, safety::Cause::operator_cut);
}

TEST_F(Looks, take_no_trip_for_their_own_with_which_the_channel_never_armed) {  // S5
  begin(charge(4.0_A, 4.2_V, current_at_most(0.1_A)));
  channel.trip.cause = safety::Cause::operator_cut;
  channel.refusal = safety::Refusal::latched_trip;
  EXPECT_EQ(look(State::tripped), Phase::refused);
}

}  // namespace
}  // namespace chargewright::daemon

// Source and meters that disagree by more than the leads can explain, and readings in doubt (S3).
// Why they drew apart: leads_test.cpp.
#include <gtest/gtest.h>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

TEST_F(Energised, trips_when_source_and_meter_disagree_for_longer_than_the_delay) {  // S3
  // 2.4 A * 20 mohm * 1.5 + 30 mV = 102 mV
  pass(10s, [&] { see(supply, 0, Verb::measure_voltage, 3.76 + 0.101); });
  EXPECT_TRUE(last.within()) << describe(last.worst);
  pass(1900ms, [&] { see(supply, 0, Verb::measure_voltage, 3.76 + 0.103); });
  EXPECT_TRUE(last.within());
  pass(300ms, [&] { see(supply, 0, Verb::measure_voltage, 3.76 + 0.103); });
  EXPECT_EQ(last.worst.cause, Cause::readings_disagree);
}

TEST_F(Energised, trips_when_the_source_reads_less_than_the_cell) {  // S3
  pass(3s, [&] { see(supply, 0, Verb::measure_voltage, 3.76 - 0.029); });
  EXPECT_TRUE(last.within());
  pass(3s, [&] { see(supply, 0, Verb::measure_voltage, 3.76 - 0.031); });
  EXPECT_EQ(last.worst.cause, Cause::readings_disagree);
}

TEST_F(Energised, trips_on_disagreement_though_its_setpoints_move_all_the_time) {  // S3
  const auto off = [&] { see(supply, 0, Verb::measure_voltage, 3.76 + 0.2); };
  pass(3s, [] {});
  Expected expected = interlock.facts().expected;
  for (int k = 0; k < 6; ++k) {
    pass(200ms, off);
    EXPECT_TRUE(last.within());
    expected.setpoints_since = drivers::never;
    interlock.expect(expected);
    pass(100ms, off);
    expected.setpoints_since = now;
    interlock.expect(expected);
  }
  pass(400ms, off);
  EXPECT_EQ(last.worst.cause, Cause::readings_disagree);
}

// What cannot be compared now was not found to agree.
TEST_F(Energised, trips_on_disagreement_though_every_second_answer_is_garbled) {  // S3
  int reading = 0;
  const auto every_second = [&](drivers::InstrumentId instrument, Verb verb, double value) {
    see(instrument, 0, verb, value, ++reading % 2 == 0 ? Ending::unparsable : Ending::done);
  };
  for (const bool volts : {true, false}) {
    pass(3s, [] {});
    ASSERT_TRUE(last.within());
    reading = 0;
    pass(2500ms, [&] {  // the last of which is good
      if (volts) {
        see(supply, 0, Verb::measure_voltage, 3.76 + 0.2);
        every_second(voltmeter, Verb::measure_voltage, 3.76);
      } else {
        see(ammeter, 0, Verb::measure_current, 2.3);
        every_second(supply, Verb::measure_current, 2.4);
      }
    });
    EXPECT_TRUE(names(last, Cause::readings_disagree)) << volts;
  }
}

TEST_F(Energised, starts_the_delay_anew_when_the_condition_was_gone_between) {
  for (int k = 0; k < 5; ++k) {
    pass(1500ms, [&] { see(supply, 0, Verb::measure_voltage, 4.1); });
    pass(100ms, [] {});
    EXPECT_TRUE(last.within());
  }
}

TEST_F(Energised, trips_when_two_ammeters_disagree) {  // S3
  pass(3s, [&] { see(ammeter, 0, Verb::measure_current, 2.449); });
  EXPECT_TRUE(last.within());
  pass(3s, [&] { see(ammeter, 0, Verb::measure_current, 2.451); });
  EXPECT_EQ(last.worst.cause, Cause::readings_disagree);
}

TEST_F(Rules, find_two_ammeters_apart_by_fresh_readings_of_the_present_setpoints) {  // S3
  const auto apart = [&] {
    pass(2100ms, [&] { see(ammeter, 0, Verb::measure_current, 2.3); });
    return names(last, Cause::readings_disagree);
  };
  EXPECT_TRUE(apart());
  EXPECT_EQ(found(Cause::readings_disagree).measured, 2.4);
  EXPECT_EQ(found(Cause::readings_disagree).limit, 2.3);
  EXPECT_EQ(found(Cause::readings_disagree).sensor, subject(Subject::cell_current));
  pass(100ms, [] {});
  EXPECT_FALSE(present(Cause::readings_disagree));
}

class WithoutAmmeter : public Rules {
 protected:
  WithoutAmmeter() : Rules(plan_of({.thermometers = 2})) {}
};

// A source that shows no current in the middle of a charge: no open circuit holds its voltage down.
TEST_F(WithoutAmmeter, find_a_meter_apart_from_a_source_that_shows_no_current) {  // S3
  enforce();
  amperes = 0;
  source_volts = 3.90;
  pass(plan.disagree_delay + 200ms, [] {});
  EXPECT_TRUE(present(Cause::readings_disagree));
}

// A slow bench reads the two a quarter of a second apart, between which a taper moves on.
TEST_F(Rules, take_what_both_ammeters_saw_move_for_no_disagreement) {  // S3
  const auto taper = [&](double meters_share, double meters_error) {
    enforce();
    double flowing = 2.4;
    for (int k = 0; k < 10; ++k) {
      now += 250ms;
      flowing -= 0.25 * 0.3;  // A/s
      see(ammeter, 0, Verb::measure_current, 2.4 + meters_share * (flowing - 2.4) + meters_error);
      now += 250ms;
      flowing -= 0.25 * 0.3;
      see(supply, 0, Verb::measure_current, flowing);
      judge();
    }
    return present(Cause::readings_disagree);
  };
  EXPECT_FALSE(taper(1, 0));
  EXPECT_FALSE(taper(1, 0.049));  // on top of 75 mA
  EXPECT_TRUE(taper(1, 0.051));
  EXPECT_TRUE(taper(0, 0));  // it stands still, and explains nothing
}

// A doubt that began is over when the output is off: what is apart then says nothing of leads.
TEST_F(Rules, doubt_no_readings_of_an_output_that_is_off) {  // S3
  for (const bool meter : {true, false}) {
    enforce();
    pass(500ms, [] {});
    EXPECT_FALSE(interlock.in_doubt());
    pass(500ms, [&] {
      if (meter) see(voltmeter, 0, Verb::measure_voltage, cell_volts - 0.2);
      if (!meter) see(supply, 0, Verb::measure_voltage, source_volts + 0.2);
    });
    EXPECT_TRUE(interlock.in_doubt());
    expect_off(now);
    judge();
    EXPECT_FALSE(interlock.in_doubt());
  }
}

TEST_F(Energised, doubts_nothing_while_it_only_watches) {  // S3 S8
  see(voltmeter, 0, Verb::measure_voltage, 3.0);
  judge();
  ASSERT_TRUE(interlock.in_doubt());
  interlock.watch_only(now);
  EXPECT_FALSE(interlock.in_doubt());
}

// ---- as far apart as they may be ----------------------------------------------------------------

// The plan's voltmeters may disagree by 31.25 mV, and there is no lead to speak of.
class Exactly : public Rules {
 protected:
  static ChannelPlan exact() {
    ChannelPlan plan = plan_of({.ammeter = true, .thermometers = 2});
    plan.loop_resistance = drivers::ohms(0);
    plan.voltage_disagreement = drivers::volts(0.03125);
    plan.current_disagreement = drivers::amperes(0.125);
    return plan;
  }
  Exactly() : Rules(exact()) {}
  bool doubted() {
    good_readings();
    judge();
    return interlock.in_doubt();
  }
};

TEST_F(Exactly, bear_a_setpoint_that_reads_as_far_off_as_it_may) {  // S3
  plan.setpoint_voltage_tolerance = drivers::volts(0.0625);
  interlock = Interlock(plan, 0);
  enforce();
  Expected written = interlock.facts().expected;
  written.voltage_setpoint = 4.25_V;
  interlock.expect(written);
  see(supply, 0, Verb::read_voltage_setpoint, 4.3125);
  EXPECT_FALSE(present(Cause::setpoint_changed));
  see(supply, 0, Verb::read_voltage_setpoint, 4.3126);
  EXPECT_TRUE(present(Cause::setpoint_changed));
}

TEST_F(Exactly, take_a_full_cell_for_connected_as_long_as_its_meter_may_agree) {  // S3
  amperes = 0;
  cell_volts = 4.1875;
  source_volts = 4.21875;
  enforce();
  EXPECT_FALSE(doubted());
  source_volts = 4.22;
  EXPECT_TRUE(doubted());
}

TEST_F(Exactly, bear_meters_that_are_as_far_apart_as_they_may_be) {  // S3
  cell_volts = 3.75;
  amperes = 2.5;
  for (const double apart : {0.03125, -0.03125}) {
    source_volts = cell_volts + apart;
    EXPECT_FALSE(doubted()) << apart;
    source_volts = cell_volts + 1.01 * apart;
    EXPECT_TRUE(doubted()) << apart;
  }
  source_volts = cell_volts;
  for (const double apart : {0.125, -0.125}) {
    good_readings();
    see(ammeter, 0, Verb::measure_current, amperes + apart);
    judge();
    EXPECT_FALSE(interlock.in_doubt()) << apart;
    see(ammeter, 0, Verb::measure_current, amperes + 1.01 * apart);
    judge();
    EXPECT_TRUE(interlock.in_doubt()) << apart;
  }
}

}  // namespace
}  // namespace chargewright::safety::testing

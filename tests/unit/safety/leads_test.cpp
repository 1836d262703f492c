// What stands between source and cell, and what moved when the two drew apart (S3).
#include "safety/leads.h"

#include <gtest/gtest.h>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

// 20 mohm of leads, 30 mV of disagreement: at 2 A sound leads drop 60 mV at most, half as much
// again as they are said to, and may read 90 mV.
class Leads : public ::testing::Test {
 protected:
  Leads() : facts(plan_of()) {
    facts.expected.output_on = true;
    facts.expected.since = at(-10s);
    facts.expected.setpoints_since = at(-10s);
  }
  void read(Sensed& sensed, double value, Instant when) {
    if (sensed.good.value != value) sensed.moved_at = when;
    sensed.good.value = value;
    sensed.good.validity = sensed.newest = drivers::Validity::valid;
    sensed.good.asked = sensed.good.answered = when;
  }
  void read(double source, double cell, double amperes) {
    now += 100ms;
    read(facts.source_voltage, source, now);
    read(facts.cell_voltage, cell, now);
    read(facts.cell_current, amperes, now);
    note_leads(facts, now);
  }
  AcrossLeads across() { return across_leads(facts, now); }
  bool explained() { return leads_explain(facts, now); }

  Instant now = at(0s);
  Facts facts;
};

TEST_F(Leads, may_drop_half_as_much_again_as_they_are_said_to_and_never_the_other_way) {  // S3
  read(3.80, 3.75, 2.0);
  EXPECT_TRUE(across().known);
  EXPECT_NEAR(across().volts, 0.05, 1e-12);
  EXPECT_NEAR(across().highest, 0.090, 1e-12);
  EXPECT_NEAR(across().lowest, -0.030, 1e-12);
  read(3.70, 3.75, -2.0);  // out of the cell: the drop turns round
  EXPECT_NEAR(across().volts, -0.05, 1e-12);
  EXPECT_NEAR(across().highest, 0.030, 1e-12);
  EXPECT_NEAR(across().lowest, -0.090, 1e-12);
}

// A slow bench reads the two at different moments, and a capacitor fills meanwhile.
TEST_F(Leads, drop_no_more_by_what_both_meters_saw_move_between_their_readings) {  // S3
  read(3.80, 3.75, 2.0);
  facts.source_voltage.per_second = 0.5;
  facts.cell_voltage.per_second = 0.4;
  facts.source_voltage.good.asked = now - 200ms;
  EXPECT_NEAR(across().highest, 0.090 + 0.2 * 0.4, 1e-12);
  EXPECT_NEAR(across().lowest, -0.030 - 0.2 * 0.4, 1e-12);
  facts.cell_voltage.per_second = 0;  // it stands still, and explains nothing
  EXPECT_NEAR(across().highest, 0.090, 1e-12);
}

TEST_F(Leads, are_judged_by_three_readings_that_are_fresh_and_of_the_present_setpoints) {  // S3
  read(3.80, 3.75, 2.0);
  for (Sensed* sensed : {&facts.source_voltage, &facts.cell_voltage, &facts.cell_current}) {
    const Sensed good = *sensed;
    EXPECT_TRUE(across().known);
    sensed->newest = drivers::Validity::unparsable;
    EXPECT_FALSE(across().known);
    *sensed = good;
    sensed->good.asked = now - facts.ages.reading;
    EXPECT_TRUE(across().known);
    sensed->good.asked -= 1ns;
    EXPECT_FALSE(across().known);
    *sensed = good;
  }
  facts.expected.since = now + 1ns;
  EXPECT_FALSE(across().known);
  facts.expected.since = now;
  EXPECT_TRUE(across().known);
  facts.expected.setpoints_since = now + 1ns;
  EXPECT_FALSE(across().known);
  facts.expected.setpoints_since = now;
  EXPECT_TRUE(across().known);
  facts.expected.output_on = false;
  EXPECT_FALSE(across().known);
}

TEST(LeadsUnseen, are_not_judged_where_the_source_is_the_only_voltmeter) {
  Facts facts(plan_of({.voltmeter = false}));
  EXPECT_FALSE(across_leads(facts, at(0s)).known);
  EXPECT_FALSE(proved_closed(facts));
}

TEST_F(Leads, explain_a_leap_of_the_source) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.90, 3.75, 2.0);
  now += 1h;
  EXPECT_TRUE(explained());
}

TEST_F(Leads, do_not_explain_a_leap_of_the_meter) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.80, 3.65, 2.0);
  EXPECT_FALSE(explained());
}

TEST_F(Leads, explain_a_meter_that_fell_with_the_current) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.80, 3.65, 1.79);  // more than a tenth less: a joint that lets go
  EXPECT_TRUE(explained());
}

TEST_F(Leads, do_not_explain_a_meter_that_fell_while_the_current_held) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.80, 3.65, 1.81);
  EXPECT_FALSE(explained());
}

TEST_F(Leads, do_not_explain_a_meter_that_fell_while_nine_tenths_of_the_current_held) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.80, 3.65, 0.9 * 2.0);
  EXPECT_FALSE(explained());
}

TEST_F(Leads, are_blamed_where_source_and_meter_moved_alike) {  // S3
  read(4.0, 3.9375, 2.0);
  read(4.0625, 3.875, 2.0);
  now += 1h;
  EXPECT_TRUE(explained());
}

TEST_F(Leads, are_blamed_for_what_moved_more) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.86, 3.71, 2.0);  // the source by 60 mV, the meter by 40 mV
  EXPECT_TRUE(explained());
  read(3.80, 3.75, 2.0);
  read(3.84, 3.69, 2.0);  // the other way round
  EXPECT_FALSE(explained());
}

TEST_F(Leads, that_drifted_apart_are_blamed_while_the_meter_still_moves) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.835, 3.75, 2.0);
  read(3.841, 3.75, 2.0);  // beyond, by a leap of 6 mV
  facts.cell_voltage.moved_at = now;
  EXPECT_TRUE(explained());
  now += facts.plan.disagree_delay + facts.ages.reading;
  EXPECT_TRUE(explained());
  now += 1ns;
  EXPECT_FALSE(explained());  // not one digit meanwhile: it may be stuck
}

// Half of the disagreement at once, 15 mV, is a leap.
TEST_F(Leads, leap_by_half_of_what_meters_may_disagree_by) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.826, 3.75, 2.0);
  read(3.842, 3.75, 2.0);  // 16 mV
  now += 1h;
  EXPECT_TRUE(explained());
  read(3.80, 3.75, 2.0);
  read(3.828, 3.75, 2.0);
  read(3.842, 3.75, 2.0);  // 14 mV
  now += 1h;
  EXPECT_FALSE(explained());
}

TEST_F(Leads, that_drop_just_what_they_may_agree_and_leap_by_just_the_half_of_it) {  // S3
  facts.plan.loop_resistance = drivers::ohms(0);
  facts.plan.voltage_disagreement = drivers::volts(0.03125);
  read(3.78125, 3.75, 2.0);
  EXPECT_TRUE(facts.leads.ever);
  EXPECT_FALSE(facts.leads.apart);
  read(3.796875, 3.75, 2.0);
  EXPECT_EQ(facts.leads.moved, LeadsWitness::Moved::source);
}

TEST_F(Leads, are_judged_by_the_moment_in_which_they_drew_apart) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.80, 3.65, 2.0);  // the meter
  read(3.95, 3.65, 2.0);  // and what came after
  EXPECT_FALSE(explained());
  read(3.70, 3.65, 2.0);  // agreed once more
  read(3.85, 3.65, 2.0);
  EXPECT_TRUE(explained());
}

TEST_F(Leads, that_never_agreed_are_blamed_for_no_leap) {  // S3
  read(3.95, 3.75, 2.0);
  facts.cell_voltage.moved_at = now;
  EXPECT_EQ(facts.leads.moved, LeadsWitness::Moved::nothing_at_once);
  EXPECT_TRUE(explained());
  now += 1h;
  EXPECT_FALSE(explained());
}

TEST_F(Leads, explain_nothing_of_a_meter_without_a_digit_since_the_output_went_on) {  // S3
  read(3.80, 3.75, 2.0);
  read(3.90, 3.75, 2.0);
  facts.cell_voltage.moved_at = facts.expected.since;
  EXPECT_TRUE(explained());
  facts.cell_voltage.moved_at = facts.expected.since - 1ns;
  EXPECT_FALSE(explained());
}

TEST_F(Leads, are_proved_closed_by_a_voltage_that_did_not_fall_with_the_current) {  // S3
  const Flow::Circumstances circumstances{4.2_V, 7.2_A, 20.0_mohm, 20.0_mA, {}};
  facts.flow.see(2.0, 3.750, circumstances, at(0s));
  facts.flow.see(0.0, 3.750, circumstances, at(100ms));
  const auto reads = [&](double volts, Instant when) {
    read(facts.cell_voltage, volts, when);
    return proved_closed(facts);
  };
  EXPECT_FALSE(reads(3.750, at(100ms)));  // not read since
  EXPECT_TRUE(reads(3.750, at(101ms)));
  EXPECT_TRUE(reads(3.7491, at(101ms)));  // its own unrest
  EXPECT_TRUE(reads(3.750 - 0.001, at(101ms)));
  EXPECT_FALSE(reads(3.7489, at(101ms)));
  EXPECT_TRUE(reads(3.760, at(200ms)));
  facts.cell_voltage.newest = drivers::Validity::not_a_number;
  EXPECT_FALSE(proved_closed(facts));
}

}  // namespace
}  // namespace chargewright::safety::testing

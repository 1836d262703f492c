#include "safety/tally.h"

#include <gtest/gtest.h>

#include <cmath>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

TEST(Tally, adds_charge_and_energy_by_the_trapezoid_rule) {
  Tally tally;
  tally.begin(at(0s));
  tally.output(true, at(0s));
  tally.add(at(0s), 2.0_A, 3.0_V);
  tally.add(at(10s), 4.0_A, 5.0_V);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 30.0);   // mean 3 A
  EXPECT_DOUBLE_EQ(tally.energy_in().value(), 120.0);  // mean 4 V
}

TEST(Tally, holds_the_current_from_the_switching_to_the_nearest_reading) {
  Tally tally;
  tally.begin(at(0s));
  tally.output(true, at(1s));
  tally.add(at(2s), 2.0_A, 4.0_V);
  tally.add(at(3s), 2.0_A, 4.0_V);
  tally.output(false, at(4s));
  tally.add(at(5s), 0.0_A, 4.0_V);
  tally.add(at(9s), 0.0_A, 4.0_V);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 6.0);  // 2 A from 1 s to 4 s
  EXPECT_EQ(tally.on_time(at(9s)), Duration{3s});
}

TEST(Tally, lays_no_trapezoid_across_a_change_of_setpoint) {
  Tally tally;
  tally.output(true, at(0s));
  tally.add(at(1s), 4.0_A, 4.0_V);
  tally.break_at(at(2s));
  tally.add(at(3s), 1.0_A, 4.0_V);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 4.0 + 4.0 + 1.0);
}

// A slow ammeter, and setpoints that a foldback or the leads move meanwhile.
TEST(Tally, holds_the_current_over_every_change_of_setpoint_until_it_is_read_again) {  // S2
  Tally tally;
  tally.output(true, at(0s));
  tally.add(at(1s), 2.0_A, 4.0_V);
  for (const Duration moved : {2s, 4s, 6s, 8s}) tally.break_at(at(moved));
  tally.add(at(9s), 2.0_A, 4.0_V);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 18.0);
  EXPECT_DOUBLE_EQ(tally.energy_in().value(), 72.0);
  tally.break_at(at(10s));
  tally.output(false, at(11s));
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 22.0);
  tally.output(true, at(20s));
  tally.break_at(at(21s));  // none was read since it went on
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 22.0);
  tally.add(at(22s), 3.0_A, 4.0_V);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 28.0);
}

// Where no answer came, the reading before is shown once more.
TEST(Tally,
     counts_nothing_twice_where_a_question_after_a_change_of_setpoint_is_not_answered) {  // S2
  Tally tally;
  tally.output(true, at(0s));
  tally.add(at(10s), 1.0_A, 4.0_V);
  tally.break_at(at(20s));
  tally.add(at(10s), 1.0_A, 4.0_V);
  tally.add(at(30s), 1.0_A, 4.0_V);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 30.0);
  EXPECT_DOUBLE_EQ(tally.energy_in().value(), 120.0);
}

TEST(Tally, counts_current_out_of_the_cell_apart) {
  Tally tally;
  tally.output(true, at(0s));
  tally.add(at(0s), drivers::amperes(-1.0), 3.0_V);
  tally.add(at(10s), drivers::amperes(-1.0), 3.0_V);
  EXPECT_DOUBLE_EQ(tally.charge_out().value(), 10.0);
  EXPECT_DOUBLE_EQ(tally.energy_out().value(), 30.0);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 0.0);
}

TEST(Tally, does_not_bridge_a_gap_silently) {
  Tally tally;
  tally.output(true, at(0s));
  tally.add(at(0s), 1.0_A, 3.0_V);
  tally.add(at(60s), 1.0_A, 3.0_V);
  EXPECT_DOUBLE_EQ(tally.uncertain().value(), 0.0);
  tally.add(at(121s), 1.0_A, 3.0_V);
  EXPECT_DOUBLE_EQ(tally.uncertain().value(), 61.0);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 60.0);
}

TEST(Tally, ignores_a_sample_that_is_late_repeated_or_not_a_number) {
  Tally tally;
  tally.output(true, at(0s));
  tally.add(at(1s), 1.0_A, 3.0_V);
  tally.add(at(2s), 1.0_A, 3.0_V);
  const double before = tally.charge_in().value();
  tally.add(at(2s), 100.0_A, 3.0_V);
  tally.add(at(1s), 100.0_A, 3.0_V);
  tally.add(at(3s), drivers::amperes(NAN), 3.0_V);
  tally.add(at(3s), 1.0_A, drivers::volts(INFINITY));
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), before);
}

// Of the part that is not bridged no energy is told either, whichever way it flowed.
TEST(Tally, counts_what_a_gap_hid_as_an_amount_whichever_way_it_flowed) {
  Tally tally(100s);
  tally.output(true, at(0s));
  tally.add(at(0s), drivers::amperes(-1.0), 3.0_V);
  tally.add(at(101s), drivers::amperes(-1.0), 3.0_V);
  EXPECT_DOUBLE_EQ(tally.uncertain().value(), 101.0);
  EXPECT_EQ(tally.charge_out().value(), 0);
  EXPECT_EQ(tally.energy_out().value(), 0);
}

// What a reading shows before the output goes on, or after it went off, is held over no time.
TEST(Tally, holds_no_reading_across_the_switching_while_the_output_is_off) {
  Tally tally;
  tally.add(at(0s), 1.0_A, 3.0_V);
  tally.output(true, at(10s));
  EXPECT_EQ(tally.charge_in().value(), 0);
  tally.output(false, at(20s));
  EXPECT_EQ(tally.charge_in().value(), 0);  // none was read meanwhile
  tally.add(at(30s), 1.0_A, 3.0_V);
  EXPECT_EQ(tally.charge_in().value(), 0);
  tally.add(at(40s), 1.0_A, 3.0_V);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 10);
}

TEST(Tally, holds_no_reading_back_to_a_switching_after_it) {
  Tally tally;
  tally.output(true, at(10s));
  tally.add(at(9s), 1.0_A, 3.0_V);  // answered before, seen late
  EXPECT_EQ(tally.charge_in().value(), 0);
  EXPECT_EQ(tally.charge_out().value(), 0);
  tally.add(at(12s), 1.0_A, 3.0_V);
  tally.break_at(at(11s));  // and this reading came after the break
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 3.0);
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

TEST(Tally, counts_time_while_the_output_is_on_and_begins_anew) {
  Tally tally;
  tally.begin(at(0s));
  EXPECT_EQ(tally.on_time(at(5s)), Duration::zero());
  tally.output(true, at(5s));
  EXPECT_EQ(tally.on_time(at(7s)), Duration{2s});
  tally.output(true, at(8s));  // again: no change
  tally.output(false, at(10s));
  tally.output(true, at(20s));
  EXPECT_EQ(tally.on_time(at(21s)), Duration{6s});
  tally.begin(at(30s));
  EXPECT_EQ(tally.on_time(at(31s)), Duration::zero());
}

TEST(Tally, goes_on_from_what_was_counted_before_an_interruption) {  // S9
  Tally tally;
  tally.begin(at(0s), {.charge_in = 1.0_Ah,
                       .charge_out = 0.1_Ah,
                       .uncertain = 0.2_Ah,
                       .energy_in = 4.0_Wh,
                       .energy_out = 0.3_Wh,
                       .on_time = 30min});
  tally.output(true, at(1s));
  tally.add(at(1s), 3.6_A, 4.0_V);
  tally.add(at(11s), 3.6_A, 4.0_V);
  EXPECT_NEAR(tally.charge_in().value(), 3600 + 36, 1e-9);
  EXPECT_EQ(tally.charge_out(), 0.1_Ah);
  EXPECT_EQ(tally.uncertain(), 0.2_Ah);
  EXPECT_NEAR(tally.energy_in().value(), 4 * 3600 + 144, 1e-9);
  EXPECT_EQ(tally.energy_out(), 0.3_Wh);
  EXPECT_EQ(tally.on_time(at(11s)), Duration{30min + 10s});
}

TEST(Carried, is_an_amount_and_a_time_or_defective) {  // S9
  EXPECT_TRUE(defect(Carried{}).empty());
  for (const double bad : {-1e-9, std::nan(""), HUGE_VAL}) {
    EXPECT_FALSE(defect({.charge_in = drivers::coulombs(bad)}).empty()) << bad;
    EXPECT_FALSE(defect({.charge_out = drivers::coulombs(bad)}).empty()) << bad;
    EXPECT_FALSE(defect({.uncertain = drivers::coulombs(bad)}).empty()) << bad;
    EXPECT_FALSE(defect({.energy_in = drivers::joules(bad)}).empty()) << bad;
    EXPECT_FALSE(defect({.energy_out = drivers::joules(bad)}).empty()) << bad;
  }
  EXPECT_FALSE(defect({.on_time = -1ns}).empty());
  EXPECT_FALSE(defect({.step_time = -1ns}).empty());
  constexpr Duration century = 24h * 365 * 100;
  EXPECT_TRUE(defect({.on_time = century, .step_time = century}).empty());
  EXPECT_FALSE(defect({.on_time = century + 1ns}).empty());
  EXPECT_FALSE(defect({.step_time = century + 1ns}).empty());
}

TEST(Tally, counts_no_sample_that_is_half_a_number_and_no_second_one_of_a_moment) {  // S2
  Tally tally;
  tally.begin(at(0s));
  tally.output(true, at(0s));
  tally.add(at(1s), 2.0_A, 3.7_V);
  tally.add(at(2s), drivers::amperes(NAN), 3.7_V);
  tally.add(at(2s), 2.0_A, drivers::volts(HUGE_VAL));
  tally.add(at(1s), 4.0_A, 3.7_V);
  tally.add(at(3s), 2.0_A, 3.7_V);
  EXPECT_DOUBLE_EQ(tally.charge_in().value(), 6.0);
  EXPECT_DOUBLE_EQ(tally.energy_in().value(), 6.0 * 3.7);
}

}  // namespace
}  // namespace chargewright::safety::testing

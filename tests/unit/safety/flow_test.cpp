// A current that was broken off is told from one that tapered, reading by reading (S3).
#include "safety/flow.h"

#include <gtest/gtest.h>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

// "Stopped" is at or below 20 mA, "clearly there" above 80 mA; the leads have 10 mohm.
constexpr Flow::Circumstances standing{4.2_V, 7.2_A, 10.0_mohm, 20.0_mA, {}};

struct Read {
  double amperes;
  Duration when;
  Flow::Circumstances at = standing;
};

Flow flow_of(std::initializer_list<Read> readings) {
  Flow flow;
  for (const Read& r : readings) flow.see(r.amperes, 3.7, r.at, at(r.when));
  return flow;
}

TEST(AFlow, is_expected_to_fall_by_the_share_by_which_it_fell_before) {           // S3
  EXPECT_TRUE(flow_of({{0.320, 0ms}, {0.161, 100ms}, {0, 200ms}}).broke_off());   // 81 mA due
  EXPECT_FALSE(flow_of({{0.320, 0ms}, {0.159, 100ms}, {0, 200ms}}).broke_off());  // 79 mA
  // The reading after comes twice as late: the share is that of the time passed.
  EXPECT_TRUE(flow_of({{0.8, 0ms}, {0.4, 100ms}, {0, 300ms}}).broke_off());   // 100 mA
  EXPECT_FALSE(flow_of({{0.6, 0ms}, {0.3, 100ms}, {0, 300ms}}).broke_off());  // 75 mA
}

TEST(AFlow, is_not_expected_to_go_on_rising) {  // S3
  EXPECT_FALSE(flow_of({{0.04, 0ms}, {0.06, 100ms}, {0, 200ms}}).broke_off());
  EXPECT_TRUE(flow_of({{0.04, 0ms}, {0.09, 100ms}, {0, 200ms}}).broke_off());
}

TEST(AFlow, that_was_never_there_or_turns_round_did_not_break_off) {  // S3
  EXPECT_FALSE(flow_of({{0, 0ms}}).broke_off());
  EXPECT_FALSE(flow_of({{0, 0ms}, {0, 100ms}, {0, 200ms}}).broke_off());
  EXPECT_FALSE(flow_of({{-1, 0ms}, {-1, 100ms}, {0, 200ms}}).broke_off());
  EXPECT_FALSE(flow_of({{2, 0ms}, {-1, 100ms}, {0, 200ms}}).broke_off());
}

TEST(AFlow, is_not_judged_by_two_readings_of_one_moment) {  // S3
  EXPECT_FALSE(flow_of({{2, 0ms}, {0, 0ms}}).broke_off());
  EXPECT_TRUE(flow_of({{1, 0ms}, {2, 0ms}, {0, 100ms}}).broke_off());
  // Nor does such a pair tell a pace, or take away the one that is known.
  EXPECT_TRUE(flow_of({{8, 0ms}, {0.1, 0ms}, {0, 100ms}}).broke_off());
  EXPECT_FALSE(flow_of({{0.4, 0ms}, {0.16, 100ms}, {0.16, 100ms}, {0, 200ms}}).broke_off());
}

TEST(AFlow, stays_broken_off_until_it_is_back) {  // S3
  Flow flow = flow_of({{2, 0ms}, {2, 100ms}, {0, 200ms}, {0.020, 300ms}, {0, 400ms}});
  EXPECT_TRUE(flow.broke_off());
  flow.see(0.0201, 3.7, standing, at(500ms));
  EXPECT_FALSE(flow.broke_off());
}

TEST(AFlow, may_fall_by_what_a_lowered_voltage_takes_from_the_leads_and_by_no_more) {  // S3
  Flow::Circumstances lowered = standing;
  lowered.voltage_setpoint = 4.18_V;  // 20 mV over 10 mohm: 2 A
  EXPECT_FALSE(flow_of({{2.07, 0ms}, {2.07, 100ms}, {0, 200ms, lowered}}).broke_off());
  EXPECT_TRUE(flow_of({{2.09, 0ms}, {2.09, 100ms}, {0, 200ms, lowered}}).broke_off());
  Flow::Circumstances raised = standing;
  raised.voltage_setpoint = 4.25_V;
  EXPECT_TRUE(flow_of({{0.1, 0ms}, {0.1, 100ms}, {0, 200ms, raised}}).broke_off());
}

TEST(AFlow, through_leads_without_resistance_may_stop_at_any_lower_voltage_and_at_no_other) {  // S3
  Flow::Circumstances ideal = standing;
  ideal.leads = {};
  EXPECT_TRUE(flow_of({{2, 0ms, ideal}, {2, 100ms, ideal}, {0, 200ms, ideal}}).broke_off());
  Flow::Circumstances lowered = ideal;
  lowered.voltage_setpoint = 4.19_V;
  EXPECT_FALSE(flow_of({{2, 0ms, ideal}, {2, 100ms, ideal}, {0, 200ms, lowered}}).broke_off());
}

TEST(AFlow, may_fall_to_the_current_that_is_set) {  // S3
  Flow::Circumstances folded = standing;
  folded.current_setpoint = 79.0_mA;
  EXPECT_FALSE(flow_of({{2, 0ms}, {2, 100ms}, {0, 200ms, folded}}).broke_off());
  folded.current_setpoint = 81.0_mA;
  EXPECT_TRUE(flow_of({{2, 0ms}, {2, 100ms}, {0, 200ms, folded}}).broke_off());
  folded.current_setpoint = drivers::amperes(4 * 0.020);  // not clearly there
  EXPECT_FALSE(flow_of({{2, 0ms}, {2, 100ms}, {0, 200ms, folded}}).broke_off());
}

TEST(AFlow, has_no_pace_before_its_second_reading_nor_from_before_it_stopped) {  // S3
  EXPECT_TRUE(flow_of({{0.085, 0ms}, {0, 100ms}}).broke_off());
  // It fell to nothing at the pace it had, and came back.
  EXPECT_FALSE(flow_of({{7.2, 0ms}, {0.1, 100ms}, {0, 200ms}}).broke_off());
  EXPECT_TRUE(flow_of({{7.2, 0ms}, {0.1, 100ms}, {0, 200ms}, {2, 300ms}, {0, 400ms}}).broke_off());
}

TEST(AFlow, into_a_capacitor_may_fall_by_e_in_its_fall_time) {  // S3
  Flow::Circumstances capacitor = standing;
  capacitor.fall_time = 100ms;
  const auto broke = [&](double before, double last) {
    return flow_of({{before, 0ms, capacitor}, {last, 100ms, capacitor}, {0, 200ms, capacitor}})
        .broke_off();
  };
  EXPECT_TRUE(broke(0.22, 0.22));   // 81 mA
  EXPECT_FALSE(broke(0.21, 0.21));  // 77 mA
  capacitor.fall_time = 1s;
  EXPECT_FALSE(broke(0.30, 0.15));  // it fell faster before, and goes on so: 75 mA
}

TEST(AFlow, knows_when_it_stopped_and_what_the_cell_showed_while_it_flowed) {  // S3
  Flow flow;
  flow.begin(3.6);
  EXPECT_EQ(flow.rest_volts(), 3.6);
  EXPECT_FALSE(flow.ever());
  flow.see(0.020, 3.61, standing, at(0ms));
  flow.see(0.010, 3.62, standing, at(100ms));
  EXPECT_FALSE(flow.ever());
  EXPECT_EQ(flow.stopped_since(), at(0ms));
  flow.see(0.021, 3.63, standing, at(200ms));
  EXPECT_TRUE(flow.ever());
  EXPECT_EQ(flow.flowing_volts(), 3.63);
  flow.see(0.020, 3.50, standing, at(300ms));
  flow.see(-0.020, 3.40, standing, at(400ms));
  EXPECT_EQ(flow.stopped_since(), at(300ms));
  EXPECT_EQ(flow.flowing_volts(), 3.63);
  EXPECT_TRUE(flow.ever());
  flow.see(-0.021, 3.30, standing, at(500ms));
  flow.see(0, 3.20, standing, at(600ms));
  EXPECT_EQ(flow.stopped_since(), at(600ms));
  EXPECT_EQ(flow.flowing_volts(), 3.30);
  flow.begin(std::nullopt);  // the output goes on again
  EXPECT_FALSE(flow.ever());
  EXPECT_FALSE(flow.rest_volts());
}

}  // namespace
}  // namespace chargewright::safety::testing

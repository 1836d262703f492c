// What a cell must have warmed by, and the thermometer that does not show it (S3).
#include "safety/warming.h"

#include <gtest/gtest.h>

#include <cmath>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

const Body body{30.0_mohm, drivers::joules_per_kelvin(50)};
// C dE/dt = I^2 R - (C / 300 s) E: towards this, by e in 300 s. At 7.2 A:
constexpr double balance = 7.2 * 7.2 * 0.030 * 300 / 50;

Warming warmed(std::initializer_list<std::pair<Duration, double>> amperes, const Body& of = body) {
  Warming warming;
  warming.begin(of);
  for (const auto& [when, current] : amperes) warming.see(current, at(when));
  return warming;
}

TEST(ACell, warms_by_its_least_resistance_and_cools_into_the_air) {  // S3
  Warming warming;
  warming.begin(body);
  for (int second = 0; second <= 60; ++second) warming.see(7.2, at(1s * second));
  const double after_a_minute = balance * (1 - std::exp(-0.2));
  EXPECT_NEAR(warming.least(), after_a_minute, 1e-9);
  for (int second = 61; second <= 120; ++second) warming.see(0, at(1s * second));
  EXPECT_NEAR(warming.least(), after_a_minute * std::exp(-0.2), 1e-9);
  warming.begin(body);
  EXPECT_EQ(warming.least(), 0);
}

TEST(ACell, warms_by_the_weaker_of_two_currents_whichever_way_they_flow) {  // S3
  const double ten_seconds = 1 - std::exp(-10.0 / 300);
  EXPECT_NEAR(warmed({{0s, 7.2}, {10s, 3.6}}).least(), balance / 4 * ten_seconds, 1e-9);
  EXPECT_NEAR(warmed({{0s, 3.6}, {10s, -7.2}}).least(), balance / 4 * ten_seconds, 1e-9);
  EXPECT_NEAR(warmed({{0s, -7.2}, {10s, -7.2}}).least(), balance * ten_seconds, 1e-9);
  EXPECT_EQ(warmed({{0s, 7.2}}).least(), 0);
}

TEST(ACell, warms_no_longer_than_a_minute_by_a_current_that_was_not_read_again) {  // S3
  EXPECT_NEAR(warmed({{0s, 7.2}, {60s, 7.2}}).least(), balance * (1 - std::exp(-0.2)), 1e-9);
  EXPECT_NEAR(warmed({{0s, 7.2}, {360s, 7.2}}).least(),
              balance * (1 - std::exp(-0.2)) * std::exp(-1.0), 1e-9);
}

TEST(ACell, does_not_warm_by_a_current_answered_at_the_same_moment) {  // S3
  Warming warming;
  warming.begin(Body{.resistance_least = drivers::ohms(0.03),
                     .heat_capacity_most = drivers::joules_per_kelvin(70)});
  warming.see(10, at(1s));
  warming.see(10, at(1s));
  EXPECT_EQ(warming.least(), 0);
}

TEST(ACell, of_which_too_little_is_known_is_not_reckoned_to_warm) {  // S3
  const Body without_resistance{{}, drivers::joules_per_kelvin(50)};
  const Body without_capacity{30.0_mohm, {}};
  for (const Body& unknown : {without_resistance, without_capacity, Body{}}) {
    EXPECT_FALSE(unknown.known());
    EXPECT_EQ(warmed({{0s, 7.2}, {60s, 7.2}}, unknown).least(), 0);
  }
  EXPECT_TRUE(body.known());
}

struct Shown {
  Duration when;
  double celsius;
  double least = 0;  // what the cell has warmed by
};

FollowedWarming followed(std::initializer_list<Shown> readings) {
  FollowedWarming sensor;
  for (const Shown& r : readings) sensor.see(r.celsius, r.least, at(r.when));
  return sensor;
}

TEST(AThermometer, is_behind_when_it_shows_less_than_a_quarter_of_two_kelvins_or_more) {  // S3
  EXPECT_FALSE(followed({{0s, 25}, {60s, 25, 1.99}}).behind());
  EXPECT_TRUE(followed({{0s, 25}, {60s, 25, 2}}).behind());
  EXPECT_TRUE(followed({{0s, 25}, {60s, 25.49, 2}}).behind());
  EXPECT_FALSE(followed({{0s, 25}, {60s, 25.5, 2}}).behind());
  EXPECT_FALSE(followed({{0s, 25}, {60s, 26.5, 6}}).behind());
  const FollowedWarming behind = followed({{0s, 25}, {60s, 26.25, 6}});
  EXPECT_TRUE(behind.behind());
  EXPECT_DOUBLE_EQ(behind.change(), 1.25);
  EXPECT_DOUBLE_EQ(behind.least_change(), 1.5);
}

TEST(AThermometer, that_follows_after_all_is_behind_no_more) {  // S3
  EXPECT_FALSE(followed({{0s, 25}, {60s, 25, 2}, {70s, 26, 2}}).behind());
}

TEST(AThermometer, is_measured_from_where_it_stood_when_the_warming_began) {  // S3
  // Until half a kelvin is due nothing has begun: a warm room is no rise of the cell's.
  EXPECT_TRUE(followed({{0s, 25}, {60s, 30, 0.49}, {90s, 30.4, 2}}).behind());
  EXPECT_FALSE(followed({{0s, 25}, {60s, 30, 0.5}, {90s, 30, 2}}).behind());
  // From its lowest since.
  EXPECT_FALSE(followed({{0s, 25}, {60s, 24, 1}, {90s, 24.5, 2}}).behind());
  EXPECT_TRUE(followed({{0s, 25}, {60s, 24, 1}, {90s, 24.49, 2}}).behind());
}

// What a fall of a hundredth of a kelvin each second comes to, which fades as what warms it does.
double fallen(Duration since) {
  return 0.01 * Warming::cooling_time *
         -std::expm1(-drivers::in_seconds(since) / Warming::cooling_time);
}

// Warm from the current before, it still falls for a while, as fast as it was seen to.
TEST(AThermometer, of_a_cell_that_was_cooling_may_rise_by_so_much_less) {  // S3
  // A hundredth of a kelvin each second, for two minutes before the warming and while it begins.
  const auto behind = [](Duration watched, double fell_before, double rises_by) {
    FollowedWarming sensor;
    sensor.see(35 + fell_before, 0, at(0s));
    sensor.see(35, 0, at(watched));
    sensor.begin();
    sensor.see(35, 0, at(watched));
    sensor.see(34, 1, at(watched + 60s));
    sensor.see(34 + rises_by, 6, at(watched + 100s));  // a quarter: 1.5 K
    return sensor.behind();
  };
  const double least = 1.5 - fallen(100s);
  EXPECT_FALSE(behind(120s, 1.2, least + 0.001));
  EXPECT_TRUE(behind(120s, 1.2, least - 0.001));
  EXPECT_FALSE(behind(30s, 0.3, least + 0.001));
  EXPECT_TRUE(behind(29s, 0.29, 1.499));  // too short to tell
  EXPECT_TRUE(behind(120s, 0, 1.499));
  EXPECT_TRUE(behind(120s, -1.2, 1.499));  // it was warming
  EXPECT_FALSE(behind(120s, -1.2, 1.5));
}

TEST(AThermometer, falls_as_it_was_seen_to_in_the_last_minutes_before_it_was_warmed) {  // S3
  // Fast at first, then not at all: what is older than four minutes is forgotten.
  FollowedWarming sensor;
  for (int second = 0; second <= 600; second += 10) {
    sensor.see(std::max(50 - 0.05 * second, 35.0), 0, at(1s * second));
  }
  sensor.see(35, 2, at(700s));
  EXPECT_TRUE(sensor.behind());
  EXPECT_DOUBLE_EQ(sensor.least_change(), 0.5);
  // Also where the current before had warmed it: that is reckoned anew with each run.
  FollowedWarming again;
  for (int second = 0; second <= 600; second += 10) {
    again.see(40 - 0.01 * second, 3 * std::exp(-second / 300.0), at(1s * second));
  }
  again.begin();
  again.see(34, 0, at(610s));
  again.see(34, 2, at(640s));
  EXPECT_TRUE(again.behind());
  EXPECT_NEAR(again.least_change(), 0.5 - fallen(30s), 0.03);  // in ten seconds nothing was read
  // And where it cools between two steps of one run.
  FollowedWarming rested;
  for (int second = 0; second <= 600; second += 10) {
    rested.see(40 - 0.01 * second, 0.4 * std::exp(-second / 300.0), at(1s * second));
  }
  rested.see(34, 2, at(640s));
  EXPECT_TRUE(rested.behind());
  EXPECT_NEAR(rested.least_change(), 0.5 - fallen(40s), 1e-9);
  // Each two minutes, to the second, a mark is set.
  const FollowedWarming marked =
      followed({{0s, 36}, {120s, 35}, {240s, 35}, {250s, 35}, {300s, 35, 2}});
  EXPECT_TRUE(marked.behind());
  EXPECT_DOUBLE_EQ(marked.least_change(), 0.5);
  // Not by what it does while it is warmed: a sensor that follows nothing would look like one of a
  // cell that cools.
  FollowedWarming warmed;
  for (int second = 0; second <= 120; second += 10) {
    warmed.see(35 - 0.002 * second, 0.4 * second / 120, at(1s * second));
  }
  warmed.see(34.76, 2, at(180s));
  EXPECT_TRUE(warmed.behind());
  EXPECT_DOUBLE_EQ(warmed.least_change(), 0.5);
}

// 30 K above a room of 15 degC, by e in 300 s, and 1 K of its own unrest: in ten seconds 1.98 K.
TEST(AThermometer, falls_no_faster_than_a_cell_in_a_cold_draught) {  // S3
  EXPECT_FALSE(followed({{0s, 45}, {10s, 45 - 1.98}}).behind());
  const FollowedWarming fallen = followed({{0s, 45}, {10s, 45 - 1.99}});
  EXPECT_TRUE(fallen.behind());
  EXPECT_NEAR(fallen.change(), -1.99, 1e-9);
  EXPECT_NEAR(fallen.least_change(), -30 * (1 - std::exp(-10.0 / 300)), 1e-9);
  // At once, too; but two readings of one moment have had no time.
  EXPECT_TRUE(followed({{0s, 45}, {500ms, 45 - 1.1}}).behind());
  EXPECT_FALSE(followed({{0s, 45}, {0s, 40}}).behind());
  // A room 10 K colder than the coldest it ever showed, where that is below 15 degC.
  EXPECT_FALSE(followed({{0s, 20}, {10s, 20 - 1.32}}).behind());
  EXPECT_TRUE(followed({{0s, 20}, {10s, 20 - 1.33}}).behind());
}

TEST(AThermometer, is_held_against_what_it_showed_a_quarter_of_a_minute_or_two_before) {  // S3
  // Marked at 15 s and at 30 s; at 40 s the older mark is 25 s old: 2.40 K, and 1 K of unrest.
  EXPECT_FALSE(followed({{0s, 45}, {15s, 45}, {30s, 45}, {40s, 45 - 3.39}}).behind());
  EXPECT_TRUE(followed({{0s, 45}, {15s, 45}, {30s, 45}, {40s, 45 - 3.41}}).behind());
  // Not marked anew before 15 s: at 24 s the mark is 24 s old.
  EXPECT_FALSE(followed({{0s, 45}, {14s, 45}, {24s, 45 - 3.29}}).behind());
  EXPECT_TRUE(followed({{0s, 45}, {14s, 45}, {24s, 45 - 3.32}}).behind());
}

TEST(AThermometer, has_its_coldest_for_the_room_that_it_had_seen_when_it_was_marked) {  // S3
  // 20 degC once, a cell of 45 degC now: the room may have 10 degC, not 15.
  // Warmed slowly, so that nothing falls; marks at 60 s and 75 s, both after the 20 degC.
  const auto cooled = [](double fall) {
    return followed({{0s, 20}, {60s, 45}, {75s, 45}, {90s, 45}, {100s, 45 - fall}}).behind();
  };
  const double most = 35 * (1 - std::exp(-25.0 / 300)) + 1;
  EXPECT_FALSE(cooled(most - 0.01));
  EXPECT_TRUE(cooled(most + 0.01));
}

TEST(AThermometer, that_fell_off_is_behind_whatever_it_shows_later) {  // S3
  FollowedWarming sensor = followed({{0s, 45}, {10s, 20}, {20s, 45}, {60s, 50}});
  EXPECT_TRUE(sensor.behind());
  EXPECT_NEAR(sensor.change(), -25, 1e-9);
  sensor.begin();
  EXPECT_FALSE(sensor.behind());
}

// What it fell by after it came off says nothing of how the next cell cools.
TEST(AThermometer, that_came_off_between_two_runs_is_found_in_the_next) {  // S3
  for (const int gap : {0, 240, 900}) {  // s, between the last of its fall and the run
    FollowedWarming sensor;
    int second = 0;
    for (; second < 300; ++second) sensor.see(40, 3, at(1s * second));
    for (; second < 400 + gap; ++second) {
      sensor.see(20 + 20 * std::exp(-(second - 300) / 20.0), 3, at(1s * second));
    }
    ASSERT_TRUE(sensor.behind());
    sensor.begin();
    double least = 0;
    for (int t = 0; t < 1200; ++t, ++second) {
      least = 8 * -std::expm1(-t / Warming::cooling_time);
      sensor.see(20, least, at(1s * second));
    }
    EXPECT_EQ(sensor.behind(), gap > 0) << gap;
  }
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

}  // namespace
}  // namespace chargewright::safety::testing

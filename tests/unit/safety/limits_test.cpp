// The tightest origin wins, and nothing loosens what another says (S2).
#include "safety/limits.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();
constexpr double inf = std::numeric_limits<double>::infinity();

TEST(Limits, keep_the_tighter_of_two_origins_for_each_quantity) {  // S2
  Limits cell;
  cell.voltage_above = limit(4.25_V, Origin::cell);
  cell.voltage_below = limit(2.5_V, Origin::cell);
  cell.temperature_below = limit(0.0_degC, Origin::cell);
  cell.temperature_above = limit(60.0_degC, Origin::cell);
  Limits profile;
  profile.voltage_above = limit(4.30_V, Origin::profile);  // looser: must not win
  profile.voltage_below = limit(2.8_V, Origin::profile);   // tighter
  profile.temperature_below = limit(5.0_degC, Origin::profile);
  profile.temperature_above = limit(45.0_degC, Origin::profile);
  profile.current_above = limit(3.0_A, Origin::profile);  // the only one
  tighten(cell, profile);
  EXPECT_EQ(cell.voltage_above->value, 4.25_V);
  EXPECT_EQ(cell.voltage_above->origin, Origin::cell);
  EXPECT_EQ(cell.voltage_below->value, 2.8_V);
  EXPECT_EQ(cell.voltage_below->origin, Origin::profile);
  EXPECT_EQ(cell.temperature_below->value.value(), 5.0);
  EXPECT_EQ(cell.temperature_above->value.value(), 45.0);
  EXPECT_EQ(cell.current_above->origin, Origin::profile);
}

// Every quantity, both ways round: what the other origin says more tightly is what is left.
template <class Q>
void tightens(std::optional<Limit<Q>> Limits::*member, double loose, double tight) {
  for (const bool tight_first : {true, false}) {
    Limits ours;
    Limits with;
    const auto value = [](double x) {
      if constexpr (std::is_same_v<Q, Duration>) {
        return drivers::seconds(x);
      } else {
        return Q::from_value(x);
      }
    };
    ours.*member = limit(value(tight_first ? tight : loose), Origin::cell);
    with.*member = limit(value(tight_first ? loose : tight), Origin::policy);
    tighten(ours, with);
    EXPECT_EQ((ours.*member)->value, value(tight));
    EXPECT_EQ((ours.*member)->origin, tight_first ? Origin::cell : Origin::policy);
    Limits approved;
    approved.*member = limit(value(tight));
    Limits looser;
    looser.*member = limit(value(loose));
    EXPECT_TRUE(no_looser(approved, approved));
    EXPECT_TRUE(no_looser(approved, looser));
    EXPECT_FALSE(no_looser(looser, approved));
    EXPECT_FALSE(no_looser(Limits{}, approved));  // a limit taken away
    EXPECT_TRUE(no_looser(approved, Limits{}));   // a limit added
    (looser.*member)->value = value(tight);
    (looser.*member)->on_delay = 1s;
    EXPECT_FALSE(no_looser(looser, approved));  // a longer on-delay
  }
}

TEST(Limits, are_tightened_and_compared_in_every_quantity) {  // S2
  tightens(&Limits::voltage_above, 4.3, 4.2);
  tightens(&Limits::voltage_below, 2.5, 2.8);
  tightens(&Limits::current_above, 3, 2);
  tightens(&Limits::current_reverse, 3, 2);
  tightens(&Limits::power_above, 30, 20);
  tightens(&Limits::temperature_above, 60, 45);
  tightens(&Limits::temperature_below, 0, 5);
  tightens(&Limits::temperature_rising, 0.1, 0.05);
  tightens(&Limits::charge_above, 9000, 8000);
  tightens(&Limits::energy_above, 9000, 8000);
  tightens(&Limits::run_time, 9000, 8000);
  tightens(&Limits::step_time, 9000, 8000);
}

TEST(Limits, of_equal_value_keep_the_shorter_on_delay_and_the_first_origin) {
  Limits ours;
  ours.voltage_above = limit(4.2_V, Origin::cell, 2s);
  Limits with;
  with.voltage_above = limit(4.2_V, Origin::profile, 1s);
  tighten(ours, with);
  EXPECT_EQ(ours.voltage_above->origin, Origin::cell);
  EXPECT_EQ(ours.voltage_above->on_delay, Duration{1s});
}

TEST(Limits, keep_what_trips_at_once_behind_a_tighter_one_with_an_on_delay) {  // S2
  for (const bool profile_first : {false, true}) {
    Limits cell;
    cell.voltage_above = limit(4.25_V, Origin::cell);
    cell.voltage_below = limit(2.50_V, Origin::cell);
    Limits profile;
    profile.voltage_above = limit(4.22_V, Origin::profile, 1s);
    profile.voltage_below = limit(2.80_V, Origin::profile, 1s);
    Limits source;
    source.voltage_above = limit(20.0_V, Origin::instrument);
    Limits ours = profile_first ? profile : cell;
    tighten(ours, profile_first ? cell : profile);
    tighten(ours, source);
    tighten(ours, ours);
    EXPECT_EQ(ours.voltage_above->value, 4.22_V);
    EXPECT_EQ(ours.voltage_above->origin, Origin::profile);
    EXPECT_EQ(ours.voltage_above->on_delay, Duration{1s});
    ASSERT_TRUE(ours.voltage_above->at_once);
    EXPECT_EQ(ours.voltage_above->at_once->value, 4.25_V);
    EXPECT_EQ(ours.voltage_above->at_once->origin, Origin::cell);
    ASSERT_TRUE(ours.voltage_below->at_once);
    EXPECT_EQ(ours.voltage_below->at_once->value, 2.50_V);
    Limits policy;
    policy.voltage_above = limit(4.20_V, Origin::policy);
    tighten(ours, policy);
    EXPECT_EQ(ours.voltage_above->value, 4.20_V);
    EXPECT_EQ(ours.voltage_above->on_delay, Duration{});
    EXPECT_FALSE(ours.voltage_above->at_once);
  }
}

TEST(Limits, give_the_tighter_of_two_with_on_delays_the_shorter_one) {  // S2
  for (const bool swapped : {false, true}) {
    Limits tight;
    tight.current_above = limit(4.0_A, Origin::profile, 1s);
    Limits quick;
    quick.current_above = limit(5.0_A, Origin::policy, Duration{100ms});
    Limits ours = swapped ? quick : tight;
    tighten(ours, swapped ? tight : quick);
    EXPECT_EQ(ours.current_above->value, 4.0_A);
    EXPECT_EQ(ours.current_above->on_delay, Duration{100ms});
    EXPECT_TRUE(no_looser(ours, tight));
    EXPECT_TRUE(no_looser(ours, quick));
  }
}

TEST(Limits, are_looser_when_what_trips_at_once_is) {  // S2
  Limits cell;
  cell.voltage_above = limit(4.25_V, Origin::cell);
  Limits profile;
  profile.voltage_above = limit(4.22_V, Origin::profile, 1s);
  Limits both = cell;
  tighten(both, profile);
  EXPECT_TRUE(no_looser(both, cell));
  EXPECT_TRUE(no_looser(both, profile));
  EXPECT_TRUE(no_looser(both, both));
  EXPECT_FALSE(no_looser(cell, both));
  EXPECT_FALSE(no_looser(profile, both));
  Limits looser = both;
  looser.voltage_above->at_once->value = 4.30_V;
  EXPECT_FALSE(no_looser(looser, both));
  looser.voltage_above->at_once->value = drivers::volts(std::nan(""));
  EXPECT_FALSE(no_looser(looser, both));
}

TEST(Limits, are_never_proved_tight_by_what_is_not_a_number) {  // S2
  Limits approved = cell_limits();
  Limits now = approved;
  EXPECT_TRUE(no_looser(now, approved));
  now.voltage_above->value = drivers::volts(nan);
  EXPECT_FALSE(no_looser(now, approved));
  tighten(approved, now);
  EXPECT_FALSE(defect(approved).empty());
}

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

// Of several without on-delay, the tightest stands behind; nothing stands behind a limit that trips
// at once itself, nor one that is tighter than it.
TEST(Limits, keep_the_tightest_of_what_trips_at_once) {  // S2
  Limits ours;
  ours.current_above = limit(2.0_A, Origin::profile, 1s);
  const auto with = [&](double amperes, Origin origin, Duration delay = {}) {
    Limits other;
    other.current_above = limit(drivers::amperes(amperes), origin, delay);
    tighten(ours, other);
    return ours.current_above->at_once;
  };
  EXPECT_FALSE(with(2.5, Origin::wiring, 2s));  // borne longer, and looser: says nothing new
  EXPECT_EQ(ours.current_above->on_delay, Duration{1s});
  EXPECT_EQ(with(5, Origin::cell)->value, 5.0_A);
  EXPECT_EQ(with(6, Origin::instrument)->origin, Origin::cell);
  EXPECT_EQ(with(5, Origin::instrument)->origin, Origin::cell);
  EXPECT_EQ(with(4, Origin::policy)->value, 4.0_A);
  EXPECT_EQ(with(4, Origin::wiring)->origin, Origin::policy);
  // Of the same value, and without on-delay: now the first reading trips.
  EXPECT_FALSE(with(2, Origin::policy));
  EXPECT_EQ(ours.current_above->on_delay, Duration{});
  EXPECT_EQ(ours.current_above->origin, Origin::profile);
  // A tighter one that waits lets the one there was stand behind it.
  EXPECT_EQ(with(1.5, Origin::wiring, 3s)->value, 2.0_A);
  EXPECT_EQ(ours.current_above->on_delay, Duration{3s});
  // Tighter still, and with a shorter on-delay: what stands behind stays.
  EXPECT_EQ(with(1.2, Origin::cell, 2s)->value, 2.0_A);
  EXPECT_EQ(ours.current_above->value, 1.2_A);
  EXPECT_EQ(ours.current_above->on_delay, Duration{2s});
}

TEST(Limits, take_over_what_trips_at_once_from_another_origin) {  // S2
  for (const double ours_behind : {4.28, 4.24}) {
    Limits ours;
    ours.voltage_above = limit(4.22_V, Origin::profile, 1s);
    ours.voltage_above->at_once =
        AtOnce<drivers::Volts>{drivers::volts(ours_behind), Origin::instrument};
    Limits with;
    with.voltage_above = limit(4.20_V, Origin::policy, 2s);
    with.voltage_above->at_once = AtOnce<drivers::Volts>{4.26_V, Origin::cell};
    tighten(ours, with);
    EXPECT_EQ(ours.voltage_above->value, 4.20_V);
    EXPECT_EQ(ours.voltage_above->on_delay, Duration{1s});
    EXPECT_EQ(ours.voltage_above->at_once->value.value(), std::min(ours_behind, 4.26));
  }
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

// What is approved to be borne for a second may trip at once, and not the other way round.
TEST(Limits, are_as_tight_where_they_trip_sooner_at_a_tighter_value) {  // S2
  Limits approved;
  approved.voltage_above = limit(4.22_V, Origin::profile, 1s);
  Limits now;
  now.voltage_above = limit(4.22_V, Origin::profile, 1s);
  EXPECT_TRUE(no_looser(now, approved));
  now.voltage_above->on_delay = 1s + 1ns;
  EXPECT_FALSE(no_looser(now, approved));
  now.voltage_above->at_once = AtOnce<drivers::Volts>{4.22_V, Origin::cell};
  EXPECT_TRUE(no_looser(now, approved));
  approved.voltage_above->at_once = AtOnce<drivers::Volts>{4.25_V, Origin::cell};
  now.voltage_above = limit(4.22_V, Origin::profile, 1s);
  EXPECT_FALSE(no_looser(now, approved));
  now.voltage_above = limit(4.22_V, Origin::profile);
  EXPECT_TRUE(no_looser(now, approved));
}

TEST(Limits, of_nought_are_limits) {  // S2
  Limits limits = cell_limits();
  limits.current_reverse = limit(0.0_A);
  limits.power_above = limit(0.0_W);
  limits.charge_above = limit(0.0_Ah);
  limits.energy_above = limit(0.0_Wh);
  limits.current_above = limit(0.0_A);
  limits.temperature_rising = limit(drivers::kelvins_per_second(0));
  limits.run_time = limit(Duration{});
  limits.step_time = limit(Duration{});
  EXPECT_EQ(defect(limits), "");
}

TEST(Limits, are_defective_where_what_stands_behind_an_on_delay_is_no_number) {  // S2
  Limits limits = cell_limits();
  limits.current_above->at_once = AtOnce<drivers::Amperes>{9.0_A, Origin::cell};
  EXPECT_EQ(defect(limits), "");
  for (const double bad : {nan, inf}) {
    limits.current_above->at_once->value = drivers::amperes(bad);
    EXPECT_NE(defect(limits), "");
  }
}

TEST(Limits, at_once_want_a_number_too) {  // S2
  Limits limits = cell_limits();
  limits.voltage_above->at_once = AtOnce<drivers::Volts>{drivers::volts(nan), Origin::cell};
  EXPECT_EQ(defect(limits), "the limit on voltage above is not a usable number");
  limits.voltage_above->at_once->value = 4.28_V;
  EXPECT_EQ(defect(limits), "");
}

// Whichever of the two is no number is named, and not dropped for the other.
TEST(Limits, that_are_no_number_are_kept_whichever_came_first) {  // S2
  for (const bool first : {true, false}) {
    Limits ours = cell_limits();
    Limits with = cell_limits();
    (first ? ours : with).power_above->value = drivers::watts(nan);
    tighten(ours, with);
    EXPECT_TRUE(std::isnan(ours.power_above->value.value()));
  }
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

TEST(Limits, of_a_cell_have_no_defect) { EXPECT_EQ(defect(cell_limits()), ""); }

TEST(Limits, name_their_defects) {  // S2
  const auto spoiled = [](auto spoil) {
    Limits limits = cell_limits();
    spoil(limits);
    return std::string(defect(limits));
  };
  EXPECT_NE(spoiled([](Limits& l) { l.voltage_above.reset(); }), "");
  EXPECT_NE(spoiled([](Limits& l) { l.current_above.reset(); }), "");
  EXPECT_NE(spoiled([](Limits& l) { l.run_time.reset(); }), "");
  EXPECT_NE(spoiled([](Limits& l) { l.voltage_below->value = 4.25_V; }).find("reversed"),
            std::string::npos);
  EXPECT_NE(spoiled([](Limits& l) { l.temperature_below->value = 48.0_degC; }).find("reversed"),
            std::string::npos);
  EXPECT_NE(spoiled([](Limits& l) { l.run_time->value = -1s; }).find("negative"),
            std::string::npos);
  EXPECT_NE(spoiled([](Limits& l) { l.step_time->value = -1s; }).find("negative"),
            std::string::npos);
  for (const double bad : {nan, inf, -inf}) {
    EXPECT_NE(spoiled([&](Limits& l) { l.voltage_above->value = drivers::volts(bad); }), "");
    EXPECT_NE(spoiled([&](Limits& l) { l.voltage_below->value = drivers::volts(bad); }), "");
    EXPECT_NE(spoiled([&](Limits& l) { l.current_above->value = drivers::amperes(bad); }), "");
    EXPECT_NE(spoiled([&](Limits& l) { l.current_reverse->value = drivers::amperes(bad); }), "");
    EXPECT_NE(spoiled([&](Limits& l) { l.power_above->value = drivers::watts(bad); }), "");
    EXPECT_NE(spoiled([&](Limits& l) { l.temperature_above->value = drivers::celsius(bad); }), "");
    EXPECT_NE(spoiled([&](Limits& l) { l.temperature_below->value = drivers::celsius(bad); }), "");
    EXPECT_NE(
        spoiled([&](Limits& l) { l.temperature_rising->value = drivers::kelvins_per_second(bad); }),
        "");
    EXPECT_NE(spoiled([&](Limits& l) { l.charge_above->value = drivers::coulombs(bad); }), "");
    EXPECT_NE(spoiled([&](Limits& l) { l.energy_above->value = drivers::joules(bad); }), "");
  }
  EXPECT_NE(spoiled([](Limits& l) { l.current_above->value = -1.0_A; }), "");
  EXPECT_NE(spoiled([](Limits& l) { l.current_reverse->value = -1.0_A; }), "");
  EXPECT_NE(spoiled([](Limits& l) { l.power_above->value = -1.0_W; }), "");
  EXPECT_NE(spoiled([](Limits& l) { l.charge_above->value = drivers::coulombs(-1); }), "");
  EXPECT_NE(spoiled([](Limits& l) { l.energy_above->value = drivers::joules(-1); }), "");
  EXPECT_NE(
      spoiled([](Limits& l) { l.temperature_rising->value = drivers::kelvins_per_second(-1); }),
      "");
  EXPECT_NE(spoiled([](Limits& l) { l.voltage_above->on_delay = -1s; }), "");
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

TEST(Limits, that_are_equal_keep_the_origin_that_is_there) {  // S2 S5
  Limits ours, theirs;
  ours.voltage_above = limit(4.20_V, Origin::cell);
  ours.voltage_below = limit(2.50_V, Origin::cell);
  theirs.voltage_above = limit(4.20_V, Origin::policy);
  theirs.voltage_below = limit(2.50_V, Origin::policy);
  tighten(ours, theirs);
  EXPECT_EQ(ours.voltage_above->origin, Origin::cell);
  EXPECT_EQ(ours.voltage_below->origin, Origin::cell);
}

}  // namespace
}  // namespace chargewright::safety::testing

#include "daemon/run/foldback.h"

#include <gtest/gtest.h>

#include <algorithm>

#include "drivers/simulated/cell.h"
#include "drivers/simulated/thermometer.h"

namespace chargewright::daemon {
namespace {

using namespace drivers::literals;
using drivers::Instant;
using drivers::seconds;

drivers::simulated::CellModel body(double heat_capacity, double cooling, double resistance) {
  drivers::simulated::CellModel model;
  model.capacity = drivers::ampere_hours(1000);  // full much later than this test looks
  model.ocv = {{0, 3.0_V}, {1, 4.0_V}};
  model.r0 = drivers::ohms(resistance);
  model.heat_capacity = drivers::joules_per_kelvin(heat_capacity);
  model.cooling = drivers::watts_per_kelvin(cooling);
  model.ambient = 20.0_degC;
  return model;
}

struct Ride {
  double highest = -1e9;        // degC, ever
  double lowest_settled = 1e9;  // in the last third
  double highest_settled = -1e9;
  double current_low = 1e9;  // in the last third
  double current_high = 0;
};

// Rides the ceiling with a thermometer that lags and shows hundredths.
Ride ride(const drivers::simulated::CellModel& model, drivers::Amperes most, double every_s,
          double hours, drivers::Celsius ceiling) {
  drivers::simulated::Cell cell(model, 0);
  drivers::simulated::Sensor sensor({});
  sensor.start(cell.temperature());
  Foldback foldback(ceiling, most);
  Ride ride;
  const int steps = static_cast<int>(hours * 3600 / every_s);
  for (int i = 0; i < steps; ++i) {
    const drivers::Amperes current = foldback.current();
    cell.advance(seconds(every_s), current);
    sensor.advance(seconds(every_s), cell.temperature());
    foldback.see(sensor.shown(), current, Instant{} + i * seconds(every_s));
    const double c = cell.temperature().value();
    ride.highest = std::max(ride.highest, c);
    if (i < 2 * steps / 3) continue;
    ride.lowest_settled = std::min(ride.lowest_settled, c);
    ride.highest_settled = std::max(ride.highest_settled, c);
    ride.current_low = std::min(ride.current_low, current.value());
    ride.current_high = std::max(ride.current_high, current.value());
  }
  return ride;
}

struct Body {
  const char* what;
  double heat_capacity;  // J/K
  double cooling;        // W/K
  double resistance;     // ohm
  double most;           // A
  double hours;
};

class FoldbackOn : public testing::TestWithParam<std::tuple<Body, double>> {};

// Cells from a coin to a pack, each with a current that would take it well past the ceiling.
TEST_P(FoldbackOn, holds_the_ceiling_within_half_a_kelvin_and_never_swings) {
  const auto& [b, every] = GetParam();
  const auto model = body(b.heat_capacity, b.cooling, b.resistance);
  const double ceiling = 40;
  const double unchecked = 20 + b.most * b.most * b.resistance / b.cooling;
  ASSERT_GT(unchecked, ceiling + 5) << "the case does not test anything";
  const Ride seen = ride(model, drivers::amperes(b.most), every, b.hours, 40.0_degC);
  EXPECT_LT(seen.highest, ceiling + 0.5) << b.what;
  EXPECT_GT(seen.lowest_settled, ceiling - 0.5) << b.what;
  EXPECT_LT(seen.highest_settled - seen.lowest_settled, 0.2) << b.what;
  // What holds the temperature in balance: I^2 R = hA (T - Ta).
  const double balance = std::sqrt(b.cooling * 20 / b.resistance);
  EXPECT_NEAR(seen.current_low, balance, 0.06 * balance) << b.what;
  EXPECT_NEAR(seen.current_high, balance, 0.06 * balance) << b.what;
}

INSTANTIATE_TEST_SUITE_P(
    Bodies, FoldbackOn,
    testing::Combine(testing::Values(Body{"18650", 45, 0.05, 0.05, 6, 6},
                                     Body{"18650, forced", 45, 0.11, 0.05, 10, 4},
                                     Body{"21700 low ohm", 70, 0.08, 0.015, 15, 8},
                                     Body{"pouch", 730, 0.6, 0.003, 90, 12},
                                     Body{"coin", 3, 0.008, 0.5, 0.8, 3},
                                     Body{"pack", 2500, 1.5, 0.02, 60, 24},
                                     Body{"old hot cell", 45, 0.05, 0.2, 4, 4}),
                     testing::Values(0.1, 1.0, 5.0)));

TEST(Foldback, lets_all_current_through_far_below_the_ceiling) {
  Foldback foldback(45.0_degC, 3.0_A);
  foldback.see(25.0_degC, 3.0_A, Instant{} + seconds(1));
  EXPECT_EQ(foldback.current(), 3.0_A);
  EXPECT_FALSE(foldback.is_folding());
}

TEST(Foldback, stops_all_current_well_above_the_ceiling) {
  Foldback foldback(45.0_degC, 3.0_A);
  foldback.see(46.5_degC, 3.0_A, Instant{} + seconds(1));
  EXPECT_EQ(foldback.current(), 0.0_A);
}

TEST(Foldback, does_not_move_on_a_reading_that_is_no_number_or_no_news) {
  Foldback foldback(45.0_degC, 3.0_A);
  foldback.see(44.5_degC, 3.0_A, Instant{} + seconds(10));
  const auto before = foldback.current();
  foldback.see(drivers::celsius(std::nan("")), 3.0_A, Instant{} + seconds(11));
  foldback.see(60.0_degC, 3.0_A, Instant{} + seconds(10));
  EXPECT_EQ(foldback.current(), before);
}

}  // namespace
}  // namespace chargewright::daemon

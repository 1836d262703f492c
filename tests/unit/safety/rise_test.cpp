// Rate of temperature rise: what one digit can feign does not convict (S2).
#include "safety/rise.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

constexpr double per_minute = 1.0 / 60.0;

double shown(double celsius, double digit) { return digit * std::floor(celsius / digit + 0.5); }

TEST(Rise, is_not_known_before_thirty_seconds_of_readings) {
  Rise rise;
  for (int k = 0; k <= 300; ++k) rise.see(25 + 0.01 * k, at(k * 100ms));
  EXPECT_FALSE(rise.known());
  for (int k = 301; k <= 400; ++k) rise.see(25 + 0.01 * k, at(k * 100ms));
  EXPECT_TRUE(rise.known());
}

TEST(Rise, finds_a_steady_slope_within_a_tenth_of_a_kelvin_per_minute) {
  for (const double slope : {0.5, 1.0, 2.0, 5.0, 20.0}) {
    Rise rise;
    for (int k = 0; k < 1200; ++k) {
      rise.see(shown(25 + slope * per_minute * 0.1 * k, 0.1), at(k * 100ms));
    }
    EXPECT_NEAR(rise.kelvins_per_second() / per_minute, slope, 0.2) << slope;
  }
}

TEST(Rise, is_not_feigned_by_one_digit_of_noise) {
  for (const double digit : {0.01, 0.1, 1.0}) {
    for (unsigned seed = 0; seed < 50; ++seed) {
      std::mt19937 random(seed);
      Rise rise;
      double worst = 0;
      for (int k = 0; k < 3000; ++k) {
        rise.see(25 + digit * static_cast<double>(random() % 2), at(k * 100ms));
        worst = std::max(worst, rise.kelvins_per_second());
      }
      EXPECT_LT(worst / per_minute, 0.5) << digit << " seed " << seed;
    }
  }
}

TEST(Rise, is_not_feigned_by_a_single_step_of_one_digit_wherever_it_stands) {
  for (const double digit : {0.1, 1.0}) {
    for (int step = 0; step < 900; step += 10) {
      Rise rise;
      double worst = 0;
      for (int k = 0; k < 1500; ++k) {
        rise.see(k < step ? 25.0 : 25.0 + digit, at(k * 100ms));
        worst = std::max(worst, rise.kelvins_per_second());
      }
      EXPECT_LT(worst / per_minute, 0.2 * digit) << digit << ' ' << step;
    }
  }
}

TEST(Rise, convicts_a_runaway_within_seconds) {
  Rise rise;
  int k = 0;
  for (; k < 900; ++k) rise.see(shown(30 + 0.001 * k, 0.1), at(k * 100ms));
  const int began = k;
  double celsius = 30.9;
  while (rise.kelvins_per_second() < 2 * per_minute && k < 2000) {
    celsius += 0.1;  // 1 K/s
    rise.see(celsius, at(++k * 100ms));
  }
  EXPECT_LT((k - began) * 0.1, 10.0);
}

// Least squares of a straight line is that line; what the coarsest change can feign is taken off.
TEST(Rise, is_the_slope_of_a_line_less_one_and_a_half_digits_over_its_window) {  // S2
  Rise rise;
  for (int k = 0; k < 6; ++k) rise.see(25 + 0.5 * k, at(k * 10s));
  // Five bins are closed, of one reading each: 40 s.
  ASSERT_TRUE(rise.known());
  EXPECT_NEAR(rise.kelvins_per_second(), 0.05 - 1.5 * 0.5 / 40, 1e-12);
  // And when the oldest are forgotten: 32 bins.
  for (int k = 6; k < 60; ++k) rise.see(25 + 0.5 * k, at(k * 10s));
  EXPECT_NEAR(rise.kelvins_per_second(), 0.05 - 1.5 * 0.5 / 310, 1e-12);
}

// By hand: the bent line's sums about its means are 1000 s2 and 99.9 Ks.
TEST(Rise, fits_a_bent_line_by_least_squares) {  // S2
  Rise rise;
  int k = 0;
  for (const double celsius : {25.00, 25.01, 25.00, 25.00, 30.00, 30.00}) {
    rise.see(celsius, at(10s * k++));
  }
  EXPECT_NEAR(rise.kelvins_per_second(), 0.0999 - 1.5 * 0.01 / 40, 1e-12);
}

TEST(Rise, is_known_when_its_bins_of_two_seconds_span_just_thirty) {
  Rise rise;
  for (int k = 0; k <= 16; ++k) {
    EXPECT_FALSE(rise.known());
    rise.see(25, at(k * 2s));
  }
  EXPECT_TRUE(rise.known());  // bins of one reading each, from 0 to 30 s
}

TEST(Rise, bears_a_silence_of_a_minute_and_no_longer) {
  for (const Duration silence : {Duration{60s}, Duration{60s} + 1ns}) {
    Rise rise;
    for (int k = 0; k <= 10; ++k) rise.see(25, at(k * 10s));
    ASSERT_TRUE(rise.known());
    rise.see(25, at(100s + silence));
    EXPECT_EQ(rise.known(), silence == 60s);
  }
}

TEST(Rise, works_at_one_reading_in_ten_seconds) {
  Rise rise;
  for (int k = 0; k < 20; ++k) rise.see(25 + 0.5 * k, at(k * 10s));  // 3 K/min
  ASSERT_TRUE(rise.known());
  EXPECT_NEAR(rise.kelvins_per_second() / per_minute, 3.0, 0.4);
}

TEST(Rise, forgets_what_was_before_a_long_silence) {
  Rise rise;
  for (int k = 0; k < 600; ++k) rise.see(25, at(k * 100ms));
  EXPECT_TRUE(rise.known());
  rise.see(45, at(300s));
  for (int k = 1; k < 100; ++k) rise.see(45, at(300s + k * 100ms));
  EXPECT_FALSE(rise.known());
  EXPECT_EQ(rise.kelvins_per_second(), 0.0);
}

}  // namespace
}  // namespace chargewright::safety::testing

// How long the daemon's end may take (S4).
#include "daemon/serve/end_times.h"

#include <gtest/gtest.h>

namespace chargewright::daemon {
namespace {

using namespace std::chrono_literals;

EndTimes of(drivers::Duration proof, double speed = 1) {
  safety::Plant plant;
  plant.channels.resize(2);
  plant.channels[1].prove_off_within = proof;
  return end_times(plant, speed);
}

TEST(TheDaemonsEnd, waits_as_long_as_the_slowest_output_may_take_to_be_proved_off) {  // S4
  EXPECT_EQ(of(16s).outputs, 17s);
  EXPECT_EQ(of(16s).runs, 19s);
  EXPECT_EQ(of(16s).all(), 41s);
}

TEST(TheDaemonsEnd, is_no_shorter_than_the_system_around_it_needs_and_has_a_bound) {  // S4
  EXPECT_EQ(of(0s).outputs, 5s);
  EXPECT_EQ(of(0s).runs, 8s);
  EXPECT_EQ(of(10min).outputs, 61s);
  EXPECT_EQ(of(10min).runs, 63s);
}

TEST(TheDaemonsEnd, takes_real_time_of_a_bench_in_a_time_of_its_own) {  // S4
  EXPECT_EQ(of(16min, 60).outputs, 17s);
}

}  // namespace
}  // namespace chargewright::daemon

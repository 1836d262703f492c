// What moves a step's setpoints, and what must not: the ceiling on temperature where not every
// thermometer can be read.

#include "daemon/run/steering.h"

#include <gtest/gtest.h>

#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;
using drivers::Validity;

// A bench of two thermometers, and a step that charges with 4 A up to 45 degC.
struct Warm {
  Warm() {
    profiles::Bench on = bench();
    on.channels[0].thermometers = {{probe, 1}, {probe, 2}};
    channel = profiles::plant_of(on).channels[0];
    ceilings.current = 4.0_A;
    ceilings.voltage = 4.2_V;
    ceilings.temperature = 45.0_degC;
    snapshot.state = safety::State::energised;
    snapshot.thermometers = 2;
    read(0, 20, Validity::absent);
    read(1, 20, Validity::absent);
  }
  Steering steering() const { return {channel, plan(), ceilings}; }
  void read(std::size_t sensor, double degrees_c, Validity validity = Validity::valid) {
    now += 100ms;
    snapshot.temperatures[sensor] = {.measurand = drivers::Measurand::temperature,
                                     .validity = validity,
                                     .instrument = probe,
                                     .input = static_cast<std::uint8_t>(sensor + 1),
                                     .value = degrees_c,
                                     .asked = now - 10ms,
                                     .answered = now};
  }

  safety::ChannelPlan channel;
  profiles::Ceilings ceilings;
  safety::ChannelSnapshot snapshot;
  drivers::Instant now{1h};
};

TEST(Steering, does_not_ride_a_cooler_thermometer_where_the_hottest_is_garbled) {  // S2
  Warm warm;
  Steering steering = warm.steering();
  warm.read(0, 47);
  warm.read(1, 25);
  steering.see(warm.snapshot);
  EXPECT_EQ(steering.current(), 0.0_A);
  warm.read(0, 47, Validity::unparsable);
  warm.read(1, 25);
  steering.see(warm.snapshot);
  EXPECT_EQ(steering.current(), 0.0_A);
  warm.read(0, 30);
  warm.read(1, 25);
  steering.see(warm.snapshot);
  EXPECT_EQ(steering.current(), 4.0_A);
}

TEST(Steering, lets_no_current_pass_before_every_thermometer_was_read) {  // S2
  Warm warm;
  Steering steering = warm.steering();
  steering.see(warm.snapshot);
  EXPECT_EQ(steering.current(), 0.0_A);
  warm.read(1, 25);
  steering.see(warm.snapshot);
  EXPECT_EQ(steering.current(), 0.0_A);
  EXPECT_TRUE(steering.is_folding());
  warm.read(0, 30);
  steering.see(warm.snapshot);
  EXPECT_EQ(steering.current(), 4.0_A);
  EXPECT_FALSE(steering.is_folding());
}

TEST(Steering, asks_no_thermometer_where_the_step_has_no_ceiling_on_temperature) {
  Warm warm;
  warm.ceilings.temperature.reset();
  EXPECT_EQ(warm.steering().current(), 4.0_A);
}

}  // namespace
}  // namespace chargewright::daemon

// The response-time budget (S7) against worked examples that are not ours: sums and slopes computed
// by hand, with the wire times of a serial line.

#include <gtest/gtest.h>

#include "safety/budget.h"

namespace chargewright::safety {
namespace {

using namespace drivers;
using namespace std::chrono_literals;

// A channel whose voltmeter is asked for nothing but the voltage.
Plant plant_with(Duration every) {
  Plant plant;
  ChannelPlan channel;
  channel.source = {0, 0};
  channel.voltmeter = {1, 0};
  channel.ammeter = {0, 0};
  channel.every = every;
  channel.allowed_age = 1h;
  plant.channels.push_back(channel);
  plant.instruments = 2;
  return plant;
}

// Handbook of check values, section 9.2 (the form T_sample + (N-1) T_sample + T_read + T_eval +
// T_command + T_actuate: common practice, no source; its example figures are invented but for the
// serial times of section 1.7, computed there at 10 bits for each byte): sampled every 100 ms, two
// more samples wanted, 29.2 ms for question and answer at 9600 baud, 5 ms to evaluate, 9.4 ms for
// `OUTP OFF`, 10 ms for the relay: 353.5 ms. Ours counts two whole round trips instead of the
// command alone, since the instrument may be at an answer when the off comes: 58.3 ms for 9.4.
TEST(BudgetByHand, adds_up_to_the_worked_example_and_to_the_answer_in_flight) {  // S7
  const Plant plant = plant_with(100ms);
  Limits limits;
  limits.voltage_above = Limit<Volts>{volts(4.24), Origin::profile, 200ms, {}};
  BudgetSetup setup{.plant = plant, .limits = limits};
  constexpr double byte_s = 10.0 / 9600;
  const Duration round_trip = seconds((11 + 17) * byte_s);  // `MEAS:VOLT?`, `+4.20000000E+00`
  EXPECT_NEAR(in_seconds(round_trip), 0.0292, 0.00005);
  setup.instruments[0] = {.round_trip = round_trip, .settling = 10ms};
  setup.instruments[1] = {.round_trip = round_trip};
  setup.cell.differential = farads(1);
  const Response response = budget_of(setup).of(Cause::voltage_high)->source;
  const double command_s = 9 * byte_s;  // `OUTP OFF`
  EXPECT_NEAR(in_seconds(response.time) - in_seconds(response.terms.cut) + command_s, 0.3535,
              0.0001);
  EXPECT_GE(in_seconds(response.terms.cut), command_s);
}

// The same section, "overshoot in 354 ms" and "in 2 s": (I/C) T, computed there.
TEST(BudgetByHand, overshoots_by_current_over_capacity_times_the_time) {  // S7
  struct Case {
    double farads, amperes, in_354_ms_mv, in_2_s_mv;
  };
  for (const Case& c : {Case{100, 10, 35.4, 200}, Case{3000, 60, 7.08, 40.0},
                        Case{3300, 60, 6.44, 36.4}, Case{7200, 2, 0.0983, 0.556}}) {
    for (const auto& [time, expected] :
         {std::pair<Duration, double>{354ms, c.in_354_ms_mv}, {2s, c.in_2_s_mv}}) {
      const Plant plant = plant_with(time);  // everything else takes no time
      Limits limits;
      limits.voltage_above = Limit<Volts>{volts(2.7), Origin::profile, {}, {}};
      BudgetSetup setup{.plant = plant, .limits = limits};
      setup.judging = 0ms;
      setup.cell.differential = farads(c.farads);
      setup.armed = {.voltage = volts(100), .current = amperes(c.amperes)};
      const Response response = budget_of(setup).of(Cause::voltage_high)->source;
      EXPECT_EQ(response.time, time);
      EXPECT_NEAR(response.overshoot * 1000, expected, 0.006 * expected);
    }
  }
}

// The same section: a bead 30 s behind at 3 K/min reads 1.5 K low; and section 7.4, computed there:
// 5 A in 50 mohm warm 32.947 J/K by 2.2764 K/min.
TEST(BudgetByHand, heats_by_the_lag_of_the_bead_and_the_rate_of_the_body) {  // S7
  const auto overshoot = [](double amperes_a, double ohms_r, double joules_per_k, Duration lag) {
    Plant plant = plant_with(1ms);
    plant.channels[0].thermometers.push_back({1, 1});
    Limits limits;
    limits.temperature_above = Limit<Celsius>{celsius(45), Origin::profile, {}, {}};
    BudgetSetup setup{.plant = plant, .limits = limits};
    setup.judging = 0ms;
    setup.thermometer_lag = lag;
    setup.steered = amperes(amperes_a);
    setup.armed = {.voltage = volts(4.2), .current = amperes(amperes_a)};
    setup.cell.warm.series = ohms(ohms_r);
    setup.cell.heat_capacity = joules_per_kelvin(joules_per_k);
    return budget_of(setup).of(Cause::temperature_high)->source.overshoot;
  };
  // 1 A in 1 ohm on 20 J/K: 0.05 K/s, that is 3 K/min.
  EXPECT_NEAR(overshoot(1, 1, 20, 30s), 1.5, 0.001);
  EXPECT_NEAR(overshoot(5, 0.050, 32.94702, 60s), 2.2764, 0.001);
}

}  // namespace
}  // namespace chargewright::safety

#include "drivers/simulated/bench.h"

#include <gtest/gtest.h>

namespace chargewright::drivers::simulated {
namespace {

using namespace std::chrono_literals;
constexpr Instant start{};
constexpr InstrumentId supply = 0, meter = 1, probe = 2, contactor = 3;

// A hut radio's cell behind leads, with everything that a bench may hold.
BenchModel hut_bench() {
  BenchModel model;
  model.devices.resize(4);
  model.devices[supply].name = "supply";
  model.devices[meter] = {.name = "meter", .role = Role::meter};
  model.devices[probe] = {.name = "probe", .role = Role::thermometer, .channels = 2};
  model.devices[contactor] = {.name = "contactor", .role = Role::contactor};
  BenchModel::Circuit circuit;
  circuit.name = "left";
  circuit.cell = *typical_model("li-ion-nmc", ampere_hours(2.4));
  circuit.state_of_charge = 0.3;
  circuit.leads = ohms(0.020);
  circuit.source = {supply, 1};
  circuit.contactor = {contactor, 1};
  model.circuits.push_back(circuit);
  model.probes = {{{meter, 1}, 0}, {{probe, 1}, 0}, {{probe, 2}, 0}};
  return model;
}

struct SimulatedBench : testing::Test {
  Bench bench{hut_bench(), start};
  Instant now = start;

  Outcome ask(InstrumentId instrument, Verb verb, double value = 0, std::uint8_t channel = 0) {
    return bench.obey({.instrument = instrument, .channel = channel, .verb = verb, .value = value},
                      now);
  }
  double value(InstrumentId instrument, Verb verb, std::uint8_t channel = 0) {
    const Outcome outcome = ask(instrument, verb, 0, channel);
    EXPECT_EQ(outcome.ending, Ending::done);
    return outcome.value;
  }
  void run_for(Duration span, Duration step = 1s) {
    for (const Instant end = now + span; now < end;) {
      now = std::min(end, now + step);
      bench.advance(now);
    }
  }
  void charge_at(double i, double v) {
    EXPECT_EQ(ask(contactor, Verb::close_switch).ending, Ending::done);
    EXPECT_EQ(ask(supply, Verb::set_voltage, v).ending, Ending::done);
    EXPECT_EQ(ask(supply, Verb::set_current, i).ending, Ending::done);
    EXPECT_EQ(ask(supply, Verb::output_on).ending, Ending::done);
  }
};

TEST_F(SimulatedBench, charges_at_constant_current_then_at_constant_voltage) {
  charge_at(2.4, 4.2);
  EXPECT_NEAR(value(supply, Verb::measure_current), 2.4, 1e-3);
  EXPECT_EQ(value(supply, Verb::read_regulation), 2);
  run_for(40min);
  EXPECT_GT(value(probe, Verb::measure_temperature, 2), 20.5);
  run_for(50min);
  EXPECT_EQ(value(supply, Verb::read_regulation), 1);
  EXPECT_NEAR(value(supply, Verb::measure_voltage), 4.2, 1e-3);
  const double i = value(supply, Verb::measure_current);
  EXPECT_LT(i, 1.0);
  EXPECT_NEAR(value(meter, Verb::measure_voltage), 4.2 - i * 0.020, 2e-4);
}

TEST_F(SimulatedBench, gives_the_same_charge_whatever_the_step) {
  Bench fine{hut_bench(), start};
  for (Bench* b : {&bench, &fine}) {
    for (const auto& [instrument, verb, v] : {std::tuple{contactor, Verb::close_switch, 0.0},
                                              {supply, Verb::set_voltage, 4.1},
                                              {supply, Verb::set_current, 3.0},
                                              {supply, Verb::output_on, 0.0}}) {
      EXPECT_EQ(b->obey({.instrument = instrument, .verb = verb, .value = v}, start).ending,
                Ending::done);
    }
  }
  bench.advance(start + 1h);
  for (int n = 1; n <= 36'000; ++n) fine.advance(start + n * 100ms);
  // Not below 1e-6 here: this cell's resistances follow its temperature, held over 1 s.
  EXPECT_NEAR(bench.circuit(0).cell().charge().value(), fine.circuit(0).cell().charge().value(),
              2e-4 * fine.circuit(0).cell().charge().value());
}

TEST_F(SimulatedBench, passes_no_current_through_an_open_contactor) {
  charge_at(2.4, 4.2);
  EXPECT_EQ(ask(contactor, Verb::open_switch).ending, Ending::done);
  EXPECT_EQ(value(supply, Verb::measure_current), 0);
  EXPECT_EQ(value(contactor, Verb::read_switch), 0);
  EXPECT_NE(bench.log().last(Event::Kind::switch_opened, contactor), nullptr);
}

TEST_F(SimulatedBench, slews_to_its_setpoint_in_milliseconds_when_a_lead_falls_off) {  // S2
  charge_at(2.4, 4.2);
  ASSERT_TRUE(bench.inject({.kind = FaultKind::lead_off, .device = supply}));
  EXPECT_EQ(value(supply, Verb::measure_current), 0);
  now += 2ms;
  EXPECT_NEAR(value(supply, Verb::measure_voltage), 4.2, 1e-3);
  EXPECT_LT(value(meter, Verb::measure_voltage), 4.0);
}

TEST_F(SimulatedBench, trips_its_over_voltage_protection_at_the_crossing_and_latches) {
  charge_at(2.4, 4.2);
  EXPECT_EQ(ask(supply, Verb::set_over_voltage, 4.0).ending, Ending::done);
  run_for(2h, 10s);
  EXPECT_EQ(value(supply, Verb::read_output), 0);
  EXPECT_EQ(value(supply, Verb::read_protection), 1);
  const Event* trip = bench.log().last(Event::Kind::over_voltage_tripped, supply);
  ASSERT_NE(trip, nullptr);
  Bench other{hut_bench(), start};
  for (const auto& [instrument, verb, v] : {std::tuple{contactor, Verb::close_switch, 0.0},
                                            {supply, Verb::set_voltage, 4.2},
                                            {supply, Verb::set_current, 2.4},
                                            {supply, Verb::output_on, 0.0}}) {
    other.obey({.instrument = instrument, .verb = verb, .value = v}, start);
  }
  for (Instant at = start; at < trip->at;) other.advance(at = std::min(trip->at, at + 10s));
  EXPECT_NEAR(other.output(supply).voltage().value(), 4.0, 1e-6);
  EXPECT_EQ(ask(supply, Verb::output_on).device_error, -221);
  EXPECT_EQ(ask(supply, Verb::clear_protection).ending, Ending::done);
  EXPECT_EQ(ask(supply, Verb::set_over_voltage, 4.4).ending, Ending::done);
  EXPECT_EQ(ask(supply, Verb::output_on).ending, Ending::done);
}

TEST_F(SimulatedBench, trips_its_over_current_protection_when_a_knob_is_turned) {
  charge_at(1.0, 4.2);
  EXPECT_EQ(ask(supply, Verb::set_over_current, 1.5).ending, Ending::done);
  EXPECT_EQ(value(supply, Verb::read_output), 1);
  ASSERT_TRUE(bench.inject({.kind = FaultKind::knob_turned,
                            .device = supply,
                            .knob = Measurand::current,
                            .value = 2.0}));
  EXPECT_EQ(value(supply, Verb::read_output), 0);
  EXPECT_EQ(value(supply, Verb::read_protection), 2);
}

TEST_F(SimulatedBench, keeps_to_its_power_rating) {
  BenchModel model = hut_bench();
  model.devices[supply].supply.power_max = watts(5);
  bench = Bench{model, start};
  charge_at(2.4, 4.2);
  const auto power = [&] {
    return value(supply, Verb::measure_voltage) * value(supply, Verb::measure_current);
  };
  EXPECT_NEAR(power(), 5.0, 2e-3);
  run_for(10min);
  EXPECT_NEAR(power(), 5.0, 2e-3);
}

TEST_F(SimulatedBench, refuses_settings_beyond_its_range_and_rounds_to_its_resolution) {
  EXPECT_EQ(ask(supply, Verb::set_voltage, 20.1).device_error, -222);
  EXPECT_EQ(ask(supply, Verb::set_current, -0.1).device_error, -222);
  EXPECT_DOUBLE_EQ(ask(supply, Verb::set_voltage, 4.20037).value, 4.2);
  EXPECT_EQ(ask(supply, Verb::set_voltage, std::nan("")).ending, Ending::refused);
  EXPECT_EQ(ask(supply, Verb::read_output, 0, 2).ending, Ending::refused);
  EXPECT_EQ(ask(9, Verb::identify).ending, Ending::refused);
  EXPECT_EQ(ask(meter, Verb::output_on).ending, Ending::absent);
}

TEST_F(SimulatedBench, shows_a_reversed_cell_as_a_negative_voltage) {  // S1
  ASSERT_TRUE(bench.inject({.kind = FaultKind::reversed, .device = supply}));
  EXPECT_LT(value(meter, Verb::measure_voltage), -3.0);
}

TEST_F(SimulatedBench, drops_more_in_leads_that_came_loose_and_nothing_more_once_they_are_tight) {
  charge_at(2, 4.2);
  const double before = bench.output(supply).voltage().value();
  ASSERT_TRUE(bench.inject({.kind = FaultKind::leads_loosened, .device = supply, .value = 0.05}));
  EXPECT_NEAR(bench.output(supply).voltage().value() - before, 2 * 0.05, 1e-9);
  bench.clear(FaultKind::leads_loosened, supply);
  EXPECT_NEAR(bench.output(supply).voltage().value(), before, 1e-9);
}

TEST_F(SimulatedBench, shows_the_voltage_of_the_cell_that_was_put_in) {
  ASSERT_TRUE(bench.inject({.kind = FaultKind::cell_swapped, .device = supply, .value = 3.3}));
  EXPECT_NEAR(bench.circuit(0).voltage().value(), 3.3, 1e-9);
  EXPECT_FALSE(bench.inject({.kind = FaultKind::cell_swapped, .device = meter, .value = 3.3}));
}

TEST_F(SimulatedBench, ends_orders_by_its_faults) {
  charge_at(1.0, 4.2);
  ASSERT_TRUE(bench.inject({.kind = FaultKind::mute, .device = meter}));
  const Outcome mute = ask(meter, Verb::measure_voltage);
  EXPECT_EQ(mute.ending, Ending::timed_out);
  EXPECT_EQ(mute.answered, now + 500ms);
  bench.clear(FaultKind::mute, meter);

  ASSERT_TRUE(bench.inject({.kind = FaultKind::slow, .device = meter, .delay = 200ms}));
  EXPECT_EQ(ask(meter, Verb::measure_voltage).answered, now + 200ms);
  ASSERT_TRUE(bench.inject({.kind = FaultKind::slow, .device = meter, .delay = 2s}));
  EXPECT_EQ(ask(meter, Verb::measure_voltage).ending, Ending::timed_out);
  bench.clear(FaultKind::slow, meter);

  ASSERT_TRUE(bench.inject({.kind = FaultKind::garbage, .device = meter}));
  EXPECT_EQ(ask(meter, Verb::measure_voltage).ending, Ending::unparsable);
  bench.clear(FaultKind::garbage, meter);

  ASSERT_TRUE(bench.inject({.kind = FaultKind::not_a_number, .device = meter}));
  EXPECT_EQ(ask(meter, Verb::measure_voltage).ending, Ending::not_a_number);
  bench.clear(FaultKind::not_a_number, meter);

  ASSERT_TRUE(bench.inject({.kind = FaultKind::stuck, .device = meter}));
  const double before = value(meter, Verb::measure_voltage);
  run_for(60s);
  EXPECT_EQ(value(meter, Verb::measure_voltage), before);
  bench.clear(FaultKind::stuck, meter);
  EXPECT_NE(value(meter, Verb::measure_voltage), before);

  ASSERT_TRUE(bench.inject({.kind = FaultKind::link_dropped, .device = meter}));
  EXPECT_EQ(ask(meter, Verb::measure_voltage).ending, Ending::link_down);

  ASSERT_TRUE(bench.inject({.kind = FaultKind::sensor_lost, .device = probe, .channel = 2}));
  EXPECT_EQ(ask(probe, Verb::measure_temperature, 0, 1).ending, Ending::done);
  EXPECT_EQ(ask(probe, Verb::measure_temperature, 0, 2).ending, Ending::not_a_number);
  EXPECT_FALSE(bench.inject({.kind = FaultKind::sensor_lost, .device = meter}));
  EXPECT_FALSE(bench.inject({.kind = FaultKind::mute, .device = 9}));
  bench.clear_all();
  EXPECT_EQ(ask(meter, Verb::measure_voltage).ending, Ending::done);
}

TEST_F(SimulatedBench, keeps_its_output_on_when_it_ignores_off) {  // S4
  charge_at(1.0, 4.2);
  ASSERT_TRUE(bench.inject({.kind = FaultKind::ignores_output_off, .device = supply}));
  const Outcome off = ask(supply, Verb::output_off);
  EXPECT_EQ(off.ending, Ending::disproved);
  EXPECT_EQ(off.value, 1);
  EXPECT_GT(value(supply, Verb::measure_current), 0.9);
  EXPECT_EQ(bench.log().last(Event::Kind::output_off, supply), nullptr);
  EXPECT_EQ(ask(contactor, Verb::open_switch).ending, Ending::done);
  EXPECT_EQ(value(supply, Verb::measure_current), 0);
}

TEST_F(SimulatedBench, feels_the_room_when_a_sensor_has_come_off_the_cell) {
  charge_at(4.0, 4.2);
  run_for(15min);
  const double on_cell = value(probe, Verb::measure_temperature, 1);
  ASSERT_TRUE(bench.inject({.kind = FaultKind::sensor_off_cell, .device = probe, .channel = 1}));
  run_for(30s);
  EXPECT_NEAR(value(probe, Verb::measure_temperature, 1), 20, 0.05);
  EXPECT_GT(value(probe, Verb::measure_temperature, 2), on_cell - 0.5);
}

TEST_F(SimulatedBench, notes_when_a_marked_level_was_passed_and_when_the_output_went_off) {
  charge_at(2.4, 4.2);
  bench.watch({Mark::Quantity::cell_voltage, {supply, 1}, 3.9});
  run_for(2h, 1min);
  const Event* crossed = bench.log().last(Event::Kind::mark_crossed, supply);
  ASSERT_NE(crossed, nullptr);
  EXPECT_EQ(crossed->value, 3.9);
  EXPECT_EQ(ask(supply, Verb::output_off).ending, Ending::done);
  EXPECT_EQ(bench.log().last(Event::Kind::output_off, supply)->at, now);
}

TEST_F(SimulatedBench, does_not_move_for_an_instant_that_is_past) {
  run_for(10s);
  bench.advance(start);
  EXPECT_EQ(bench.now(), start + 10s);
}

TEST(BenchModelCheck, says_what_is_wrong_with_a_wiring) {
  BenchModel model = hut_bench();
  EXPECT_TRUE(problems_of(model).empty());
  model.circuits[0].source = {meter, 1};
  model.circuits[0].contactor = {contactor, 2};
  model.probes[0].circuit = 3;
  EXPECT_EQ(problems_of(model).size(), 3U);
}

}  // namespace
}  // namespace chargewright::drivers::simulated

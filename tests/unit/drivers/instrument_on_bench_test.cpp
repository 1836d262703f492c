// Instrument against the simulated devices, byte for byte, in virtual time: what one side says, the
// other must understand; and whatever fault the bench lets loose, no order is done that was not.

#include <gtest/gtest.h>

#include <random>
#include <string>

#include "drivers/instrument.h"
#include "drivers/scpi/conversation.h"
#include "drivers/simulated/scpi_device.h"
#include "tests/support/places.h"

namespace chargewright::drivers {
namespace {

using namespace std::chrono_literals;
namespace sim = simulated;
constexpr InstrumentId supply = 0, meter = 1, probe = 2, contactor = 3;

sim::BenchModel hut_bench() {
  sim::BenchModel model;
  model.devices.resize(4);
  model.devices[supply].name = "supply";
  model.devices[supply].channels = 2;
  model.devices[meter] = {.name = "meter", .role = sim::Role::meter};
  model.devices[probe] = {.name = "probe", .role = sim::Role::thermometer, .channels = 2};
  model.devices[contactor] = {.name = "contactor", .role = sim::Role::contactor};
  sim::BenchModel::Circuit circuit;
  circuit.name = "left";
  circuit.cell = *sim::typical_model("li-ion-nmc", ampere_hours(2.4));
  circuit.state_of_charge = 0.3;
  circuit.leads = ohms(0.020);
  circuit.source = {supply, 1};
  circuit.contactor = {contactor, 1};
  model.circuits.push_back(circuit);
  model.probes = {{{meter, 1}, 0}, {{probe, 1}, 0}, {{probe, 2}, 0}};
  return model;
}

struct Wire {
  Wire(sim::Bench& bench, InstrumentId id, const std::string& dialect)
      : device(bench, id),
        port(device),
        instrument(
            {.name = dialect,
             .id = id,
             .identity = "Chargewright,Simulated .*",
             .dialect = load_dialect(dialect, {test::in_source("drivers/dialects")}).value()}) {}

  // Bytes in both directions, `piece` at a time, until nothing moves.
  void exchange(Instant now, std::size_t piece = 4096) {
    for (int i = 0; i < 1000; ++i) {
      const std::string out(instrument.to_write().substr(0, piece));
      instrument.written(out.size());
      if (!out.empty()) port.receive(out, now);
      const std::string in(port.to_write(now).substr(0, piece));
      port.written(in.size());
      if (!in.empty()) instrument.receive(in, now);
      instrument.turn(now);
      if (out.empty() && in.empty() && instrument.to_write().empty()) return;
    }
  }

  sim::ScpiDevice device;
  sim::ScpiPort port;
  Instrument instrument;
};

struct InstrumentOnBench : testing::Test {
  sim::Bench bench{hut_bench(), Instant{}};
  Wire source{bench, supply, "scpi-supply"};
  Wire voltmeter{bench, meter, "scpi-meter"};
  Wire thermometer{bench, probe, "scpi-thermometer"};
  Wire switches{bench, contactor, "scpi-switch"};
  Instant now{};

  InstrumentOnBench() {
    for (Wire* wire : {&source, &voltmeter, &thermometer, &switches}) {
      wire->instrument.link_up(now);
      wire->exchange(now);
    }
  }
  Outcome order(Wire& wire, Verb verb, double value = 0, std::uint8_t channel = 0,
                bool urgent = false, std::size_t piece = 4096) {
    wire.instrument.order({.channel = channel, .verb = verb, .urgent = urgent, .value = value},
                          now);
    Outcome outcome;
    for (int i = 0; i < 3000; ++i) {
      wire.exchange(now, piece);
      if (wire.instrument.take(outcome)) return outcome;
      now += 1ms;
      bench.advance(now);
    }
    ADD_FAILURE() << "no outcome of " << key_of(verb);
    return outcome;
  }
  double done(Wire& wire, Verb verb, double value = 0, std::uint8_t channel = 0) {
    const Outcome outcome = order(wire, verb, value, channel);
    EXPECT_EQ(outcome.ending, Ending::done) << key_of(verb);
    return outcome.value;
  }
  void let_pass(Duration span) {
    for (const Instant end = now + span; now < end; now += 1ms) {
      for (Wire* wire : {&source, &voltmeter, &thermometer, &switches}) wire->exchange(now);
      bench.advance(now);
    }
  }
  void charge(std::uint8_t channel) {
    EXPECT_EQ(done(switches, Verb::close_switch, 0, 1), 1);
    EXPECT_NEAR(done(source, Verb::set_voltage, 4.2, channel), 4.2, 0.005);
    EXPECT_NEAR(done(source, Verb::set_current, 2.4, channel), 2.4, 0.005);
    EXPECT_EQ(done(source, Verb::output_on, 0, channel), 1);
  }
};

TEST_F(InstrumentOnBench, every_verb_of_every_shipped_dialect_is_understood) {
  EXPECT_EQ(done(source, Verb::identify), 1);
  EXPECT_TRUE(source.instrument.is_simulated());
  EXPECT_NEAR(done(source, Verb::set_over_voltage, 4.3, 1), 4.3, 0.05);
  EXPECT_NEAR(done(source, Verb::set_over_current, 3.0, 1), 3.0, 0.05);
  EXPECT_EQ(done(source, Verb::read_regulation, 0, 1), 0);
  charge(1);
  EXPECT_NEAR(done(source, Verb::read_voltage_setpoint, 0, 1), 4.2, 0.005);
  EXPECT_NEAR(done(source, Verb::read_current_setpoint, 0, 1), 2.4, 0.005);
  EXPECT_EQ(done(source, Verb::read_output, 0, 1), 1);
  EXPECT_EQ(done(source, Verb::read_output, 0, 2), 0);
  EXPECT_NEAR(done(source, Verb::measure_current, 0, 1), 2.4, 0.05);
  EXPECT_EQ(done(source, Verb::read_regulation, 0, 1), 2);
  EXPECT_EQ(done(source, Verb::read_protection, 0, 1), 0);
  EXPECT_EQ(done(source, Verb::clear_protection, 0, 1), 0);
  const double at_source = done(source, Verb::measure_voltage, 0, 1);
  const double at_cell = done(voltmeter, Verb::measure_voltage);
  EXPECT_GT(at_source, at_cell);
  EXPECT_GT(at_cell, 3.0);
  EXPECT_NEAR(done(thermometer, Verb::measure_temperature, 0, 2), 20, 2);
  EXPECT_EQ(done(source, Verb::output_off, 0, 1), 0);
  EXPECT_EQ(done(switches, Verb::open_switch, 0, 1), 0);
  EXPECT_EQ(done(switches, Verb::read_switch, 0, 1), 0);
  for (Wire* wire : {&source, &voltmeter, &thermometer, &switches}) {
    EXPECT_EQ(done(*wire, Verb::drain_errors), 0) << wire->instrument.spec().name;
    EXPECT_EQ(wire->instrument.troubles().recoveries, 0U);
  }
}

// Which one is selected is of no concern to an order that names its own.
TEST_F(InstrumentOnBench,
       no_output_that_a_hand_selects_at_the_panel_is_taken_for_another) {  // S3 S4
  charge(1);
  const auto select = [&](std::uint8_t channel) {
    ASSERT_TRUE(bench.inject(
        {.kind = sim::FaultKind::output_selected, .device = supply, .channel = channel}));
    ASSERT_EQ(bench.selected(supply), channel);
  };
  select(2);
  EXPECT_NEAR(done(source, Verb::measure_current, 0, 1), 2.4, 0.05);
  select(2);
  EXPECT_NEAR(done(source, Verb::read_current_setpoint, 0, 1), 2.4, 0.005);
  select(2);
  EXPECT_EQ(order(source, Verb::output_off, 0, 1, true).ending, Ending::done);
  EXPECT_FALSE(bench.output(supply, 1).is_on());
  done(source, Verb::output_on, 0, 1);
  select(2);
  EXPECT_EQ(done(source, Verb::read_output, 0, 1), 1);
  EXPECT_FALSE(bench.inject({.kind = sim::FaultKind::output_selected, .device = meter}));
}

TEST_F(InstrumentOnBench, a_tripped_protection_is_seen_and_named) {  // S3
  done(source, Verb::set_over_current, 1.0, 1);
  done(switches, Verb::close_switch, 0, 1);
  done(source, Verb::set_voltage, 4.2, 1);
  done(source, Verb::set_current, 2.4, 1);
  order(source, Verb::output_on, 0, 1);
  let_pass(2s);
  EXPECT_EQ(done(source, Verb::read_protection, 0, 1), 2);
  EXPECT_EQ(done(source, Verb::read_output, 0, 1), 0);
}

TEST_F(InstrumentOnBench, a_setpoint_beyond_the_supply_is_disproved_and_its_error_found) {  // S1
  EXPECT_EQ(order(source, Verb::set_voltage, 5000, 1).ending, Ending::disproved);
  const Outcome errors = order(source, Verb::drain_errors);
  EXPECT_EQ(errors.ending, Ending::done);
  EXPECT_EQ(errors.value, 1);
  EXPECT_EQ(errors.device_error, -222);  // SCPI-1999 vol. 2 ch. 21: Data out of range
}

TEST_F(InstrumentOnBench, byte_by_byte_it_is_the_same) {
  EXPECT_EQ(order(source, Verb::set_voltage, 4.1, 1, false, 1).ending, Ending::done);
  EXPECT_EQ(order(source, Verb::read_protection, 0, 1, false, 1).ending, Ending::done);
}

TEST_F(InstrumentOnBench, a_cut_reaches_a_mute_supply) {  // S4
  charge(1);
  bench.inject({.kind = sim::FaultKind::mute, .device = supply});
  source.instrument.order({.channel = 1, .verb = Verb::measure_voltage}, now);
  source.exchange(now);
  source.instrument.order({.channel = 1, .verb = Verb::output_off, .urgent = true}, now);
  source.exchange(now);
  EXPECT_FALSE(bench.output(supply, 1).is_on());
  Outcome outcome;
  for (int i = 0; i < 3000; ++i) {
    let_pass(1ms);
    while (source.instrument.take(outcome)) {
      EXPECT_EQ(outcome.ending, Ending::timed_out);
    }
  }
  bench.clear_all();
  let_pass(5s);
  EXPECT_EQ(done(source, Verb::read_output, 0, 1), 0);
}

TEST_F(InstrumentOnBench, a_supply_that_ignores_its_cut_is_disproved) {  // S4
  charge(1);
  bench.inject({.kind = sim::FaultKind::ignores_output_off, .device = supply});
  EXPECT_EQ(order(source, Verb::output_off, 0, 1, true).ending, Ending::disproved);
  EXPECT_TRUE(bench.output(supply, 1).is_on());
}

TEST_F(InstrumentOnBench, faults_of_measuring_have_their_endings) {  // S2 S3
  bench.inject({.kind = sim::FaultKind::not_a_number, .device = meter});
  EXPECT_EQ(order(voltmeter, Verb::measure_voltage).ending, Ending::not_a_number);
  bench.inject({.kind = sim::FaultKind::sensor_lost, .device = probe, .channel = 2});
  EXPECT_EQ(order(thermometer, Verb::measure_temperature, 0, 2).ending, Ending::not_a_number);
  EXPECT_EQ(order(thermometer, Verb::measure_temperature, 0, 1).ending, Ending::done);
}

// The two outputs have different setpoints, and readings differ from setpoints: an answer that is
// taken for another question's shows.
TEST_F(InstrumentOnBench, in_a_storm_of_faults_nothing_is_done_that_was_not) {  // S3
  std::mt19937 random(23);
  done(source, Verb::set_voltage, 3.0, 1);
  done(source, Verb::set_voltage, 5.0, 2);
  int good = 0;
  for (int round = 0; round < 4000; ++round) {
    if (random() % 8 == 0) {
      const sim::FaultKind kinds[] = {sim::FaultKind::mute, sim::FaultKind::slow,
                                      sim::FaultKind::garbage};
      bench.inject({.kind = kinds[random() % 3],
                    .device = supply,
                    .delay = std::chrono::milliseconds(random() % 1500)});
    }
    if (random() % 4 == 0) bench.clear_all();
    if (random() % 50 == 0) {
      source.instrument.link_down(now);
      source.instrument.link_up(now);
    }
    const auto channel = static_cast<std::uint8_t>(1 + random() % 2);
    const Outcome outcome =
        order(source, Verb::read_voltage_setpoint, 0, channel, false, 1 + random() % 20);
    if (outcome.ending != Ending::done) continue;
    ++good;
    ASSERT_NEAR(outcome.value, channel == 1 ? 3.0 : 5.0, 1e-6) << round;
  }
  EXPECT_GT(good, 1000);
}

}  // namespace
}  // namespace chargewright::drivers

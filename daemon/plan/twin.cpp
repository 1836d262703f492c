#include "daemon/plan/twin.h"

#include <algorithm>

namespace chargewright::daemon {

namespace simulated = drivers::simulated;
using simulated::BenchModel;
using simulated::Role;

namespace {

// Terminals count their channel from 0, "it has but one"; the twin's from 1.
simulated::Terminal at(const safety::Terminal& terminal) {
  return {terminal.instrument, std::max<std::uint8_t>(terminal.channel, 1)};
}

void give_role(BenchModel& model, const safety::Terminal& terminal, Role role) {
  BenchModel::Device& device = model.devices[terminal.instrument];
  device.role = role;
  device.channels = std::max(device.channels, at(terminal).channel);
}

void give_ratings(BenchModel::Device& device, const profiles::BenchInstrument& instrument) {
  if (instrument.ratings.voltage) device.supply.voltage_max = *instrument.ratings.voltage;
  if (instrument.ratings.current) device.supply.current_max = *instrument.ratings.current;
  if (instrument.ratings.power) device.supply.power_max = *instrument.ratings.power;
}

bool is_straight(const profiles::Cell& cell) {
  return cell.model.kind == simulated::CellModel::Kind::capacitor;
}

// A simulated capacitor counts its charge from 0 V; its file from `empty` to `full`.
void give_charge(BenchModel::Circuit& circuit, const profiles::Cell& cell, const CellStart& start) {
  const auto& v = cell.voltage;
  circuit.voltage = start.voltage;
  if (start.state_of_charge && is_straight(cell)) {
    circuit.voltage = v.empty + *start.state_of_charge * (v.full - v.empty);
  } else {
    circuit.state_of_charge = start.state_of_charge;
  }
  if (!circuit.state_of_charge && !circuit.voltage) circuit.voltage = v.empty;
}

}  // namespace

double share_of_charge(const profiles::Cell& cell, const simulated::Cell& now) {
  if (!is_straight(cell)) return now.state_of_charge();
  const auto& v = cell.voltage;
  return (now.open_circuit() - v.empty).value() / (v.full - v.empty).value();
}

BenchModel twin_of(const profiles::Bench& bench, std::size_t channel_number,
                   const profiles::Cell& cell, const CellStart& start) {
  const profiles::BenchChannel& channel = bench.channels[channel_number];
  BenchModel model;
  for (const profiles::BenchInstrument& instrument : bench.instruments) {
    // What plays no part on this channel stands there as a meter that nobody asks.
    model.devices.push_back({.name = instrument.name, .role = Role::meter});
  }
  BenchModel::Circuit circuit{.name = channel.name,
                              .cell = cell.model,
                              .leads = profiles::loop_resistance(channel.wiring),
                              .source = at(channel.source)};
  give_charge(circuit, cell, start);
  if (start.ambient) circuit.cell.ambient = *start.ambient;
  give_role(model, channel.source, Role::supply);
  give_ratings(model.devices[channel.source.instrument], bench.source_of(channel));
  for (const safety::Terminal& meter : {channel.voltmeter, channel.ammeter}) {
    if (meter.instrument == channel.source.instrument) continue;
    give_role(model, meter, Role::meter);
    model.probes.push_back({at(meter), 0});
  }
  for (const safety::Terminal& thermometer : channel.thermometers) {
    give_role(model, thermometer, Role::thermometer);
    if (const auto lag = bench.instruments[thermometer.instrument].response.lag) {
      model.devices[thermometer.instrument].thermometer.lag = *lag;
    }
    model.probes.push_back({at(thermometer), 0});
  }
  if (channel.contactor) {
    give_role(model, *channel.contactor, Role::contactor);
    circuit.contactor = at(*channel.contactor);
  }
  model.circuits.push_back(std::move(circuit));
  return model;
}

}  // namespace chargewright::daemon

#include "tests/bench/benches.h"

namespace chargewright::test {
namespace {

constexpr const char* buffer_cell = R"(cell: hut-buffer-edlc
chemistry: edlc
arrangement: 2s1p
capacitance: 50 F
voltage: {empty: 0 V, full: 5.0 V, never-above: 5.4 V, never-below: -100 mV}
current: {charge: 12 A, discharge: 20 A}
temperature: {charge: -40 °C to 60 °C, never-above: 65 °C}
mass: 44 g
volume: 36 mL
)";

constexpr const char* radio_cell = R"(cell: hut-radio-24
chemistry: li-ion-nmc
arrangement: 1s1p
capacity: 2.4 Ah
voltage: {empty: 3.00 V, full: 4.20 V, never-above: 4.25 V, never-below: 2.50 V}
current: {charge: 3 C, discharge: 2 C}
temperature: {charge: 5 °C to 45 °C, never-above: 60 °C}
mass: 46 g
volume: 24 mL
)";

}  // namespace

std::string buffer_profile(const Buffer& wanted) {
  return R"(profile: buffer-fill
cell: hut-buffer-edlc
steps:
  - name: fill
    charge: {current: 10 A, voltage: 5.0 V}
    until: )" +
         wanted.until + "\n    within: " + wanted.within + R"(
  - name: settle
    rest: )" +
         wanted.rest + R"(
limits:
  voltage:     {above: )" +
         wanted.voltage_above + R"(}
  current:     {above: 11 A}
  temperature: {above: 55 °C}
  charge:      {above: )" +
         wanted.charge_above + R"(}
  time:        {above: 3 min}
after-interruption: )" +
         wanted.after_interruption + '\n';
}

BenchFiles buffer_bench(const Buffer& wanted) {
  BenchFiles files{
      .simulation = "", .bench = "", .cell = buffer_cell, .profile = "", .speed = wanted.speed};
  files.profile = buffer_profile(wanted);
  files.simulation = R"(simulation: hut-buffer
control: tcp://127.0.0.1:0
devices:
  supply:
    role: supply
    ratings: {voltage: 20 V, current: 20 A, power: 200 W}
    resolution: {voltage: 1 mV, current: 1 mA}
)";
  files.simulation += "    serve: " + wanted.supply_served + "\n" + wanted.supply_more;
  if (!wanted.supply_identity.empty()) {
    files.simulation += "    identity: \"" + wanted.supply_identity + "\"\n";
  }
  files.simulation += "  meter: {role: meter, serve: \"pty://@folder@/meter\", offset: {voltage: " +
                      wanted.meter_offset +
                      "}}\n  probe: {role: thermometer, serve: tcp://127.0.0.1:0}\n";
  if (wanted.contactor) {
    files.simulation += "  contactor: {role: switch, serve: tcp://127.0.0.1:0}\n";
  }
  files.simulation +=
      "cells:\n  bank: {chemistry: edlc, model: {kind: capacitor, capacitance: " +
      wanted.capacitance + ", r0: " + wanted.resistance + wanted.body +
      "}, voltage: " + wanted.begins_at +
      "}\ncircuits:\n"
      "  left: {cell: bank, source: supply, leads: 3 mohm, meter: meter, temperature: probe" +
      (wanted.contactor ? ", contactor: contactor}\n" : "}\n");

  files.bench = R"(bench: hut-buffer
instruments:
  supply:
    link: "@supply@"
    dialect: scpi-supply
    identity: ")" +
                wanted.wanted_identity + R"("
    ratings: {voltage: 20 V, current: 20 A, power: 200 W}
    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 10 mA}
  meter:
    link: "@meter@"
    dialect: scpi-meter
    identity: "Chargewright,Simulated meter,.*"
  probe:
    link: "@probe@"
    dialect: scpi-thermometer
    identity: "Chargewright,Simulated thermometer,.*"
)";
  if (wanted.contactor) {
    files.bench += "  contactor: {link: \"@contactor@\", dialect: scpi-switch}\n";
  }
  files.bench += std::string("channels:\n  left:\n    source: supply\n    voltage: meter\n") +
                 "    current: " + (wanted.contactor ? "meter" : "supply") +
                 "\n    temperature: probe/1\n" +
                 (wanted.contactor ? "    contactor: contactor/1\n" : "") +
                 "    wiring: {gauge: 8 AWG, length: 0.6 m, joints: 0.4 mohm, rated: 40 A}\n";
  // A reading may wait its turn on a busy machine: the age is generous, and the tests' bounds know.
  files.bench += "    every: 50 ms\n    allowed-age: 2 s\n    heartbeat: 5 s\n";
  if (!wanted.channel.empty()) files.bench += "    " + wanted.channel + "\n";
  return files;
}

BenchFiles radio_bench() {
  BenchFiles files{.simulation = "", .bench = "", .cell = radio_cell, .profile = "", .speed = 60};
  files.simulation = R"(simulation: hut-radio
control: tcp://127.0.0.1:0
devices:
  supply:
    role: supply
    serve: tcp://127.0.0.1:0
    ratings: {voltage: 20 V, current: 20 A, power: 200 W}
    resolution: {voltage: 1 mV, current: 1 mA}
  meter: {role: meter, serve: "pty://@folder@/meter"}
  probe: {role: thermometer, lag: 8 s, serve: tcp://127.0.0.1:0}
cells:
  radio: {chemistry: li-ion-nmc, capacity: 2.4 Ah, voltage: 2.80 V}
circuits:
  left: {cell: radio, source: supply, leads: 3 mohm, meter: meter, temperature: probe}
)";
  files.bench = R"(bench: hut-radio
instruments:
  supply:
    link: "@supply@"
    dialect: scpi-supply
    identity: "Chargewright,Simulated supply,.*"
    ratings: {voltage: 20 V, current: 20 A, power: 200 W}
    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 10 mA}
    deadlines: {respond: 60 s}
  meter:
    link: "@meter@"
    dialect: scpi-meter
    identity: "Chargewright,Simulated meter,.*"
    deadlines: {respond: 60 s}
  probe:
    link: "@probe@"
    dialect: scpi-thermometer
    identity: "Chargewright,Simulated thermometer,.*"
    response: {lag: 8 s}
    deadlines: {respond: 60 s}
channels:
  left:
    source: supply
    voltage: meter
    current: supply
    temperature: probe/1
    wiring: {gauge: 8 AWG, length: 0.6 m, joints: 0.4 mohm, rated: 40 A}
    every: 5 s
    allowed-age: 4 min
    heartbeat: 4 min
    disagree: {for: 4 min}
)";
  files.profile = R"(profile: refill-between-sorties
cell: hut-radio-24
steps:
  - name: wake
    charge: {current: C/10, voltage: 3.00 V}
    until: voltage >= 2.95 V
    within: 30 min
  - name: fill
    charge: {current: 3 C, voltage: 4.20 V, temperature: 43 °C}
    until: current <= C/5 for 15 s
    within: 80 min
  - name: settle
    rest: 2 min
limits:
  voltage:     {above: 4.24 V, below: 2.50 V}
  current:     {above: 3.1 C}
  temperature: {above: 45 °C, below: 5 °C, rising: 4 °C/min}
  charge:      {above: 110 %}
  time:        {above: 90 min}
)";
  return files;
}

}  // namespace chargewright::test

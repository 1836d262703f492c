#pragma once
// The hut's bench, cell and procedures as facts, and a stage on which to run them in virtual time.

#include "daemon/bench/plant.h"
#include "daemon/plan/rehearse.h"
#include "daemon/plan/stage.h"

namespace chargewright::daemon::hut {

using namespace drivers::literals;
using namespace std::chrono_literals;

inline constexpr drivers::InstrumentId supply = 0;
inline constexpr drivers::InstrumentId meter = 1;
inline constexpr drivers::InstrumentId probe = 2;

// A supply, a meter at the cell and a thermometer on it; leads of 10 mohm, out and back.
inline profiles::Bench bench() {
  profiles::Bench bench;
  bench.name = "hut-bench";
  bench.instruments.resize(3);
  bench.instruments[supply].name = "supply";
  bench.instruments[supply].ratings.voltage = 20.0_V;
  bench.instruments[supply].ratings.current = 20.0_A;
  bench.instruments[supply].ratings.power = 400.0_W;
  bench.instruments[supply].accuracy.voltage = {0.0005, 0.005};
  bench.instruments[supply].accuracy.current = {0.001, 0.010};
  bench.instruments[meter].name = "meter";
  bench.instruments[probe].name = "probe";
  profiles::BenchChannel channel;
  channel.name = "left";
  channel.source = {supply, 0};
  channel.voltmeter = {meter, 0};
  channel.ammeter = {supply, 0};
  channel.thermometers = {{probe, 1}};
  channel.wiring.resistance = 10.0_mohm;
  bench.channels.push_back(channel);
  return bench;
}

// Nothing but a supply, at the end of leads that drop nothing.
inline profiles::Bench bare_bench() {
  profiles::Bench bare = bench();
  bare.channels[0].voltmeter = bare.channels[0].source;
  bare.channels[0].thermometers.clear();
  bare.channels[0].wiring.resistance = drivers::ohms(0);
  return bare;
}

// A cell that is a resistance and a straight open-circuit line: 3.0 V to 4.2 V over 2 Ah.
inline profiles::Cell cell(drivers::Ohms r0 = 70.0_mohm) {
  profiles::Cell cell;
  cell.name = "hut-radio-20";
  cell.chemistry = "li-ion-nmc";
  cell.capacity = 2.0_Ah;
  cell.voltage = {3.0_V, 4.2_V, 4.25_V, 2.5_V};
  cell.current.charge = 8.0_A;
  cell.temperature = {0.0_degC, 50.0_degC, 60.0_degC};
  cell.model.capacity = cell.capacity;
  cell.model.ocv = {{0, 3.0_V}, {1, 4.2_V}};
  cell.model.r0 = r0;
  cell.model.heat_capacity = drivers::joules_per_kelvin(45);
  cell.model.cooling = drivers::watts_per_kelvin(0.1);
  cell.model.ambient = 20.0_degC;
  return cell;
}

inline safety::RunPlan plan() {
  safety::RunPlan plan;
  plan.limits.voltage_above = {4.24_V, safety::Origin::profile, {}};
  plan.limits.voltage_below = {2.5_V, safety::Origin::cell, {}};
  plan.limits.current_above = {8.4_A, safety::Origin::cell, {}};
  plan.limits.temperature_above = {55.0_degC, safety::Origin::profile, {}};
  plan.limits.charge_above = {2.2_Ah, safety::Origin::profile, {}};
  plan.limits.run_time = {5h, safety::Origin::profile, {}};
  plan.full = 4.2_V;
  plan.lead_compensation_max = 0.08_V;
  plan.open_circuit_min = 2.5_V;
  plan.open_circuit_max = 4.25_V;
  plan.over_voltage_protection = 4.35_V;
  plan.over_current_protection = 9.0_A;
  plan.approved = true;
  return plan;
}

inline profiles::Condition::Node compare(profiles::Subject subject, profiles::Comparison comparison,
                                         double value, drivers::Duration hold = {}) {
  profiles::Condition::Node node;
  node.subject = subject;
  node.comparison = comparison;
  node.value = value;
  node.hold = hold;
  return node;
}
inline profiles::Condition when(profiles::Condition::Node node) { return {{node}}; }
inline profiles::Condition current_at_most(drivers::Amperes i, drivers::Duration hold = {}) {
  return when(compare(profiles::Subject::current, profiles::Comparison::at_most, i.value(), hold));
}
inline profiles::Condition voltage_at_least(drivers::Volts v) {
  return when(compare(profiles::Subject::voltage, profiles::Comparison::at_least, v.value()));
}

inline profiles::PlannedStep charge(drivers::Amperes current, drivers::Volts voltage,
                                    profiles::Condition until) {
  profiles::PlannedStep step;
  step.name = "charge";
  step.verb = profiles::StepVerb::charge;
  step.ceilings.current = current;
  step.ceilings.voltage = voltage;
  step.until = std::move(until);
  return step;
}
inline profiles::PlannedStep rest(drivers::Duration duration) {
  profiles::PlannedStep step;
  step.name = "rest";
  step.rest = duration;
  return step;
}
inline profiles::Procedure procedure(std::vector<profiles::PlannedStep> steps) {
  profiles::Procedure procedure;
  procedure.name = "refill";
  procedure.capacity = 2.0_Ah;
  procedure.steps = std::move(steps);
  for (std::uint16_t i = 0; i < procedure.steps.size(); ++i) procedure.order.push_back({i, 0});
  return procedure;
}

// The stage, with everything set up and nothing yet happened.
struct Story {
  explicit Story(profiles::Procedure steps, safety::RunPlan run_plan = hut::plan(),
                 profiles::Bench on = hut::bench(), profiles::Cell with = hut::cell(),
                 CellStart begin = {})
      : bench_file(std::move(on)), cell_file(std::move(with)) {
    plant = profiles::plant_of(bench_file);
    widen_disagreement(bench_file, bench_file.channels[0], plant.channels[0]);
    plant.channels[0] = paced(plant.channels[0], 1s);
    stage = std::make_unique<Stage>(twin_of(bench_file, 0, cell_file, begin), plant, now);
    stage->run({0, plant.channels[0], run_plan, std::move(steps), {}});
  }

  void turn() {
    stage->turn(now);
    now += 1s;
  }
  // Until the claim holds, or three hours have gone.
  template <class Claim>
  bool until(Claim claim) {
    const drivers::Instant last = now + 3h;
    while (now < last) {
      turn();
      if (claim()) return true;
    }
    return false;
  }
  bool until_over() {
    return until([this] { return progress().phase >= Phase::done; });
  }
  bool until_step(std::uint16_t step) {
    return until(
        [this, step] { return progress().phase == Phase::running && progress().step == step; });
  }
  void run_for(drivers::Duration duration) {
    const drivers::Instant last = now + duration;
    while (now < last) turn();
  }
  const Progress& progress() { return stage->sequencer().progress(); }
  // Asked of the simulated supply, never of ourselves.
  bool output_is_on() { return stage->bench().output(supply).is_on(); }
  double cell_volts() { return stage->bench().circuit(0).voltage().value(); }
  double amperes() { return stage->bench().circuit(0).current().value(); }
  double degrees_c() { return stage->bench().circuit(0).temperature().value(); }

  profiles::Bench bench_file;
  profiles::Cell cell_file;
  safety::Plant plant;
  drivers::Instant now{1h};
  std::unique_ptr<Stage> stage;
};

}  // namespace chargewright::daemon::hut

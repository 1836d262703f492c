#include "daemon/bench/plant.h"

#include <algorithm>

#include "safety/budget.h"

namespace chargewright::daemon {

using drivers::Verb;

namespace {

profiles::ProvedWithin proved_within(const drivers::Dialect& source) {
  const auto within = [&](Verb verb) { return source[verb].ask ? source[verb].ask->within : 0.0; };
  return {.voltage = drivers::volts(within(Verb::set_voltage)),
          .current = drivers::amperes(within(Verb::set_current)),
          .over_voltage = drivers::volts(within(Verb::set_over_voltage)),
          .over_current = drivers::amperes(within(Verb::set_over_current))};
}

// What proves a setpoint as it is written is not a turned knob when it is read back later (S3).
void widen_tolerance(const drivers::Dialect& source, safety::ChannelPlan& plan) {
  const profiles::ProvedWithin within = proved_within(source);
  plan.setpoint_voltage_tolerance = std::max(plan.setpoint_voltage_tolerance, within.voltage);
  plan.setpoint_current_tolerance = std::max(plan.setpoint_current_tolerance, within.current);
}

// Commands leave before questions: while the repeats of a cut keep a source that wants pauses busy,
// nothing gets it in step again or proves an output off. Between two there is time for all of that.
drivers::Duration repeat_every(const safety::Plant& plant, const safety::ChannelPlan& of,
                               const drivers::Dialect& source) {
  constexpr int each = 9;     // off, both setpoints, their proofs; current, output, one more
  constexpr int in_step = 6;  // clear, a number set and asked twice, identity
  const auto outputs = std::ranges::count_if(plant.channels, [&](const auto& channel) {
    return channel.source.instrument == of.source.instrument;
  });
  return (each * outputs + in_step + static_cast<std::ptrdiff_t>(source.on_connect.size())) *
         source.between;
}

// The proof takes turns with whatever else source and ammeter are asked, all by its deadline.
drivers::Duration prove_off_within(const safety::Plant& plant, const safety::ChannelPlan& of,
                                   const profiles::Bench& bench,
                                   const std::vector<drivers::Dialect>& dialects) {
  drivers::Duration longest{};
  for (const drivers::InstrumentId id : {of.source.instrument, of.ammeter.instrument}) {
    if (id >= dialects.size()) continue;
    const drivers::Dialect& spoken = dialects[id];
    longest =
        std::max(longest, safety::answered_within(
                              plant, id,
                              {.round_trip = bench.instruments[id].respond.value_or(spoken.respond),
                               .settle = spoken.settle,
                               .between = spoken.between}));
  }
  return of.settling + of.repeat_every + 2 * longest;
}

}  // namespace

safety::SourceAbilities abilities_of(const drivers::Dialect& dialect) {
  return {
      .reads_setpoints =
          dialect.has(Verb::read_voltage_setpoint) && dialect.has(Verb::read_current_setpoint),
      .reads_output = dialect.has(Verb::read_output),
      .over_voltage_protection = dialect.has(Verb::set_over_voltage),
      .over_current_protection = dialect.has(Verb::set_over_current),
      .reads_protection = dialect.has(Verb::read_protection),
      .clears_protection = dialect.has(Verb::clear_protection),
      .reads_regulation = dialect.has(Verb::read_regulation),
      .drains_errors = dialect.has(Verb::drain_errors),
  };
}

profiles::Basis basis_of(const profiles::BenchChannel& channel,
                         const std::vector<drivers::Dialect>& dialects,
                         const std::vector<drivers::Duration>& measured) {
  profiles::Basis basis;
  for (std::size_t k = 0; k < dialects.size(); ++k) {
    basis.instruments.push_back(
        {.measured = {}, .settle = dialects[k].settle, .between = dialects[k].between});
    if (k < measured.size() && measured[k] > drivers::Duration::zero()) {
      basis.instruments.back().measured = measured[k];
    }
  }
  if (channel.source.instrument < dialects.size()) {
    basis.abilities = abilities_of(dialects[channel.source.instrument]);
    basis.proved_within = proved_within(dialects[channel.source.instrument]);
  }
  return basis;
}

void widen_disagreement(const profiles::Bench& bench, const profiles::BenchChannel& channel,
                        safety::ChannelPlan& plan) {
  constexpr double least = 0.005;  // V or A: the digits of ordinary instruments
  const auto& source = bench.instruments[channel.source.instrument];
  const auto& voltmeter = bench.instruments[channel.voltmeter.instrument];
  const auto& ammeter = bench.instruments[channel.ammeter.instrument];
  const double volts = plan.source_voltage_max.value();
  const double amperes = plan.source_current_max.value();
  plan.voltage_disagreement = std::max(
      plan.voltage_disagreement, drivers::volts(source.accuracy.voltage.of(volts) +
                                                voltmeter.accuracy.voltage.of(volts) + least));
  plan.current_disagreement = std::max(
      plan.current_disagreement, drivers::amperes(source.accuracy.current.of(amperes) +
                                                  ammeter.accuracy.current.of(amperes) + least));
}

safety::Plant make_plant(const profiles::Bench& bench,
                         const std::vector<drivers::Dialect>& dialects) {
  safety::Plant plant = profiles::plant_of(bench);
  for (std::size_t i = 0; i < plant.channels.size(); ++i) {
    const profiles::BenchChannel& channel = bench.channels[i];
    if (channel.source.instrument < dialects.size()) {
      const drivers::Dialect& source = dialects[channel.source.instrument];
      plant.channels[i].abilities = abilities_of(source);
      widen_tolerance(source, plant.channels[i]);
      plant.channels[i].repeat_every = repeat_every(plant, plant.channels[i], source);
    }
    widen_disagreement(bench, channel, plant.channels[i]);
  }
  // What an instrument is asked follows from what all sources can do.
  for (safety::ChannelPlan& plan : plant.channels) {
    plan.prove_off_within = prove_off_within(plant, plan, bench, dialects);
  }
  return plant;
}

void stretch_for_speed(safety::Plant& plant, double speed) {
  if (!(speed > 1)) return;
  for (safety::ChannelPlan& plan : plant.channels) {
    for (drivers::Duration* deadline : {&plan.cut_stage, &plan.prove_off_within, &plan.start_within,
                                        &plan.arm_within, &plan.lost_after}) {
      *deadline = drivers::seconds(drivers::in_seconds(*deadline) * speed);
    }
  }
}

}  // namespace chargewright::daemon

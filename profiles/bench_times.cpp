#include "profiles/bench_times.h"

#include <algorithm>

#include "drivers/quantity_text.h"
#include "profiles/slopes.h"
#include "safety/gate.h"

namespace chargewright::profiles {

using namespace drivers;

namespace {

InstrumentBasis basis_of(const Basis& basis, InstrumentId id) {
  return id < basis.instruments.size() ? basis.instruments[id] : InstrumentBasis{};
}

// A start bit and stop bits, and maybe a parity bit, around the data of each byte.
Duration assumed_round_trip(const LinkAddress& link) {
  const auto* serial = std::get_if<SerialAddress>(&link);
  if (serial == nullptr) return assumed_thinking;
  const int bits = 1 + serial->data_bits + (serial->parity != Parity::none) + serial->stop_bits;
  return assumed_thinking + seconds(1.0 * bits * assumed_bytes / serial->baud);
}

Duration lag_of(const Bench& bench, const BenchChannel& channel) {
  Duration slowest{};
  for (const safety::Terminal& thermometer : channel.thermometers) {
    slowest = std::max(
        slowest, bench.instruments[thermometer.instrument].response.lag.value_or(assumed_lag));
  }
  return slowest;
}

safety::Reach bare_reach(const BenchInstrument& source) {
  safety::Reach reach;
  reach.voltage = source.ratings.voltage.value_or(volts(0));
  reach.current = source.ratings.current.value_or(amperes(0));
  reach.power = source.ratings.power.value_or(reach.voltage * reach.current);
  return reach;
}

safety::Reach armed_reach(const BenchInstrument& source, const safety::RunPlan& plan,
                          const Basis& basis) {
  const safety::SourceAbilities& can = basis.abilities;
  safety::Reach reach = bare_reach(source);
  // It may be armed above the level that was ordered by as much as its proof lets pass.
  if (can.over_voltage_protection) {
    const double level = (plan.over_voltage_protection + basis.proved_within.over_voltage).value();
    reach.voltage = std::min(reach.voltage, volts(level + source.accuracy.voltage.of(level)));
  }
  if (can.over_current_protection && plan.limits.current_above) {
    const double level = (plan.over_current_protection + basis.proved_within.over_current).value();
    reach.current = std::min(reach.current, amperes(level + source.accuracy.current.of(level)));
  }
  reach.power = std::min(reach.power, reach.voltage * reach.current);
  return reach;
}

safety::ReadingErrors errors_of(const Bench& bench, const BenchChannel& channel,
                                const safety::Limits& limits) {
  const Accuracy& voltage = bench.instruments[channel.voltmeter.instrument].accuracy.voltage;
  const Accuracy& current = bench.instruments[channel.ammeter.instrument].accuracy.current;
  safety::ReadingErrors errors;
  const double volts_most = limits.voltage_above ? limits.voltage_above->value.value() : 0;
  errors.voltage = volts(voltage.of(volts_most));
  for (const safety::Terminal& thermometer : channel.thermometers) {
    errors.temperature = std::max(errors.temperature,
                                  bench.instruments[thermometer.instrument].accuracy.temperature);
  }
  const double on_s = limits.run_time ? in_seconds(limits.run_time->value) : 0;
  if (limits.charge_above) {
    errors.charge =
        coulombs(current.relative * limits.charge_above->value.value() + current.constant * on_s);
  }
  if (limits.energy_above) {
    const double coulombs_most = limits.charge_above ? limits.charge_above->value.value() : 0;
    errors.energy =
        joules((current.relative + voltage.relative) * limits.energy_above->value.value() +
               current.constant * on_s * volts_most + voltage.constant * coulombs_most);
  }
  return errors;
}

bool plays_a_part(const BenchChannel& channel, InstrumentId id) {
  const auto is = [id](const safety::Terminal& at) { return at.instrument == id; };
  return is(channel.source) || is(channel.voltmeter) || is(channel.ammeter) ||
         (channel.contactor && is(*channel.contactor)) ||
         std::ranges::any_of(channel.thermometers, is);
}

std::string time_of(std::string_view what, Duration time, std::string_view known) {
  return ' ' + std::string(what) + ' ' + to_text(time) + " (" + std::string(known) + ')';
}

}  // namespace

safety::InstrumentTimes times_of(const BenchInstrument& instrument, const InstrumentBasis& basis) {
  safety::InstrumentTimes times;
  times.settle = basis.settle;
  times.between = basis.between;
  times.settling = instrument.response.settling.value_or(assumed_settling);
  // Whoever states more than was measured so far is believed.
  times.round_trip = basis.measured || instrument.response.round_trip
                         ? std::max(basis.measured.value_or(Duration::zero()),
                                    instrument.response.round_trip.value_or(Duration::zero()))
                         : assumed_round_trip(instrument.link);
  return times;
}

safety::BudgetSetup budget_setup(const safety::Plant& plant, const safety::RunPlan& plan,
                                 const Cell& cell, const Bench& bench, std::size_t channel,
                                 const Basis& basis) {
  const BenchChannel& on = bench.channels[channel];
  const BenchInstrument& source = bench.source_of(on);
  const safety::Limits& limits = plan.limits;
  safety::BudgetSetup setup{.plant = plant, .channel = channel, .limits = limits};
  for (std::size_t k = 0; k < bench.instruments.size(); ++k) {
    setup.instruments[k] =
        times_of(bench.instruments[k], basis_of(basis, static_cast<InstrumentId>(k)));
  }
  setup.steered = safety::current_bound(plan, plant.channels[channel]);
  setup.armed = armed_reach(source, plan, basis);
  setup.bare = bare_reach(source);
  setup.errors = errors_of(bench, on, limits);
  setup.thermometer_lag = lag_of(bench, on);
  setup.cell = slopes_of(
      cell,
      {.voltage = limits.voltage_above ? limits.voltage_above->value : cell.voltage.never_above,
       .most = setup.armed.current,
       .steered = setup.steered,
       .coldest =
           limits.temperature_below ? limits.temperature_below->value : cell.temperature.charge_min,
       .hottest =
           limits.temperature_above ? limits.temperature_above->value : cell.temperature.charge_max,
       .lag = setup.thermometer_lag});
  return setup;
}

std::vector<std::string> rests_on(const Cell& cell, const Bench& bench, std::size_t channel,
                                  const Basis& basis) {
  const BenchChannel& on = bench.channels[channel];
  std::vector<std::string> all;
  for (std::size_t k = 0; k < bench.instruments.size(); ++k) {
    const auto id = static_cast<InstrumentId>(k);
    if (!plays_a_part(on, id)) continue;
    const BenchInstrument& instrument = bench.instruments[k];
    const InstrumentBasis known = basis_of(basis, id);
    const safety::InstrumentTimes times = times_of(instrument, known);
    const bool stated = instrument.response.round_trip.has_value();
    std::string words = instrument.name + ':';
    words += time_of("answers within", times.round_trip,
                     known.measured && times.round_trip == *known.measured ? "measured"
                     : stated                                              ? "stated"
                                                                           : "assumed");
    const bool stops =
        id == on.source.instrument || (on.contactor && on.contactor->instrument == id);
    if (stops) {
      words += ',' + time_of("stops within", times.settling,
                             instrument.response.settling ? "stated" : "assumed");
    }
    const bool feels = std::ranges::any_of(
        on.thermometers, [id](const safety::Terminal& at) { return at.instrument == id; });
    if (feels) {
      words += ',' + time_of("is behind its cell by", instrument.response.lag.value_or(assumed_lag),
                             instrument.response.lag ? "stated" : "assumed");
    }
    all.push_back(std::move(words));
  }
  const std::string assumed = assumed_of(cell);
  all.push_back("cell " + cell.name + ": " +
                (assumed.empty() ? "as its `model` says" : assumed + " (assumed)"));
  return all;
}

}  // namespace chargewright::profiles

#include "tests/storm/oracle_overshoot.h"

#include <algorithm>
#include <cstdio>

#include "profiles/bench_times.h"
#include "safety/fault.h"

namespace chargewright::storm {

using namespace std::chrono_literals;
using drivers::Duration;
using drivers::Instant;
using drivers::InstrumentId;
using drivers::later;
using safety::Cause;

namespace {

// A conversation that was disturbed backs off for so long at most (drivers/scpi/conversation.cpp).
constexpr Duration back_off_longest = 2s;
// Sums of doubles.
constexpr double rounding = 1e-9;

// What each instrument may be off by: half its last digit, and of a source's protections a whole
// one, since their levels are rounded to it.
void state_accuracy(profiles::BenchInstrument& instrument,
                    const drivers::simulated::BenchModel::Device& device) {
  using drivers::simulated::Role;
  instrument.accuracy = {};
  switch (device.role) {
    case Role::supply:
      instrument.accuracy.voltage.constant = device.supply.voltage_resolution.value();
      instrument.accuracy.current.constant = device.supply.current_resolution.value();
      return;
    case Role::meter:
      instrument.accuracy.voltage.constant = device.meter.voltage_resolution.value() / 2;
      instrument.accuracy.current.constant = device.meter.current_resolution.value() / 2;
      return;
    case Role::thermometer:
      instrument.accuracy.temperature = device.thermometer.resolution / 2.0;
      return;
    case Role::contactor:
      return;
  }
}

double limit_of(const safety::Limits& limits, Cause cause) {
  switch (cause) {
    case Cause::voltage_high:
      return limits.voltage_above->value.value();
    case Cause::current_high:
      return limits.current_above->value.value();
    case Cause::power_high:
      return limits.power_above->value.value();
    default:
      return limits.temperature_above->value.value();
  }
}

}  // namespace

Overshoots::Overshoots(const Scenario& scenario, daemon::WiredStage& stage, double share)
    : scenario_(scenario),
      stage_(stage),
      share_(share),
      steady_since_(scenario.model.devices.size(), drivers::never),
      channels_(scenario.bench.channels.size()) {
  // After a trouble: the back-off, then clearing and two numbers that come back, then a reading.
  for (const auto& spec : scenario.instruments) {
    Duration slowest{};
    for (const auto& plan : scenario.plant.channels) {
      slowest = std::max(slowest, plan.allowed_age + plan.every);
    }
    recovers_.push_back(back_off_longest + 4 * spec.dialect.respond + slowest);
  }
}

safety::Budget Overshoots::budget_of(std::uint8_t channel, const Job& job) const {
  profiles::Cell cell = job.cell;
  cell.model_states = {.charge_curve = true, .resistance = true, .heat_capacity = true};
  profiles::Bench bench = scenario_.bench;
  profiles::Basis basis;
  basis.abilities = scenario_.plant.channels[channel].abilities;
  for (std::size_t k = 0; k < bench.instruments.size(); ++k) {
    const auto& device = scenario_.model.devices[k];
    auto& instrument = bench.instruments[k];
    state_accuracy(instrument, device);
    instrument.response.settling = Duration::zero();
    instrument.response.lag = device.thermometer.lag;
    const auto& link = scenario_.links[k];
    const auto& dialect = scenario_.instruments[k].dialect;
    basis.instruments.push_back({.measured = link.to_device + link.to_host,
                                 .settle = dialect.settle,
                                 .between = dialect.between});
  }
  return safety::budget_of(
      profiles::budget_setup(scenario_.plant, job.checked.plan, cell, bench, channel, basis));
}

void Overshoots::enforced(std::uint8_t index, const Job& job) {
  Channel& channel = channels_[index];
  channel.enforced = true;
  channel.excursions = {};
  const auto& below = job.checked.plan.limits.temperature_below;
  channel.coldest = (below ? below->value : job.cell.temperature.charge_min).value();
  const safety::Budget budget = budget_of(index, job);
  for (std::size_t k = 0; k < quantities.size(); ++k) {
    Bound& bound = channel.bounds[k];
    const safety::BudgetLine* line = budget.of(quantities[k]);
    const bool read = quantities[k] != Cause::temperature_high ||
                      !scenario_.plant.channels[index].thermometers.empty();
    bound = {.known = line != nullptr && read};
    if (!bound.known) continue;
    bound.limit = limit_of(job.checked.plan.limits, quantities[k]);
    bound.source = line->source.overshoot;
    if (line->contactor) bound.contactor = line->contactor->overshoot;
  }
}

void Overshoots::released(std::uint8_t index) { channels_[index].enforced = false; }

void Overshoots::disturbed(InstrumentId device) { steady_since_[device] = drivers::never; }

void Overshoots::cell_heats(std::uint8_t index) { channels_[index].heats = true; }

void Overshoots::cell_swapped(std::uint8_t index) { channels_[index].swapped = true; }

void Overshoots::look_at_devices(Instant now) {
  for (std::size_t k = 0; k < steady_since_.size(); ++k) {
    const auto id = static_cast<InstrumentId>(k);
    const auto& faults = stage_.bench().faults(id);
    const auto& link = stage_.link(id);
    const auto& trouble = link.trouble;
    const bool relay = scenario_.model.devices[k].role == drivers::simulated::Role::contactor;
    const bool steady = link.is_up() && trouble.piece == 0 && trouble.late == Duration::zero() &&
                        !trouble.stalled && !trouble.twice && !faults.mute && !faults.garbage &&
                        !faults.not_a_number && !faults.stuck && !faults.link_dropped &&
                        faults.delay == Duration::zero() && faults.sensors_lost == 0 &&
                        faults.sensors_off == 0 && !(relay && faults.ignores_off) &&
                        scenario_.model.devices[k].meter.gain == 1;
    if (!steady) {
      steady_since_[k] = drivers::never;
    } else if (steady_since_[k] == drivers::never) {
      steady_since_[k] = now;
    }
  }
}

bool Overshoots::is_steady(InstrumentId device, Instant now) const {
  const Instant since = steady_since_[device];
  return since != drivers::never && now >= later(since, recovers_[device]);
}

bool Overshoots::is_covered(std::uint8_t index, std::size_t quantity, Instant now) const {
  const safety::ChannelPlan& plan = scenario_.plant.channels[index];
  const Channel& channel = channels_[index];
  if (!is_steady(plan.source.instrument, now)) return false;
  const bool by_contactor = channel.excursions[quantity].by_contactor;
  if (by_contactor && (!plan.contactor || !is_steady(plan.contactor->instrument, now))) {
    return false;
  }
  if (stage_.bench().circuit(index).temperature().value() < channel.coldest) return false;
  const bool voltmeter = is_steady(plan.voltmeter.instrument, now);
  const bool ammeter = is_steady(plan.ammeter.instrument, now);
  switch (quantities[quantity]) {
    case Cause::voltage_high:
      return voltmeter;
    case Cause::current_high:
      return ammeter;
    case Cause::power_high:
      return voltmeter && ammeter;
    default:
      // A current beyond its limit is cut by the ammeter: the heat counts on it.
      return ammeter && !channel.heats &&
             std::ranges::all_of(plan.thermometers, [&](const safety::Terminal& t) {
               return is_steady(t.instrument, now);
             });
  }
}

std::optional<std::string> Overshoots::look(Instant now) {
  look_at_devices(now);
  return look_at_cells(now);
}

std::optional<std::string> Overshoots::look_at_cells(Instant now) {
  std::optional<std::string> wrong;
  for (std::uint8_t index = 0; index < channels_.size(); ++index) {
    Channel& channel = channels_[index];
    const safety::ChannelPlan& plan = scenario_.plant.channels[index];
    // An off that was ignored is repeated with the next stage of the cut.
    if (stage_.bench().faults(plan.source.instrument).ignores_off) {
      channel.ignored_until = later(now, 2 * plan.cut_stage);
    }
    const auto& circuit = stage_.bench().circuit(index);
    const double volts = circuit.voltage().value();
    const double amperes = circuit.current().value();
    const std::array values{volts, amperes, volts * amperes, circuit.temperature().value()};
    for (std::size_t k = 0; k < quantities.size(); ++k) {
      const Bound& bound = channel.bounds[k];
      const bool beyond = values[k] > bound.limit || channel.excursions[k].on;
      if (bound.known && beyond) follow(index, k, values[k], now, wrong);
    }
    channel.swapped = false;
  }
  return wrong;
}

void Overshoots::follow(std::uint8_t index, std::size_t quantity, double value, Instant now,
                        std::optional<std::string>& wrong) {
  Channel& channel = channels_[index];
  const Bound& bound = channel.bounds[quantity];
  Excursion& excursion = channel.excursions[quantity];
  const double beyond = value - bound.limit;
  if (!(beyond > 0)) {
    excursion = {};
    return;
  }
  const bool begins = !excursion.on;
  if (begins)
    excursion = {.on = true, .judged = channel.enforced && !channel.swapped, .by_contactor = false};
  excursion.by_contactor = excursion.by_contactor || now < channel.ignored_until;
  if (!excursion.judged) return;
  excursion.judged = is_covered(index, quantity, now);
  if (!excursion.judged) return;
  Seen& seen = seen_[quantity];
  if (begins) ++seen.judged;
  const double most = excursion.by_contactor ? bound.contactor : bound.source;
  seen.nearest = std::max(seen.nearest, beyond / std::max(most, rounding));
  if (beyond <= share_ * most + rounding || wrong) return;
  std::array<char, 300> text{};
  std::snprintf(
      text.data(), text.size(),
      "channel %d: %s: %.6g, which is %.6g beyond its limit; %.6g at most by the budget%s", index,
      safety::key_of(quantities[quantity]).data(), value, beyond, most,
      excursion.by_contactor ? ", by the contactor alone" : "");
  wrong = text.data();
}

}  // namespace chargewright::storm

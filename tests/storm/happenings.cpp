#include "tests/storm/happenings.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>

namespace chargewright::storm {

using drivers::Duration;
using drivers::Instant;
using drivers::InstrumentId;
using drivers::simulated::FaultKind;
using drivers::simulated::Role;

namespace {

constexpr std::array<std::string_view, deed_count> deeds{
    "fault", "stall",       "pieces", "late",  "twice",         "drop",    "noise",  "hang",
    "cut",   "acknowledge", "stop",   "start", "dead-man-lost", "restart", "reorder"};

template <class... Args>
std::string text(const char* format, Args... args) {
  std::array<char, 512> out{};
  std::snprintf(out.data(), out.size(), format, args...);
  return out.data();
}

// Of all faults those that any bench may meet at any time; the others have dice of their own.
constexpr std::uint8_t drawn_kinds = static_cast<std::uint8_t>(FaultKind::output_selected);

// From a blink to hours; short ones are more frequent.
Duration some_time(Dice& dice) {
  const double s =
      std::exp(dice.between(std::log(0.05), std::log(dice.chance(0.15) ? 7200.0 : 60.0)));
  return drivers::seconds(s);
}

Happening happening_of(const Scenario& scenario, Dice& dice) {
  Happening h;
  const auto devices = scenario.model.devices.size();
  h.device = static_cast<InstrumentId>(dice.below(devices));
  h.lasts = some_time(dice);
  const double draw = dice.share();
  if (draw < 0.52) {
    h.deed = Deed::fault;
    for (int tries = 0; tries < 100; ++tries) {
      h.fault.kind = static_cast<FaultKind>(dice.below(drawn_kinds));
      h.device = static_cast<InstrumentId>(dice.below(devices));
      const Role role = scenario.model.devices[h.device].role;
      const bool of_supply = h.fault.kind == FaultKind::lead_off ||
                             h.fault.kind == FaultKind::reversed ||
                             h.fault.kind >= FaultKind::leads_loosened;
      const bool of_probe =
          h.fault.kind == FaultKind::sensor_lost || h.fault.kind == FaultKind::sensor_off_cell;
      if (of_supply && role != Role::supply) continue;
      if (of_probe && role != Role::thermometer) continue;
      if (h.fault.kind == FaultKind::ignores_output_off && role != Role::supply &&
          role != Role::contactor) {
        continue;
      }
      break;
    }
    h.channel =
        static_cast<std::uint8_t>(dice.below(scenario.model.devices[h.device].channels + 1U));
    if (h.fault.kind == FaultKind::stuck && dice.chance(0.5))
      h.lasts = drivers::seconds(dice.between(300, 3000));
    h.fault.delay = drivers::seconds(std::exp(dice.between(std::log(0.01), std::log(20.0))));
    if (dice.chance(0.5)) {
      h.fault.knob = drivers::Measurand::current;
      h.fault.value = dice.between(0, scenario.model.devices[0].supply.current_max.value());
    } else {
      const double full = scenario.jobs[0].front().cell.voltage.full.value();
      h.fault.value = std::min(full * dice.between(0.5, 1.3),
                               scenario.model.devices[0].supply.voltage_max.value());
    }
    if (h.fault.kind == FaultKind::leads_loosened) {
      h.fault.value = std::exp(dice.between(std::log(0.005), std::log(3.0)));
    } else if (h.fault.kind == FaultKind::cell_swapped) {
      const auto& window = scenario.jobs[0].front().cell.voltage;
      h.fault.value = dice.between(window.never_below.value(), window.full.value());
    }
  } else if (draw < 0.57) {
    h.deed = Deed::stall;
  } else if (draw < 0.62) {
    h.deed = Deed::pieces;
    h.size = static_cast<std::size_t>(dice.whole(1, 6));
    h.time = drivers::seconds(dice.between(0, 0.003));
  } else if (draw < 0.67) {
    h.deed = Deed::late;
    h.time = drivers::seconds(dice.between(0.001, 0.7));
  } else if (draw < 0.70) {
    h.deed = Deed::twice;
  } else if (draw < 0.76) {
    h.deed = Deed::drop;
  } else if (draw < 0.80) {
    h.deed = Deed::noise;
    h.size = static_cast<std::size_t>(dice.whole(1, 40));
  } else if (draw < 0.84) {
    h.deed = Deed::hang;
  } else {
    h.channel = static_cast<std::uint8_t>(dice.below(scenario.bench.channels.size()));
    h.deed = dice.one_of({Deed::cut, Deed::cut, Deed::acknowledge, Deed::stop, Deed::start,
                          Deed::restart, Deed::reorder});
    h.size = dice.below(devices);
  }
  h.fault.device = h.device;
  h.fault.channel = h.channel;
  return h;
}

// Both knobs of a source turned up at one moment, as far as they go or less: what the response-time
// budget reckons with (S7). Dice of their own, so that the rest of a seed stays what it was.
void turn_knobs(const Scenario& scenario, std::vector<Happening>& all) {
  Dice dice(scenario.seed ^ 0x5337'5337'5337'5337);
  if (!dice.chance(0.3)) return;
  for (int left = dice.whole(1, 4); left > 0; --left) {
    const auto& source = scenario.plant.channels[dice.below(scenario.plant.channels.size())].source;
    const auto& supply = scenario.model.devices[source.instrument].supply;
    Happening h;
    h.at = opening + drivers::seconds(dice.share() * drivers::in_seconds(scenario.lasts));
    h.device = source.instrument;
    h.channel = std::max<std::uint8_t>(source.channel, 1);
    h.fault = {.kind = FaultKind::knob_turned, .device = h.device, .channel = h.channel};
    for (const auto knob : {drivers::Measurand::voltage, drivers::Measurand::current}) {
      const bool volts = knob == drivers::Measurand::voltage;
      h.fault.knob = knob;
      h.fault.value =
          dice.between(0.2, 1) * (volts ? supply.voltage_max.value() : supply.current_max.value());
      all.push_back(h);
    }
  }
}

// A hand that turns the voltage up when a cell is nearly full: at any other time a limit on current
// cuts long before one on voltage is reached, or the readback of the knob does.
void turn_up_when_nearly_full(const Scenario& scenario, std::vector<Happening>& all) {
  Dice dice(scenario.seed ^ 0xF011'F011'F011'F011);
  // A source that protects itself lets the voltage cross its limit only where that is tight.
  const auto& first = scenario.plant.channels.front().source;
  const bool protects = scenario.model.devices[first.instrument].supply.has_over_voltage;
  if (!dice.chance(protects ? 0.3 : 0.9)) return;
  for (int left = dice.whole(1, 3); left > 0; --left) {
    const std::size_t channel = dice.below(scenario.plant.channels.size());
    const auto& source = scenario.plant.channels[channel].source;
    const auto& supply = scenario.model.devices[source.instrument].supply;
    const double full = scenario.jobs[channel].front().cell.voltage.full.value();
    Happening h;
    h.at = opening + drivers::seconds(0.8 * dice.share() * drivers::in_seconds(scenario.lasts));
    h.nearly_full = dice.between(0.94, 0.998);
    h.device = source.instrument;
    h.channel = std::max<std::uint8_t>(source.channel, 1);
    h.fault = {.kind = FaultKind::knob_turned, .device = h.device, .channel = h.channel};
    const double most = supply.voltage_max.value();
    const double share = dice.chance(0.3) ? dice.between(1.003, 1.03) : dice.between(1.01, 1.5);
    h.fault.value = dice.chance(0.3) ? most : std::min(most, full * share);
    all.push_back(h);
    if (!dice.chance(0.4)) continue;
    h.fault.knob = drivers::Measurand::current;
    h.fault.value = supply.current_max.value() * dice.between(0.2, 1);
    all.push_back(h);
  }
}

// A hand that selects another output of a source that has several: what names none would mean that.
void select_outputs(const Scenario& scenario, std::vector<Happening>& all) {
  Dice dice(scenario.seed ^ 0x5E1E'5E1E'5E1E'5E1E);
  const auto& source = scenario.plant.channels.front().source;
  const auto outputs = scenario.model.devices[source.instrument].channels;
  if (outputs < 2) return;
  for (int left = dice.whole(1, 30); left > 0; --left) {
    Happening h;
    h.at = opening + drivers::seconds(dice.share() * drivers::in_seconds(scenario.lasts));
    h.device = source.instrument;
    h.channel = static_cast<std::uint8_t>(1 + dice.below(outputs));
    h.fault = {.kind = FaultKind::output_selected, .device = h.device, .channel = h.channel};
    all.push_back(h);
  }
}

// The dead-man dies: everything is cut, and nothing is armed until the daemon begins anew.
void lose_dead_man(const Scenario& scenario, std::vector<Happening>& all) {
  Dice dice(scenario.seed ^ 0xDEAD'DEAD'DEAD'DEAD);
  if (!dice.chance(0.15)) return;
  Happening h;
  h.at = opening + drivers::seconds(dice.share() * drivers::in_seconds(scenario.lasts));
  h.deed = Deed::dead_man_lost;
  all.push_back(h);
  h.at = drivers::later(h.at, some_time(dice));
  h.deed = Deed::restart;
  all.push_back(h);
}

}  // namespace

std::vector<Happening> happenings_of(const Scenario& scenario, Dice& dice) {
  std::vector<Happening> all;
  const int count = dice.whole(1, dice.chance(0.2) ? 60 : 14);
  Instant at = opening;
  for (int k = 0; k < count; ++k) {
    Happening h = happening_of(scenario, dice);
    // Half of them fall into the wake of another: into its cut, its recovery, its arming.
    if (k > 0 && dice.chance(0.5)) {
      at += drivers::seconds(std::exp(dice.between(std::log(0.001), std::log(20.0))));
    } else {
      at = opening + drivers::seconds(dice.share() * drivers::in_seconds(scenario.lasts));
    }
    h.at = at;
    all.push_back(h);
  }
  turn_knobs(scenario, all);
  turn_up_when_nearly_full(scenario, all);
  select_outputs(scenario, all);
  lose_dead_man(scenario, all);
  std::ranges::stable_sort(all, {}, &Happening::at);
  return all;
}

std::string_view name_of(Deed deed) { return deeds[static_cast<std::size_t>(deed)]; }

std::string describe(const Happening& h, const profiles::Bench& bench) {
  std::string t = text("%12.6f s  ", drivers::in_seconds(h.at - opening));
  t += h.deed == Deed::fault ? name_of(h.fault.kind) : name_of(h.deed);
  switch (h.deed) {
    case Deed::fault:
      t += ' ' + bench.instruments[h.device].name + text("/%d", h.channel);
      if (h.fault.kind == FaultKind::slow)
        t += text(" by %.3f s", drivers::in_seconds(h.fault.delay));
      if (h.fault.kind == FaultKind::cell_swapped || h.fault.kind == FaultKind::leads_loosened) {
        t += text(" to %.4f", h.fault.value);
      } else if (h.fault.kind == FaultKind::knob_turned) {
        t += text(" to %.4f %s", h.fault.value,
                  h.fault.knob == drivers::Measurand::current ? "A" : "V");
        if (h.nearly_full > 0) t += text(", once its cell is at %.3f of full", h.nearly_full);
      } else if (!drivers::simulated::happens_once(h.fault.kind)) {
        t += text(" for %.3f s", drivers::in_seconds(h.lasts));
      }
      return t;
    case Deed::stall:
    case Deed::twice:
      return t + ' ' + bench.instruments[h.device].name +
             text(" for %.3f s", drivers::in_seconds(h.lasts));
    case Deed::pieces:
    case Deed::late:
      return t + ' ' + bench.instruments[h.device].name +
             text(" of %zu, %.6f s, for %.3f s", h.size, drivers::in_seconds(h.time),
                  drivers::in_seconds(h.lasts));
    case Deed::drop:
    case Deed::noise:
      return t + ' ' + bench.instruments[h.device].name + text(" (%zu)", h.size);
    case Deed::hang:
      return t + text(" for %.3f s", drivers::in_seconds(h.lasts));
    case Deed::cut:
    case Deed::acknowledge:
    case Deed::stop:
    case Deed::start:
      return t + text(" channel %d", h.channel);
    case Deed::dead_man_lost:
    case Deed::restart:
      return t;
    case Deed::reorder:
      return t + text(" (%zu first)", h.size);
  }
  return t;
}

}  // namespace chargewright::storm

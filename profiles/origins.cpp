#include "profiles/origins.h"

#include <algorithm>
#include <cmath>

#include "drivers/quantity_text.h"
#include "profiles/chemistry.h"

namespace chargewright::profiles {

using namespace drivers;
using safety::Limit;
using safety::Limits;
using safety::Origin;

namespace {

// Calls `with(key, limit, place)` for each quantity in turn, the pair being pointers to members.
template <class With>
void for_each_quantity(With with) {
  with("voltage-above", &Limits::voltage_above, &LimitsText::voltage_above);
  with("voltage-below", &Limits::voltage_below, &LimitsText::voltage_below);
  with("current-above", &Limits::current_above, &LimitsText::current_above);
  with("current-reverse", &Limits::current_reverse, &LimitsText::current_reverse);
  with("power-above", &Limits::power_above, &LimitsText::power_above);
  with("temperature-above", &Limits::temperature_above, &LimitsText::temperature_above);
  with("temperature-below", &Limits::temperature_below, &LimitsText::temperature_below);
  with("temperature-rising", &Limits::temperature_rising, &LimitsText::temperature_rising);
  with("charge-above", &Limits::charge_above, &LimitsText::charge_above);
  with("energy-above", &Limits::energy_above, &LimitsText::energy_above);
  with("run-time", &Limits::run_time, &LimitsText::run_time);
  with("step-time", &Limits::step_time, &LimitsText::step_time);
}

template <class Q>
void say(Said& said, std::optional<Limit<Q>> Limits::*limit,
         std::optional<LimitText> LimitsText::*at, Q value, const Place& place) {
  said.limits.*limit = Limit<Q>{value, said.origin, {}};
  LimitText text;
  text.place = place;
  said.written.*at = text;
}

template <class Q>
std::string text_of(const Limit<Q>& limit) {
  std::string text = to_text(limit.value);
  if (limit.on_delay > Duration::zero()) text += " for " + to_text(limit.on_delay);
  if (limit.at_once) text += ", " + to_text(limit.at_once->value) + " at once";
  return text;
}

double number(Duration value) { return in_seconds(value); }
template <class Q>
double number(const Q& value) {
  return value.value();
}

// 110 % of 2 Ah and 2.2 Ah are the same limit, whatever the last digit of a double says.
template <class Q>
bool differs(const Limit<Q>& a, const Limit<Q>& b) {
  const double x = number(a.value);
  const double y = number(b.value);
  return std::abs(x - y) > 1e-9 * std::max(std::abs(x), std::abs(y));
}

template <class Q>
bool is_same(const Limit<Q>& a, const Limit<Q>& b) {
  if (a.at_once.has_value() != b.at_once.has_value()) return false;
  return a.value == b.value && a.on_delay == b.on_delay &&
         (!a.at_once || a.at_once->value == b.at_once->value);
}

// Charge counter stop, from empty, where the cell's file has none: 1.2 of its rated charge. A
// capacitor may be found below its `empty` voltage, down to nothing: 1.5 of what fills it from
// there, for the tolerance of its capacitance and its leakage (common practice, no source).
Coulombs charge_most(const Cell& cell) {
  if (cell.charge_never_above) return *cell.charge_never_above;
  if (!is_capacitor(cell)) return charge_most_usually * cell.capacity;
  const Volts lowest = std::min(cell.voltage.empty, std::max(volts(0), cell.voltage.never_below));
  const double share = (cell.voltage.full - lowest) / (cell.voltage.full - cell.voltage.empty);
  return 1.5 * share * cell.capacity;
}

Said said_by_cell(const Cell& cell) {
  Said said;
  said.origin = Origin::cell;
  say(said, &Limits::voltage_above, &LimitsText::voltage_above, cell.voltage.never_above,
      cell.places.never_above);
  say(said, &Limits::voltage_below, &LimitsText::voltage_below, cell.voltage.never_below,
      cell.places.never_below);
  say(said, &Limits::current_above, &LimitsText::current_above, cell.current.never_above,
      cell.places.never_above_current);
  if (cell.current.discharge) {
    say(said, &Limits::current_reverse, &LimitsText::current_reverse, *cell.current.discharge,
        cell.places.discharge_current);
  }
  // The end of the charge window: `never-above` is never below it.
  say(said, &Limits::temperature_above, &LimitsText::temperature_above, cell.temperature.charge_max,
      cell.places.charge_temperature);
  say(said, &Limits::temperature_below, &LimitsText::temperature_below, cell.temperature.charge_min,
      cell.places.charge_temperature);
  say(said, &Limits::charge_above, &LimitsText::charge_above, charge_most(cell),
      cell.charge_never_above ? cell.places.charge_never_above : cell.places.capacity);
  return said;
}

Said said_by_instrument(const BenchInstrument& source) {
  Said said;
  said.origin = Origin::instrument;
  const Place& place = source.ratings_place;
  if (source.ratings.voltage) {
    say(said, &Limits::voltage_above, &LimitsText::voltage_above, *source.ratings.voltage, place);
  }
  if (source.ratings.current) {
    say(said, &Limits::current_above, &LimitsText::current_above, *source.ratings.current, place);
  }
  if (source.ratings.power) {
    say(said, &Limits::power_above, &LimitsText::power_above, *source.ratings.power, place);
  }
  return said;
}

}  // namespace

bool is_capacitor(const Cell& cell) {
  const Chemistry* chemistry = find_chemistry(cell.chemistry);
  if (cell.capacitance) return true;
  return chemistry != nullptr && chemistry->capacitor &&
         (cell.chemistry != "other" || cell.model.kind == simulated::CellModel::Kind::capacitor);
}

std::vector<Said> all_said(const Profile& profile, const Cell& cell, const Bench& bench,
                           const BenchChannel& channel, const Policy& policy) {
  std::vector<Said> all;
  all.push_back(said_by_cell(cell));
  Said wiring;
  wiring.origin = Origin::wiring;
  if (channel.wiring.rated) {
    say(wiring, &Limits::current_above, &LimitsText::current_above, *channel.wiring.rated,
        channel.wiring.rated_place);
  }
  all.push_back(wiring);
  all.push_back(said_by_instrument(bench.source_of(channel)));
  all.push_back(
      {Origin::policy, resolve(policy.limits, cell.capacity, Origin::policy), policy.limits});
  all.push_back(
      {Origin::profile, resolve(profile.limits, cell.capacity, Origin::profile), profile.limits});
  return all;
}

Limits merged(const std::vector<Said>& said) {
  Limits limits;
  for (const Said& one : said) safety::tighten(limits, one.limits);
  return limits;
}

std::vector<LimitLine> explain(const std::vector<Said>& said, const Limits& effective) {
  std::vector<LimitLine> lines;
  for_each_quantity([&](std::string_view key, auto limit, auto written) {
    if (!(effective.*limit)) return;
    LimitLine line;
    line.quantity = key;
    line.value = text_of(*(effective.*limit));
    line.origin = safety::key_of((effective.*limit)->origin);
    for (const Said& one : said) {
      if (!(one.limits.*limit)) continue;
      if (one.origin == (effective.*limit)->origin) {
        line.place = (one.written.*written)->place;
      } else {
        line.tighter_than.push_back(std::string(safety::key_of(one.origin)) + ' ' +
                                    text_of(*(one.limits.*limit)));
      }
    }
    lines.push_back(std::move(line));
  });
  return lines;
}

// In vain: the others alone come to the same, an on-delay and what stands behind it included.
std::vector<Failure> remarks(const std::vector<Said>& said, const Limits& effective) {
  std::vector<Failure> notes;
  Limits others;
  for (const Said& one : said) {
    if (one.origin != Origin::profile) safety::tighten(others, one.limits);
  }
  for_each_quantity([&](std::string_view key, auto limit, auto written) {
    if (!(effective.*limit) || !(others.*limit)) return;
    const auto& rules = *(effective.*limit);
    for (const Said& one : said) {
      if (one.origin != Origin::profile || !(one.limits.*limit)) continue;
      const auto& yields = *(one.limits.*limit);
      if (differs(yields, rules) && is_same(rules, *(others.*limit))) {
        notes.push_back(
            {(one.written.*written)->place,
             std::string(key) + " " + text_of(yields) + " has no effect: " + text_of(rules) +
                 " is tighter, and comes from the " + std::string(safety::key_of(rules.origin)),
             {}});
      }
    }
  });
  return notes;
}

}  // namespace chargewright::profiles

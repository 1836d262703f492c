#include "safety/budget.h"

#include <algorithm>
#include <cmath>

#include "safety/rise.h"

namespace chargewright::safety {
namespace {

using drivers::Duration;
using drivers::in_seconds;
using drivers::InstrumentId;

constexpr int stages_to_contactor = 2;  // CutChain: two stages of the cut at the latest
constexpr int lags_to_follow = 5;       // a first-order lag follows a ramp to within 1 %

// When a crossing is seen: the parts of the time to it.
struct Seen {
  Duration interval{};
  Duration link{};
  Duration longer_unread{};  // more, where reading fails at the crossing
  [[nodiscard]] Duration time() const { return interval + link; }
};

// A limit whatever its quantity, in SI.
struct Plain {
  double value = 0;
  Duration on_delay{};
  std::optional<double> at_once{};
};

// What one instrument is asked on behalf of one channel; as safety/schedule.cpp asks it.
struct Asked {
  int readings = 0;
  int readbacks = 0;  // all of a round; one of them in each cycle
  int drains = 0;
  int setpoints = 0;
};

Asked asked_of(const ChannelPlan& plan, InstrumentId instrument) {
  Asked asked;
  const auto count = [&](const Terminal& at, int& into) { into += at.instrument == instrument; };
  count(plan.source, asked.readings);
  count(plan.source, asked.readings);
  if (!(plan.voltmeter == plan.source)) count(plan.voltmeter, asked.readings);
  if (!(plan.ammeter == plan.source)) count(plan.ammeter, asked.readings);
  for (const Terminal& thermometer : plan.thermometers) count(thermometer, asked.readings);
  if (plan.contactor) count(*plan.contactor, asked.readbacks);
  if (plan.source.instrument != instrument) return asked;
  const SourceAbilities& can = plan.abilities;
  asked.readbacks +=
      can.reads_protection + can.reads_output + 2 * can.reads_setpoints + can.reads_regulation;
  asked.drains = can.drains_errors;
  // The first charge after a rest proves the protections, too.
  asked.setpoints = 2 + can.over_voltage_protection + can.over_current_protection;
  return asked;
}

double heating(const CellSlopes& cell, const CellSlopes::Resistances& r, double amperes) {
  const double total = r.series.value() + r.pairs[0].value() + r.pairs[1].value();
  return amperes * (amperes * total + cell.overcharged.value());
}

class Maker {
 public:
  explicit Maker(const BudgetSetup& setup)
      : setup_(setup), plan_(setup.plant.channels[setup.channel]), limits_(setup.limits) {}

  Budget make();

 private:
  using Overshoot = double (*)(const Maker&, double limit, double seconds, const Reach&);
  template <auto of>
  static double call(const Maker& maker, double limit, double seconds, const Reach& reach) {
    return (maker.*of)(limit, seconds, reach);
  }

  [[nodiscard]] Seen seen_by(const Terminal& at) const;
  [[nodiscard]] Seen seen_by(const Terminal& at, const Terminal& other) const;
  [[nodiscard]] Seen seen_by_thermometers() const;
  [[nodiscard]] Seen seen_rising() const;
  [[nodiscard]] Seen seen_tallied() const;
  [[nodiscard]] Duration answered(const Terminal& at) const;
  void find_too_slow(const Terminal& at);
  [[nodiscard]] int cut_with(InstrumentId instrument) const;
  [[nodiscard]] Duration obeyed(InstrumentId instrument) const;
  [[nodiscard]] Response by_source(const Seen& seen, Duration on_delay) const;
  [[nodiscard]] Response by_contactor(const Seen& seen, Duration on_delay) const;

  void add(Cause cause, const std::optional<Plain>& limit, const Seen& seen, Overshoot over);
  [[nodiscard]] double overshoot(const Plain& limit, const Response& response, const Reach& reach,
                                 Overshoot over) const;

  [[nodiscard]] double climb(double amperes, double seconds) const;
  [[nodiscard]] double heated(double amperes) const;
  [[nodiscard]] double stored_heat(double amperes, double seconds) const;
  [[nodiscard]] double unsteered_heat(double amperes) const;

  double voltage_high(double limit, double seconds, const Reach& reach) const;
  double voltage_low(double limit, double seconds, const Reach& reach) const;
  double current_high(double limit, double seconds, const Reach& reach) const;
  double current_reverse(double limit, double seconds, const Reach& reach) const;
  double power_high(double limit, double seconds, const Reach& reach) const;
  double temperature_high(double limit, double seconds, const Reach& reach) const;
  double temperature_low(double limit, double seconds, const Reach& reach) const;
  double temperature_rising(double limit, double seconds, const Reach& reach) const;
  double charge_high(double limit, double seconds, const Reach& reach) const;
  double energy_high(double limit, double seconds, const Reach& reach) const;
  double run_time(double limit, double seconds, const Reach& reach) const;
  double step_time(double limit, double seconds, const Reach& reach) const;

  const BudgetSetup& setup_;
  const ChannelPlan& plan_;
  const Limits& limits_;
  Budget budget_;
};

double number(Duration value) { return in_seconds(value); }
template <class Q>
double number(const Q& value) {
  return value.value();
}

const Seen& later_of(const Seen& a, const Seen& b) { return a.time() < b.time() ? b : a; }

Duration whole(Duration time, Duration unit) {
  const auto units = (time.count() + unit.count() - 1) / unit.count();
  return std::max<Duration::rep>(units, 1) * unit;
}

// ---- times --------------------------------------------------------------------------------------

Duration Maker::answered(const Terminal& at) const {
  return answered_within(setup_.plant, at.instrument, setup_.instruments[at.instrument]);
}

// A reading older than its allowed age cuts by itself.
Seen Maker::seen_by(const Terminal& at) const {
  const Duration link = answered(at);
  const Duration interval = std::min(whole(link, plan_.every), plan_.allowed_age);
  const Duration left = plan_.allowed_age - interval;
  return {interval, std::min(link, left), left - std::min(link, left)};
}

void Maker::find_too_slow(const Terminal& at) {
  const Duration link = answered(at);
  if (whole(link, plan_.every) + link > plan_.allowed_age) budget_.too_slow = at.instrument;
}

Seen Maker::seen_by(const Terminal& at, const Terminal& other) const {
  return later_of(seen_by(at), seen_by(other));
}

// The hottest place may be that of the slowest.
Seen Maker::seen_by_thermometers() const {
  Seen slowest;
  for (const Terminal& thermometer : plan_.thermometers) {
    slowest = later_of(slowest, seen_by(thermometer));
  }
  return slowest;
}

// The line is fitted over whole bins, each closed by a reading after it (safety/rise.h): when all
// of them lie on the new slope, the fit is that slope, less what one digit can feign.
Seen Maker::seen_rising() const {
  Seen seen = seen_by_thermometers();
  if (plan_.thermometers.empty()) return seen;
  const Duration bin = whole(Rise::bin_width, seen.interval);
  seen.longer_unread = {};
  seen.interval +=
      (static_cast<int>(Rise::bins_max) + 1) * bin + lags_to_follow * setup_.thermometer_lag;
  return seen;
}

// A step between two readings is tallied as a ramp: half an interval late.
Seen Maker::seen_tallied() const {
  Seen seen = seen_by(plan_.voltmeter, plan_.ammeter);
  seen.interval += seen.interval / 2;
  return seen;
}

// Outputs and contactors of all channels at this instrument: what one thermometer of them all shows
// has them all cut in one turn.
int Maker::cut_with(InstrumentId instrument) const {
  int orders = 0;
  for (const ChannelPlan& channel : setup_.plant.channels) {
    orders += channel.source.instrument == instrument;
    orders += channel.contactor && channel.contactor->instrument == instrument;
  }
  return orders;
}

// The instrument may be at one answer when the off comes, and obey those of other channels first.
// So it may with those by which the cut of another output, being repeated, sets both its setpoints
// to zero. Each message keeps the pause that it wants.
Duration Maker::obeyed(InstrumentId instrument) const {
  const InstrumentTimes& times = setup_.instruments[instrument];
  const auto others = std::ranges::count_if(setup_.plant.channels, [&](const ChannelPlan& channel) {
    return channel.source.instrument == instrument && !(channel.source == plan_.source);
  });
  const auto orders = 1 + cut_with(instrument) + 2 * others;
  return orders * (times.round_trip + times.between);
}

Response respond(const BudgetTerms& t) {
  return {.terms = t,
          .time = t.interval + t.link + t.on_delay + t.judging + t.cut + t.settling,
          .overshoot = 0};
}

Response Maker::by_source(const Seen& seen, Duration on_delay) const {
  return respond({.interval = seen.interval,
                  .link = seen.link,
                  .on_delay = on_delay,
                  .judging = setup_.judging,
                  .cut = obeyed(plan_.source.instrument),
                  .settling = setup_.instruments[plan_.source.instrument].settling});
}

Response Maker::by_contactor(const Seen& seen, Duration on_delay) const {
  const InstrumentTimes& contactor = setup_.instruments[plan_.contactor->instrument];
  return respond(
      {.interval = seen.interval,
       .link = seen.link,
       .on_delay = on_delay,
       .judging = 2 * setup_.judging,
       .cut = stages_to_contactor * plan_.cut_stage + obeyed(plan_.contactor->instrument),
       .settling = contactor.settling});
}

// ---- overshoots ---------------------------------------------------------------------------------

// How far open-circuit voltage and polarization climb.
double Maker::climb(double amperes, double seconds) const {
  const CellSlopes& cell = setup_.cell;
  double volts = amperes * seconds / cell.differential.value();
  for (std::size_t k = 0; k < cell.pair_capacities.size(); ++k) {
    const double settled = amperes * cell.cold.pairs[k].value();
    if (!(settled > 0)) continue;
    volts += std::min(settled, amperes * seconds / cell.pair_capacities[k].value());
  }
  return volts;
}

// On top of what climbs, a current that jumps lifts the terminals by the series resistance; no
// further than the source's own voltage reaches, which the leads share with the cell.
double Maker::voltage_high(double limit, double seconds, const Reach& reach) const {
  const double amperes = reach.current.value();
  const double most = std::max(0.0, reach.voltage.value() - limit);
  const double climbed = setup_.errors.voltage.value() + climb(amperes, seconds);
  if (climbed >= most) return most;
  const double series = setup_.cell.cold.series.value();
  if (!(series > 0)) return climbed;
  const double share = series / (series + plan_.loop_resistance.value());
  return climbed + std::min(amperes * series, (most - climbed) * share);
}

// A source that only charges takes nothing out: the voltage falls by what the current held up.
double Maker::voltage_low(double, double, const Reach& reach) const {
  const auto& r = setup_.cell.cold;
  const double total = r.series.value() + r.pairs[0].value() + r.pairs[1].value();
  return setup_.errors.voltage.value() + reach.current.value() * total;
}

// A step: no reading can make it lower, only shorter.
double Maker::current_high(double limit, double, const Reach& reach) const {
  return std::max(0.0, reach.current.value() - limit);
}

double Maker::power_high(double limit, double, const Reach& reach) const {
  return std::max(0.0, reach.power.value() - limit);
}

// What the cell itself can drive back, through its leads and a source that has failed.
double Maker::current_reverse(double limit, double, const Reach&) const {
  const double volts = limits_.voltage_above ? limits_.voltage_above->value.value() : HUGE_VAL;
  const double ohms = setup_.cell.warm.series.value() + plan_.loop_resistance.value();
  return std::max(0.0, volts / ohms - limit);
}

double Maker::heated(double amperes) const {
  const CellSlopes& cell = setup_.cell;
  return heating(cell, cell.warm, amperes) / cell.heat_capacity.value();
}

// The polarization gives its heat up after the cut.
double Maker::stored_heat(double amperes, double seconds) const {
  const CellSlopes& cell = setup_.cell;
  double joules = 0;
  for (std::size_t k = 0; k < cell.pair_capacities.size(); ++k) {
    const double r = cell.warm.pairs[k].value();
    const double c = cell.pair_capacities[k].value();
    if (!(r > 0)) continue;
    const double before = std::min(amperes, setup_.steered.value()) * r;
    const double volts = std::min(amperes * r, before + amperes * seconds / c);
    joules += 0.5 * c * volts * volts;
  }
  return joules / cell.heat_capacity.value();
}

// More current than is steered has flowed no longer than the limit on current takes to cut it; for
// its on-delay, no more than what stands behind that.
double Maker::unsteered_heat(double amperes) const {
  const double before = heated(std::min(amperes, setup_.steered.value()));
  const double soon = in_seconds(by_source(seen_by(plan_.ammeter), {}).time);
  const double heat = soon * (heated(amperes) - before);
  const auto& limit = limits_.current_above;
  if (!limit || limit->on_delay == Duration::zero()) return heat;
  const double borne = limit->at_once ? std::min(amperes, limit->at_once->value.value()) : amperes;
  const double within = heated(std::min(borne, limit->value.value()));
  return heat + in_seconds(limit->on_delay) * (heated(borne) - within);
}

double Maker::temperature_high(double, double seconds, const Reach& reach) const {
  const double amperes = reach.current.value();
  const double before = heated(std::min(amperes, setup_.steered.value()));
  return setup_.errors.temperature.value() + in_seconds(setup_.thermometer_lag) * before +
         unsteered_heat(amperes) + seconds * heated(amperes) + stored_heat(amperes, seconds);
}

// No charging makes a cell colder.
double Maker::temperature_low(double, double, const Reach&) const {
  return setup_.errors.temperature.value();
}

double Maker::temperature_rising(double limit, double, const Reach& reach) const {
  const CellSlopes& cell = setup_.cell;  // at any temperature: where it heats most
  return std::max(
      0.0, heating(cell, cell.cold, reach.current.value()) / cell.heat_capacity.value() - limit);
}

// Charge since the last reading is not counted yet.
double Maker::charge_high(double, double seconds, const Reach& reach) const {
  return setup_.errors.charge.value() + reach.current.value() * seconds;
}

double Maker::energy_high(double, double seconds, const Reach& reach) const {
  return setup_.errors.energy.value() + reach.power.value() * seconds;
}

// Time counts from the moment at which the output was proved on.
double Maker::run_time(double, double seconds, const Reach&) const {
  const InstrumentTimes& source = setup_.instruments[plan_.source.instrument];
  return seconds + in_seconds(source.settle + 2 * source.round_trip);
}

double Maker::step_time(double, double seconds, const Reach&) const { return seconds; }

// ---- one line for each limit --------------------------------------------------------------------

template <class Q>
std::optional<Plain> plain(const std::optional<Limit<Q>>& limit) {
  if (!limit) return std::nullopt;
  Plain plain{number(limit->value), limit->on_delay, std::nullopt};
  if (limit->at_once) plain.at_once = number(limit->at_once->value);
  return plain;
}

double Maker::overshoot(const Plain& limit, const Response& response, const Reach& reach,
                        Overshoot over) const {
  const double all = over(*this, limit.value, in_seconds(response.time), reach);
  if (!limit.at_once) return all;
  const double soon = in_seconds(response.time - response.terms.on_delay);
  return std::min(
      all, std::abs(*limit.at_once - limit.value) + over(*this, *limit.at_once, soon, reach));
}

void Maker::add(Cause cause, const std::optional<Plain>& limit, const Seen& seen, Overshoot over) {
  if (!limit) return;
  BudgetLine line;
  line.cause = cause;
  line.source = by_source(seen, limit->on_delay);
  line.source.overshoot = overshoot(*limit, line.source, setup_.armed, over);
  if (plan_.contactor) {
    line.contactor = by_contactor(seen, limit->on_delay);
    line.contactor->overshoot = overshoot(*limit, *line.contactor, setup_.bare, over);
  }
  line.time_unread = line.source.time + seen.longer_unread;
  budget_.lines.push_back(line);
}

Budget Maker::make() {
  const Seen voltage = seen_by(plan_.voltmeter);
  const Seen current = seen_by(plan_.ammeter);
  const Seen both = seen_by(plan_.voltmeter, plan_.ammeter);
  const Seen warm = seen_by_thermometers();
  const Seen tallied = seen_tallied();
  const Seen clock{};  // needs no reading
  const Limits& l = limits_;
  add(Cause::voltage_high, plain(l.voltage_above), voltage, call<&Maker::voltage_high>);
  add(Cause::voltage_low, plain(l.voltage_below), voltage, call<&Maker::voltage_low>);
  add(Cause::current_high, plain(l.current_above), current, call<&Maker::current_high>);
  add(Cause::current_reverse, plain(l.current_reverse), current, call<&Maker::current_reverse>);
  add(Cause::power_high, plain(l.power_above), both, call<&Maker::power_high>);
  add(Cause::temperature_high, plain(l.temperature_above), warm, call<&Maker::temperature_high>);
  add(Cause::temperature_low, plain(l.temperature_below), warm, call<&Maker::temperature_low>);
  add(Cause::temperature_rising, plain(l.temperature_rising), seen_rising(),
      call<&Maker::temperature_rising>);
  add(Cause::charge_high, plain(l.charge_above), tallied, call<&Maker::charge_high>);
  add(Cause::energy_high, plain(l.energy_above), tallied, call<&Maker::energy_high>);
  add(Cause::run_time, plain(l.run_time), clock, call<&Maker::run_time>);
  add(Cause::step_time, plain(l.step_time), clock, call<&Maker::step_time>);
  find_too_slow(plan_.source);
  find_too_slow(plan_.voltmeter);
  find_too_slow(plan_.ammeter);
  for (const Terminal& thermometer : plan_.thermometers) find_too_slow(thermometer);
  return budget_;
}

}  // namespace

const BudgetLine* Budget::of(Cause cause) const {
  const auto line = std::find_if(lines.begin(), lines.end(),
                                 [&](const BudgetLine& one) { return one.cause == cause; });
  return line == lines.end() ? nullptr : &*line;
}

Duration answered_within(const Plant& plant, InstrumentId instrument,
                         const InstrumentTimes& times) {
  int cycle = 0;
  int round = 0;
  int setpoints = 0;
  Duration fastest = Duration::max();
  for (const ChannelPlan& channel : plant.channels) {
    const Asked asked = asked_of(channel, instrument);
    if (asked.readings + asked.readbacks == 0) continue;
    fastest = std::min(fastest, channel.every);
    cycle += asked.readings + std::min(asked.readbacks, 1) + asked.drains;
    round += asked.readings + asked.readbacks + asked.drains;
    setpoints += asked.setpoints;
  }
  const auto time = [&](int questions) {
    // A setpoint is a command, and the question that proves it.
    return (questions + setpoints) * (times.round_trip + times.between) +
           setpoints * (times.between + times.settle);
  };
  // Where a cycle does not suffice, the readbacks of a whole round may be waiting.
  return time(cycle) <= fastest ? time(cycle) : time(round);
}

Budget budget_of(const BudgetSetup& setup) { return Maker(setup).make(); }

}  // namespace chargewright::safety

#include "safety/interlock.h"

#include <algorithm>
#include <cmath>

#include "safety/leads.h"
#include "safety/rules.h"

namespace chargewright::safety {
namespace {

using drivers::Ending;
using drivers::Instant;
using drivers::Measurand;
using drivers::never;
using drivers::Outcome;
using drivers::Reading;
using drivers::Validity;
using drivers::Verb;

// A resting cell's voltmeter may wander by this, V (common practice, no source).
constexpr double resting_unrest = 0.020;

// Two digits of a thermometer that shows tenths, K (common practice, no source).
constexpr double moves_a_digit = 0.2;

// A current that a thermometer cannot stand still under: half of what is allowed, and where the
// cell's body is known, as much as warms it by so much in the end, at the least.
double heavy_current(const Facts& f) {
  if (!f.limits.current_above) return HUGE_VAL;
  const double half = 0.5 * f.limits.current_above->value.value();
  if (!f.body.known()) return half;
  const double ohms = f.body.resistance_least.value();
  const double joules = moves_a_digit * f.body.heat_capacity_most.value();
  return std::max(half, std::sqrt(joules / (ohms * Warming::cooling_time)));
}

bool at(const Outcome& outcome, const Terminal& terminal) {
  return outcome.order.instrument == terminal.instrument &&
         outcome.order.channel == terminal.channel;
}

// Beyond what any bench of this kind can show: an open thermocouple or resistance sensor, a range
// overflow sent as a number (common practice, no source). Such a reading is no measurement.
bool plausible(const Reading& reading) {
  switch (reading.measurand) {
    case Measurand::voltage:
      return std::abs(reading.value) <= 2000.0;
    case Measurand::current:
      return std::abs(reading.value) <= 5000.0;
    case Measurand::temperature:
      break;
  }
  return reading.value >= -100.0 && reading.value <= 500.0;
}

void take(Sensed& sensed, const Reading& reading) {
  if (reading.validity == Validity::absent) return;  // no answer: it ages, and goes stale
  Validity validity = reading.validity;
  if (validity == Validity::valid && !std::isfinite(reading.value)) {
    validity = std::isnan(reading.value) ? Validity::not_a_number : Validity::infinite;
  } else if (validity == Validity::valid && !plausible(reading)) {
    validity = Validity::infinite;
  }
  sensed.newest = validity;
  if (validity == Validity::valid && !(reading.value == sensed.good.value)) {
    sensed.moved_at = reading.asked;
  }
  if (validity != Validity::valid) return;
  const double apart = drivers::in_seconds(reading.asked - sensed.good.asked);
  if (sensed.good.valid() && apart > 0) {
    sensed.per_second = (reading.value - sensed.good.value) / apart;
  }
  sensed.good = reading;
}

void take(ReadBack& back, const Outcome& outcome) {
  if (outcome.ending != Ending::done) return;  // it ages, and goes stale
  back = {true, outcome.value, outcome.asked};
}

Reading shown(const Sensed& sensed) {
  Reading reading = sensed.good;
  if (sensed.newest != Validity::absent) reading.validity = sensed.newest;
  return reading;
}

}  // namespace

Interlock::Interlock(const ChannelPlan& plan, std::uint8_t channel)
    : facts_(plan), channel_(channel) {
  began_.fill(never);
  facts_.tally = Tally(plan.allowed_age);
  const auto talk_with = [&](const Terminal& terminal) {
    const auto known =
        std::find_if(facts_.talks.begin(), facts_.talks.end(),
                     [&](const Talk& talk) { return talk.instrument == terminal.instrument; });
    if (known == facts_.talks.end()) facts_.talks.push_back({.instrument = terminal.instrument});
  };
  talk_with(plan.source);
  talk_with(plan.voltmeter);
  talk_with(plan.ammeter);
  for (const Terminal& thermometer : plan.thermometers) talk_with(thermometer);
  if (plan.contactor) talk_with(*plan.contactor);
}

void Interlock::hold(const Limits& limits) {
  facts_.limits = limits;
  facts_.limits_known = true;
  facts_.limits_copy.keep(limits);
}

void Interlock::enforce(const Limits& limits, const Body& body, Instant now,
                        const Carried& carried) {
  hold(limits);
  facts_.mode = Mode::enforcing;
  facts_.enforced_at = now;
  facts_.step_at = now - carried.step_time;
  facts_.heartbeat_at = now;
  facts_.tally.begin(now, carried);
  facts_.cell_pair = StuckPair{};
  facts_.source_pair = StuckPair{};
  for (StuckThermometer& stuck : facts_.stuck_thermometers) stuck.forget();
  facts_.flow.begin({});
  facts_.leads = {};
  facts_.resting.forget();
  facts_.body = body;
  facts_.warming.begin(body);
  for (FollowedWarming& followed : facts_.followed) followed.begin();
  began_.fill(never);
  step_ = carried.step;
  forget_reports();
}

void Interlock::restore_limits(const Limits& limits) { hold(limits); }

void Interlock::watch_from(Instant then) { facts_.watched_from = then; }

void Interlock::watch_only(Instant now) {
  facts_.tally.output(false, now);
  facts_.mode = Mode::watching;
}

void Interlock::see_talk(const Outcome& outcome) {
  for (Talk& talk : facts_.talks) {
    if (talk.instrument != outcome.order.instrument) continue;
    switch (outcome.ending) {
      case Ending::timed_out:
        if (talk.timeouts < 0xFF) ++talk.timeouts;
        return;
      case Ending::link_down:
        talk.down = true;
        return;
      case Ending::refused:
      case Ending::absent:
        return;  // our own bounds, or our own dialect: says nothing about the conversation
      case Ending::done:
      case Ending::disproved:
      case Ending::device_error:
      case Ending::unparsable:
      case Ending::not_a_number:
      case Ending::infinite:
        talk.timeouts = 0;
        talk.down = talk.unheard = false;
        return;
    }
  }
}

void Interlock::link(drivers::InstrumentId instrument, bool up) {
  for (Talk& talk : facts_.talks) {
    if (talk.instrument != instrument) continue;
    talk.down = !up;
    if (up) {
      talk.timeouts = 0;
    } else {
      talk.unheard = true;
    }
  }
}

void Interlock::see(const Outcome& outcome) {
  see_talk(outcome);
  const ChannelPlan& plan = facts_.plan;
  switch (outcome.order.verb) {
    case Verb::measure_voltage:
      if (at(outcome, plan.voltmeter)) {
        take(facts_.cell_voltage, reading_of(outcome));
        see_rest();
      }
      if (facts_.separate_voltmeter && at(outcome, plan.source)) {
        take(facts_.source_voltage, reading_of(outcome));
      }
      return;
    case Verb::measure_current:
      if (at(outcome, plan.ammeter)) {
        take(facts_.cell_current, reading_of(outcome));
        see_current(facts_.cell_current, facts_.cell_voltage, facts_.cell_pair);
        see_flow();
        note_leads(facts_, outcome.answered);
      }
      if (facts_.separate_ammeter && at(outcome, plan.source)) {
        take(facts_.source_current, reading_of(outcome));
      }
      if ((facts_.separate_ammeter || facts_.separate_voltmeter) && at(outcome, plan.source)) {
        const Sensed& current =
            facts_.separate_ammeter ? facts_.source_current : facts_.cell_current;
        const Sensed& voltage =
            facts_.separate_voltmeter ? facts_.source_voltage : facts_.cell_voltage;
        const bool flowing =
            facts_.expected.output_on && std::abs(current.value()) > plan.off_current.value();
        facts_.source_pair.see(voltage.value(), current.value(), facts_.tally.charge_in().value(),
                               flowing, current.good.answered);
      }
      return;
    case Verb::measure_temperature:
      for (std::size_t k = 0; k < plan.thermometers.size(); ++k) {
        if (!at(outcome, plan.thermometers[k])) continue;
        Sensed& sensed = facts_.temperatures[k];
        const Instant before = sensed.good.answered;
        take(sensed, reading_of(outcome));
        if (!sensed.usable() || sensed.good.answered == before) continue;
        facts_.rises[k].see(sensed.value(), sensed.good.answered);
        facts_.followed[k].see(sensed.value(), facts_.warming.least(), sensed.good.answered);
        facts_.stuck_thermometers[k].see(
            sensed.value(), facts_.expected.output_on ? facts_.cell_current.value() : 0.0,
            heavy_current(facts_), plan.stuck_after, sensed.good.answered);
      }
      return;
    case Verb::read_voltage_setpoint:
      if (at(outcome, plan.source)) take(facts_.voltage_setpoint, outcome);
      return;
    case Verb::read_current_setpoint:
      if (at(outcome, plan.source)) take(facts_.current_setpoint, outcome);
      return;
    case Verb::read_output:
      if (at(outcome, plan.source)) take(facts_.output, outcome);
      return;
    case Verb::read_protection:
      if (at(outcome, plan.source)) take(facts_.protection, outcome);
      return;
    case Verb::identify:
    case Verb::drain_errors:
    case Verb::set_voltage:
    case Verb::set_current:
    case Verb::output_on:
    case Verb::output_off:
    case Verb::set_over_voltage:
    case Verb::set_over_current:
    case Verb::clear_protection:
    case Verb::read_regulation:
    case Verb::open_switch:
    case Verb::close_switch:
    case Verb::read_switch:
      return;
  }
}

void Interlock::see_current(const Sensed& current, const Sensed& voltage, StuckPair& pair) {
  if (!current.usable() || !voltage.usable()) return;
  const bool on = facts_.expected.output_on;
  const bool flowing = std::abs(current.value()) > facts_.plan.off_current.value();
  // With the output off, what a meter shows below "current stopped" is its own offset: integrated
  // over hours of rest it would feign charge. It counts as none: left out, a last sample that was
  // still on its way as the output went off would hold through the rest.
  if (facts_.mode == Mode::enforcing) {
    facts_.tally.add(current.good.answered,
                     on || flowing ? current.good.current() : drivers::Amperes{},
                     voltage.good.voltage());
  }
  pair.see(voltage.value(), current.value(), facts_.tally.charge_in().value(), on && flowing,
           current.good.answered);
}

void Interlock::see_flow() {
  const Sensed& current = facts_.cell_current;
  const Expected& expected = facts_.expected;
  if (facts_.mode != Mode::enforcing || !current.usable()) return;
  facts_.warming.see(current.value(), current.good.answered);
  // What setpoints in motion do to it is not known: judged again when they stand.
  if (!expected.output_on || current.good.asked < expected.since ||
      current.good.asked < expected.setpoints_since) {
    return;
  }
  facts_.flow.see(current.value(), facts_.cell_voltage.value(),
                  {expected.voltage_setpoint, expected.current_setpoint,
                   facts_.plan.loop_resistance, facts_.plan.off_current, facts_.body.fall_time},
                  current.good.asked);
}

// Once the output is proved off and had time to fall.
void Interlock::see_rest() {
  const Sensed& voltage = facts_.cell_voltage;
  const Expected& expected = facts_.expected;
  if (facts_.mode != Mode::enforcing || expected.output_on || expected.since == never) return;
  const Instant settled = drivers::later(expected.since, facts_.plan.falls_within());
  if (!voltage.usable() || voltage.good.asked < settled) return;
  const double band = std::max(facts_.plan.voltage_disagreement.value(), resting_unrest);
  facts_.resting.see(voltage.value(), band, voltage.good.asked);
}

void Interlock::expect(const Expected& expected) {
  Expected& now = facts_.expected;
  if (expected.output_on && !now.output_on) {
    const Sensed& source = facts_.separate_voltmeter ? facts_.source_voltage : facts_.cell_voltage;
    facts_.flow.begin(source.usable() ? std::optional(source.value()) : std::nullopt);
  }
  if (expected.output_on != now.output_on) facts_.resting.forget();
  if (expected.since != never) facts_.tally.output(expected.output_on, expected.since);
  if (expected.setpoints_since != never && expected.setpoints_since != now.setpoints_since &&
      expected.output_on && expected.since < expected.setpoints_since) {
    facts_.tally.break_at(expected.setpoints_since);
  }
  now = expected;
}

void Interlock::step_began(std::uint16_t step, Instant now) {
  if (step == step_) return;
  step_ = step;
  facts_.step_at = now;
}

void Interlock::sequencer_alive(Instant now) { facts_.heartbeat_at = now; }

void Interlock::operator_wants_cut(Instant now) {
  report({.cause = Cause::operator_cut, .channel = channel_, .at = now});
}

void Interlock::internal_fault(Instant now) {
  report({.cause = Cause::guard_internal, .channel = channel_, .at = now});
}

void Interlock::report(const Fault& fault) {
  const auto index = static_cast<std::size_t>(fault.cause);
  if (index >= cause_count || reported_.test(index)) return;
  reported_.set(index);
  found_[index] = fault;
  found_[index].channel = channel_;
}

bool Interlock::in_doubt() const {
  if (facts_.mode != Mode::enforcing) return false;
  if (facts_.flow.broke_off() && !proved_closed(facts_)) return true;
  constexpr std::array doubts{Cause::cell_changed,     Cause::circuit_open,
                              Cause::leads_loose,      Cause::readings_disagree,
                              Cause::reading_unusable, Cause::sensor_stuck};
  return std::any_of(doubts.begin(), doubts.end(),
                     [&](Cause cause) { return began_[static_cast<std::size_t>(cause)] != never; });
}

void Interlock::forget_reports() { reported_.reset(); }

drivers::Reading Interlock::voltage() const { return shown(facts_.cell_voltage); }
drivers::Reading Interlock::current() const { return shown(facts_.cell_current); }
drivers::Reading Interlock::temperature(std::size_t sensor) const {
  return shown(facts_.temperatures[sensor]);
}
drivers::Reading Interlock::source_voltage() const {
  return shown(facts_.separate_voltmeter ? facts_.source_voltage : facts_.cell_voltage);
}

}  // namespace chargewright::safety

#include "safety/permissives.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {
namespace {

using drivers::Ending;
using drivers::Instant;
using drivers::Outcome;
using drivers::Verb;

// A sensor that has not answered in four of its ages will not (common practice, no source).
drivers::Instant sensors_within(const ChannelPlan& plan, Instant since) {
  return drivers::later(since, 4 * (plan.allowed_age + plan.every));
}

// Clearly negative: an empty capacitor may read some millivolts either side of zero.
constexpr double reversed_below = -0.1;  // V

}  // namespace

Permissives::Permissives(const ChannelPlan& plan, std::uint8_t channel)
    : plan_(plan), channel_(channel) {}

void Permissives::begin(const RunPlan& run, Instant now, Outbox& out) {
  run_ = run;
  refusal_ = Refusal::none;
  measured_ = limit_ = 0;
  instrument_ = drivers::no_instrument;
  drains_ = 0;
  deadline_ = drivers::later(now, plan_.arm_within);
  enter(Stage::identify, now, out);
}

void Permissives::ask(const Terminal& at, Verb verb, double value, Outbox& out) {
  const std::uint32_t ticket = out.order(channel_, Purpose::permissive, at, verb, value);
  if (ticket == 0) {
    refuse(Refusal::instrument_unreachable);
  } else {
    waiting_.push_back(ticket);
  }
}

void Permissives::ask_identities(Outbox& out) {
  boost::container::static_vector<drivers::InstrumentId, parallel_max_> asked;
  const auto once = [&](const Terminal& at) {
    if (std::find(asked.begin(), asked.end(), at.instrument) != asked.end()) return;
    asked.push_back(at.instrument);
    ask(at, Verb::identify, 0, out);
  };
  once(plan_.source);
  once(plan_.voltmeter);
  once(plan_.ammeter);
  for (const Terminal& thermometer : plan_.thermometers) once(thermometer);
  if (plan_.contactor) once(*plan_.contactor);
}

void Permissives::enter(Stage stage, Instant now, Outbox& out) {
  stage_ = stage;
  stage_began_ = now;
  waiting_.clear();
  const SourceAbilities& can = plan_.abilities;
  switch (stage) {
    case Stage::identify:
      ask_identities(out);
      return;
    case Stage::drain_errors:
      if (!can.drains_errors) return next(now, out);
      return ask(plan_.source, Verb::drain_errors, 0, out);
    case Stage::output_off:
      return ask(plan_.source, Verb::output_off, 0, out);
    case Stage::contactor_opens:
      if (!plan_.contactor) return next(now, out);
      return ask(*plan_.contactor, Verb::open_switch, 0, out);
    case Stage::protection:
    case Stage::still_clear:
      if (!can.reads_protection) return next(now, out);
      return ask(plan_.source, Verb::read_protection, 0, out);
    case Stage::setpoints:
      ask(plan_.source, Verb::set_current, 0, out);
      return ask(plan_.source, Verb::set_voltage, 0, out);
    case Stage::arm_protection:
      if (can.over_voltage_protection) {
        ask(plan_.source, Verb::set_over_voltage, run_.over_voltage_protection.value(), out);
      }
      if (can.over_current_protection) {
        ask(plan_.source, Verb::set_over_current, run_.over_current_protection.value(), out);
      }
      if (waiting_.empty() && running()) next(now, out);
      return;
    case Stage::look:
      if (!plan_.contactor || plan_.voltmeter == plan_.source) next(now, out);
      return;
    case Stage::contactor:
      if (!plan_.contactor) return next(now, out);
      return ask(*plan_.contactor, Verb::close_switch, 0, out);
    case Stage::fresh:
    case Stage::idle:
    case Stage::done:
      return;
  }
}

void Permissives::next(Instant now, Outbox& out) {
  enter(static_cast<Stage>(static_cast<std::uint8_t>(stage_) + 1), now, out);
}

void Permissives::refuse(Refusal refusal, double measured, double limit) {
  refusal_ = refusal;
  measured_ = measured;
  limit_ = limit;
  stage_ = Stage::idle;
}

Refusal Permissives::refusal_of_stage() const {
  switch (stage_) {
    case Stage::identify:
      return Refusal::identity_mismatch;
    case Stage::drain_errors:
      return Refusal::instrument_errors;
    case Stage::output_off:
    case Stage::fresh:  // asks whether it still is
      return Refusal::output_not_off;
    case Stage::protection:
    case Stage::still_clear:
      return Refusal::protection_was_tripped;
    case Stage::setpoints:
      return Refusal::setpoint_not_proved;
    case Stage::arm_protection:
      return Refusal::protection_not_armed;
    case Stage::contactor_opens:
    case Stage::contactor:
    case Stage::look:  // these ask nothing
    case Stage::idle:
    case Stage::done:
      break;
  }
  return Refusal::contactor_not_proved;
}

void Permissives::see(const Outcome& outcome, Instant now, Outbox& out) {
  if (!running()) return;
  const auto mine = std::find(waiting_.begin(), waiting_.end(), outcome.order.ticket);
  if (mine == waiting_.end()) return;
  waiting_.erase(mine);
  if (outcome.ending != Ending::done) {
    instrument_ = outcome.order.instrument;
    const bool silent = outcome.ending == Ending::timed_out || outcome.ending == Ending::link_down;
    return refuse(silent ? Refusal::instrument_unreachable : refusal_of_stage(), outcome.value,
                  outcome.order.value);
  }
  switch (outcome.order.verb) {
    case Verb::identify:
      if (outcome.value != 1) {
        instrument_ = outcome.order.instrument;
        return refuse(Refusal::identity_mismatch);
      }
      break;
    case Verb::drain_errors:
      return see_drained(outcome, now, out);
    case Verb::read_protection:
      if (outcome.value != 0) return refuse(Refusal::protection_was_tripped, outcome.value);
      break;
    case Verb::read_output:
      if (outcome.value != 0) return refuse(Refusal::output_not_off, outcome.value);
      break;
    default:
      break;  // proved by its own readback
  }
  if (waiting_.empty()) next(now, out);
}

void Permissives::see_drained(const Outcome& outcome, Instant now, Outbox& out) {
  if (outcome.value == 0) return next(now, out);
  if (++drains_ >= drains_most_) {
    instrument_ = outcome.order.instrument;
    return refuse(Refusal::instrument_errors, outcome.value);
  }
  ask(plan_.source, Verb::drain_errors, 0, out);
}

void Permissives::turn(const Interlock& interlock, Instant now, Outbox& out) {
  if (!running()) return;
  if (stage_ == Stage::look) look(interlock, now, out);
  if (stage_ == Stage::fresh) check_fresh(interlock, now, out);
  if (!running()) return;
  if ((stage_ == Stage::look || stage_ == Stage::fresh) &&
      now >= sensors_within(plan_, stage_began_)) {
    refuse(Refusal::reading_not_fresh);
  } else if (now >= deadline_) {
    refuse(Refusal::took_too_long);
  }
}

Instant Permissives::wake() const {
  if (!running()) return drivers::never;
  if (stage_ != Stage::look && stage_ != Stage::fresh) return deadline_;
  return std::min(deadline_, sensors_within(plan_, stage_began_));
}

bool Permissives::read_anew(const Sensed& sensed) const {
  return sensed.usable() && sensed.good.asked >= stage_began_;
}

bool Permissives::cell_plausible(const Sensed& voltage) {
  const double v = voltage.value();
  const double lowest = run_.open_circuit_min.value();
  const double highest = run_.open_circuit_max.value();
  if (v < std::min(reversed_below, lowest)) {
    refuse(Refusal::polarity_reversed, v, lowest);
    return false;
  }
  if (!(v >= lowest)) {
    refuse(Refusal::open_circuit_implausible, v, lowest);
    return false;
  }
  if (!(v <= highest)) {
    refuse(Refusal::open_circuit_implausible, v, highest);
    return false;
  }
  return true;
}

void Permissives::look(const Interlock& interlock, Instant now, Outbox& out) {
  const Sensed& voltage = interlock.facts().cell_voltage;
  if (read_anew(voltage) && cell_plausible(voltage)) next(now, out);
}

void Permissives::check_fresh(const Interlock& interlock, Instant now, Outbox& out) {
  const Facts& f = interlock.facts();
  if (!read_anew(f.cell_voltage) || !read_anew(f.cell_current)) return;
  if (f.separate_voltmeter && !read_anew(f.source_voltage)) return;
  if (f.separate_ammeter && !read_anew(f.source_current)) return;
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    if (!read_anew(f.temperatures[k])) return;
  }
  if (!cell_plausible(f.cell_voltage)) return;
  const double off = plan_.off_current.value();
  if (!(std::abs(f.cell_current.value()) <= off)) {
    return refuse(Refusal::output_not_off, f.cell_current.value(), off);
  }
  if (f.separate_ammeter && !(std::abs(f.source_current.value()) <= off)) {
    return refuse(Refusal::output_not_off, f.source_current.value(), off);
  }
  // The last question of all: a slow sensor is time for a hand to switch on what was proved off.
  if (!plan_.abilities.reads_output) return next(now, out);
  if (waiting_.empty()) ask(plan_.source, Verb::read_output, 0, out);
}

}  // namespace chargewright::safety

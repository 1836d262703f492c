#include "safety/channel_guard.h"

#include <algorithm>

namespace chargewright::safety {
namespace {

using drivers::Ending;
using drivers::Instant;
using drivers::Outcome;
using drivers::Verb;

constexpr int stages_to_off = 3;

// While no run is enforced these alarm (S8); anything else that is judged then means: cut.
constexpr bool only_alarms(Cause cause) {
  return cause == Cause::temperature_high || cause == Cause::temperature_rising ||
         cause == Cause::reading_unusable || cause == Cause::reading_stale ||
         cause == Cause::conversation_failing;
}

}  // namespace

ChannelGuard::ChannelGuard(const ChannelPlan& plan, std::uint8_t channel)
    : plan_(plan),
      channel_(channel),
      interlock_(plan, channel),
      chain_(plan, channel),
      permissives_(plan, channel),
      schedule_(plan, channel) {}

void ChannelGuard::restore_trip(const Fault& fault) { trip_ = fault; }

void ChannelGuard::start(Instant now, Outbox& out) {
  started_ = true;
  interlock_.watch_from(drivers::later(now, plan_.start_within));
  started_at_ = now;
  schedule_.begin_now(now);
  // A trip that was latched before is not forgotten while the output is proved off anew (S5).
  if (trip_.cause != Cause::none) return transit(Transition::fault, now, out);
  // The links have yet to open, each with its own connect time and back-off.
  begin_off(plan_.start_within, now, out);
}

bool ChannelGuard::uses(drivers::InstrumentId instrument) const {
  const auto& talks = interlock_.facts().talks;
  return std::any_of(talks.begin(), talks.end(),
                     [&](const Talk& talk) { return talk.instrument == instrument; });
}

Event ChannelGuard::event(Event::Kind kind, Instant now) const {
  Event event;
  event.kind = kind;
  event.channel = channel_;
  event.at = now;
  event.step = step_;
  return event;
}

// ---- states: by the table, and by nothing else --------------------------------------------------

bool ChannelGuard::may(Transition on, Instant now) const {
  switch (row_of(state_, on).needs) {
    case Needs::nothing:
      return true;
    case Needs::off_proved:
      return chain_.verified() && !chain_.running();
    case Needs::permissives:
      return permissives_.met();
    case Needs::condition_gone:
      break;
  }
  return interlock_.condition_gone(trip_, now);
}

void ChannelGuard::transit(Transition on, Instant now, Outbox& out) {
  enter(row_of(state_, on), now, out);
}

void ChannelGuard::enter(const Row& row, Instant now, Outbox& out) {
  const State from = state_;
  state_ = row.to;
  if (from != state_) {
    Event changed = event(Event::Kind::state_changed, now);
    changed.from = from;
    changed.to = state_;
    changed.number = arm_number_;
    out.event(changed);
  }
  if (row.to == State::cutting && row.on != Transition::fault) {
    interlock_.internal_fault(now);  // a pair that the table does not list: our own bug
    if (trip_.cause == Cause::none) trip_ = interlock_.found(Cause::guard_internal);
  }
  schedule_.slow(state_ == State::off || state_ == State::tripped, now);
  switch (row.action) {
    case Action::none:
      break;
    case Action::start_checks:
      permissives_.begin(run_, now, out);
      break;
    case Action::open_gate:
      break;
    case Action::close_gate:
    case Action::clear:
      permissives_.stop();
      forget_steering();
      if (from != State::arming) interlock_.watch_only(now);
      begin_off(stages_to_off * plan_.cut_stage, now, out);
      break;
    case Action::cut:
      begin_cut(row.from, now, out);
      break;
    case Action::latch:
      latch(now, out);
      break;
  }
}

void ChannelGuard::begin_off(drivers::Duration patience, Instant now, Outbox& out) {
  expect_output(false, drivers::never);
  chain_.announce(false);
  chain_.begin(now, patience, out);
}

void ChannelGuard::begin_cut(State from, Instant now, Outbox& out) {
  permissives_.stop();
  forget_steering();
  expect_output(false, drivers::never);
  chain_.announce(true);
  chain_.forget_verified();
  const drivers::Duration stages = stages_to_off * plan_.cut_stage;
  const Instant links_open = drivers::later(started_at_, plan_.start_within);
  chain_.begin(now, from == State::unknown ? std::max(stages, links_open - now) : stages, out);
  schedule_.begin_now(now);
}

void ChannelGuard::latch(Instant now, Outbox& out) {
  interlock_.watch_only(now);
  interlock_.forget_reports();
  told_.reset();
  Event tripped = event(Event::Kind::tripped, now);
  tripped.fault = trip_;
  out.event(tripped);
}

// ---- judging ------------------------------------------------------------------------------------

void ChannelGuard::judge(Instant now, Outbox& out) {
  if (!dirty_ && now < interlock_.wake()) return;
  dirty_ = false;
  const Verdict verdict = interlock_.judge(now);
  if (verdict.within()) {
    watch_alarm_ = Cause::none;
    return;
  }
  // Once the limits of a run are enforced, in arming too, nothing is only an alarm.
  const bool watching = interlock_.facts().mode == Mode::watching;
  Cause worst_alarm = Cause::none;
  Cause worst_cut = Cause::none;
  for (std::size_t k = 0; k < cause_count; ++k) {
    if (!verdict.present.test(k)) continue;
    const auto cause = static_cast<Cause>(k);
    Cause& worst = watching && only_alarms(cause) ? worst_alarm : worst_cut;
    if (worst == Cause::none) worst = cause;
  }
  if (worst_alarm == Cause::none) {
    watch_alarm_ = Cause::none;
  } else if (watch_alarm_ == Cause::none || (is_limit(worst_alarm) && worst_alarm < watch_alarm_)) {
    // Told anew where a cell runs away and a thermometer of it was told to be lost before.
    watch_alarm_ = worst_alarm;
    alarm(interlock_.found(worst_alarm), now, out);
  }
  if (worst_cut == Cause::none) return;
  // All of them are told, the worst first; the first that cut is the one that latches.
  for (std::size_t k = 0; k < cause_count; ++k) {
    const auto cause = static_cast<Cause>(k);
    if (!verdict.present.test(k) || told_.test(k) || (watching && only_alarms(cause))) continue;
    // A sequencer that stops because of the cut did not cause it.
    if (state_ == State::cutting && cause == Cause::sequencer_late) continue;
    told_.set(k);
    Event present = event(Event::Kind::cause_present, now);
    present.fault = interlock_.found(cause);
    out.event(present);
  }
  if (state_ == State::cutting) return;
  if (trip_.cause == Cause::none) trip_ = interlock_.found(worst_cut);
  transit(Transition::fault, now, out);
}

void ChannelGuard::alarm(const Fault& fault, Instant now, Outbox& out) {
  Event alarm = event(Event::Kind::alarm, now);
  alarm.fault = fault;
  out.event(alarm);
}

// ---- what comes in ------------------------------------------------------------------------------

void ChannelGuard::tell_reading(const Outcome& outcome, Instant now, Outbox& out) {
  const auto tell = [&](bool at_source) {
    if (!out.listening()) return;
    Event& told = out.next_event();
    told.kind = Event::Kind::reading;
    told.channel = channel_;
    told.at = now;
    told.step = step_;
    told.reading = reading_of(outcome);
    told.at_source = at_source;
  };
  const Terminal at{outcome.order.instrument, outcome.order.channel};
  switch (outcome.order.verb) {
    case Verb::measure_voltage:
      return tell(at == plan_.source && !(plan_.voltmeter == plan_.source));
    case Verb::measure_current:
      return tell(at == plan_.source && !(plan_.ammeter == plan_.source));
    case Verb::measure_temperature:
      return tell(false);
    case Verb::read_regulation:
      if (outcome.ending == Ending::done) {
        regulation_ = static_cast<std::uint8_t>(std::clamp(outcome.value, 0.0, 255.0));
      }
      return;
    default:
      return;
  }
}

void ChannelGuard::see(const Outcome& outcome, Instant now, Outbox& out) {
  if (outcome.device_error != 0) {
    Event error = event(Event::Kind::instrument_error, now);
    error.instrument = outcome.order.instrument;
    error.device_error = outcome.device_error;
    out.event(error);
  }
  interlock_.see(outcome);
  dirty_ = true;
  tell_reading(outcome, now, out);
  schedule_.see(outcome);
  chain_.see(outcome, now, out);
  switch (purpose_of(outcome.order.ticket)) {
    case Purpose::permissive:
      permissives_.see(outcome, now, out);
      break;
    case Purpose::steering:
      see_steering(outcome, now, out);
      break;
    case Purpose::reading:
    case Purpose::readback:
    case Purpose::cut:
    case Purpose::clearing:
      break;
  }
}

void ChannelGuard::link_changed(drivers::InstrumentId instrument, bool up, Instant now,
                                Outbox& out) {
  interlock_.link(instrument, up);
  dirty_ = true;
  chain_.link(instrument, up, now, out);
}

void ChannelGuard::internal_fault(Instant now, Outbox& out) {
  interlock_.internal_fault(now);
  dirty_ = true;
  judge(now, out);
}

void ChannelGuard::dead_man_lost(Instant now, Outbox& out) {
  interlock_.report({.cause = Cause::dead_man_lost, .channel = channel_, .at = now});
  dirty_ = true;
  judge(now, out);
}

void ChannelGuard::turn(Instant now, Outbox& out) {
  if (!started_) return;
  judge(now, out);
  chain_.turn(now, out);
  follow_chain(now, out);
  permissives_.turn(interlock_, now, out);
  follow_permissives(now, out);
  schedule_.turn(now, out);
}

void ChannelGuard::follow_chain(Instant now, Outbox& out) {
  if (chain_.alarmed() && chain_alarm_.cause == Cause::none && !chain_.verified()) {
    Fault fault = trip_;
    if (fault.cause == Cause::none) {
      fault = {.cause = chain_.output_still_on() ? Cause::output_on_unbidden
                                                 : Cause::conversation_failing,
               .channel = channel_,
               .sensor = static_cast<std::uint8_t>(Subject::output),
               .measured = static_cast<double>(plan_.source.instrument),
               .at = now};
    }
    chain_alarm_ = fault;
    alarm(fault, now, out);
    if (state_ == State::unknown) {
      trip_ = fault;
      Event present = event(Event::Kind::cause_present, now);
      present.fault = fault;
      out.event(present);
      transit(Transition::fault, now, out);
    }
  }
  if (state_ != State::unknown && state_ != State::cutting) return;
  if (!may(Transition::off_verified, now)) return;
  // Current has stopped, and the contactor was given up: told whatever was alarmed of before.
  if (plan_.contactor && chain_.record().contactor_open == drivers::never) {
    alarm({.cause = Cause::conversation_failing,
           .channel = channel_,
           .sensor = static_cast<std::uint8_t>(Subject::contactor),
           .at = now},
          now, out);
  }
  chain_alarm_ = {};
  if (told_on_) tell_output(false, now, arm_number_, out);
  expect_output(false, chain_.record().current_stopped);
  expected_.current_stopped = true;
  interlock_.expect(expected_);
  transit(Transition::off_verified, now, out);
}

void ChannelGuard::follow_permissives(Instant now, Outbox& out) {
  if (state_ != State::arming || permissives_.running()) return;
  if (!may(Transition::permissives_met, now)) {
    refusal_ = permissives_.refusal();
    Event refused = event(Event::Kind::refused, now);
    refused.refusal = refusal_;
    refused.fault.measured = permissives_.measured();
    refused.fault.limit = permissives_.limit();
    refused.instrument = permissives_.instrument();
    refused.number = arm_number_;
    out.event(refused);
    return transit(Transition::permissive_lost, now, out);
  }
  // From here on the limits of the run are live; what is beyond one already trips by its name.
  expected_.voltage_setpoint = drivers::volts(0);
  expected_.current_setpoint = drivers::amperes(0);
  expected_.setpoints_since = now;
  expected_.output_on = false;
  expected_.since = now;
  expected_.current_stopped = true;  // a permissive
  interlock_.enforce(run_.limits, run_.body, now, run_.carried);
  interlock_.expect(expected_);
  dirty_ = true;
  judge(now, out);
  if (state_ == State::arming) {
    permissives_.stop();
    protections_proved_ = true;
    transit(Transition::permissives_met, now, out);
  }
}

// ---- what goes out ------------------------------------------------------------------------------

Instant ChannelGuard::wake() const {
  if (!started_) return drivers::never;
  if (dirty_) return Instant{};
  return std::min({interlock_.wake(), chain_.wake(), permissives_.wake(), schedule_.wake()});
}

void ChannelGuard::snapshot(ChannelSnapshot& into, Instant now) const {
  const Facts& f = interlock_.facts();
  into.state = state_;
  into.refusal = refusal_;
  into.trip = trip_;
  // An output that may be on before a cell that is warm.
  into.alarm = chain_alarm_;
  if (into.alarm.cause == Cause::none && watch_alarm_ != Cause::none) {
    into.alarm = interlock_.found(watch_alarm_);
  }
  into.in_doubt = interlock_.in_doubt();
  into.voltage = interlock_.voltage();
  into.current = interlock_.current();
  into.source_voltage = interlock_.source_voltage();
  into.thermometers = static_cast<std::uint8_t>(f.thermometers());
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    into.temperatures[k] = interlock_.temperature(k);
  }
  into.output_on = f.output.ever && f.output.value != 0;
  into.regulation = regulation_;
  into.voltage_setpoint = expected_.voltage_setpoint.value();
  into.current_setpoint = expected_.current_setpoint.value();
  into.charge_in = f.tally.charge_in().value();
  into.charge_out = f.tally.charge_out().value();
  into.charge_uncertain = f.tally.uncertain().value();
  into.energy_in = f.tally.energy_in().value();
  into.energy_out = f.tally.energy_out().value();
  into.on_time = f.tally.on_time(now);
  into.step = step_;
  if (into.arms != arms_) {
    into.arms = arms_;
    into.limits = run_.limits;
  }
}

}  // namespace chargewright::safety

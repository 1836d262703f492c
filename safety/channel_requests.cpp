// ChannelGuard: what a run, an operator or the daemon's end asks of a channel.
#include <cmath>

#include "safety/channel_guard.h"
#include "safety/gate.h"

namespace chargewright::safety {
namespace {

using drivers::Instant;
using drivers::Verb;

bool finite(double a, double b, double c) {
  return std::isfinite(a) && std::isfinite(b) && std::isfinite(c);
}

// Beyond what defect() says of the limits: the numbers a run plan adds to them.
bool plan_defective(const RunPlan& run, const ChannelPlan& channel) {
  const double full = run.full.value();
  const double compensation = run.lead_compensation_max.value();
  const double lowest = run.open_circuit_min.value();
  const double highest = run.open_circuit_max.value();
  const double ovp = run.over_voltage_protection.value();
  const double ocp = run.over_current_protection.value();
  if (!defect(run.limits).empty() || !defect(run.carried).empty()) return true;
  if (!finite(full, compensation, lowest) || !finite(highest, ovp, ocp)) return true;
  if (full <= 0 || compensation < 0 || lowest >= highest) return true;
  // A cell's full voltage beyond what must never happen: one of the two is a mistake.
  if (run.full > run.limits.voltage_above->value) return true;
  if (channel.abilities.over_voltage_protection && ovp < full) return true;
  return channel.abilities.over_current_protection && ocp <= 0;
}

}  // namespace

void ChannelGuard::request(const Request& request, Instant now, Outbox& out) {
  switch (request.kind) {
    case Request::Kind::arm:
      return arm(request, now, out);
    case Request::Kind::charge:
      return charge(request, now, out);
    case Request::Kind::rest:
      return rest(request, now, out);
    case Request::Kind::heartbeat:
      return interlock_.sequencer_alive(now);
    case Request::Kind::finish:
      return finish(request, now, out);
    case Request::Kind::cut:
      interlock_.operator_wants_cut(now);
      dirty_ = true;
      if (state_ == State::cutting) chain_.begin(now, out);
      return judge(now, out);
    case Request::Kind::acknowledge:
      return acknowledge(request, now, out);
    case Request::Kind::hold:
      // Of the cause by which a trip of a former life is restored. Tripped already: that one rules.
      if (trip_.cause != Cause::none) return;
      return internal_fault(now, out);
  }
  // A kind that does not exist came out of our own memory: our own bug.
  internal_fault(now, out);
}

void ChannelGuard::refuse(Refusal refusal, double measured, double limit, std::uint32_t number,
                          Instant now, Outbox& out) {
  Event refused = event(Event::Kind::refused, now);
  refused.refusal = refusal;
  refused.fault.measured = measured;
  refused.fault.limit = limit;
  refused.number = number;
  out.event(refused);
}

void ChannelGuard::arm(const Request& request, Instant now, Outbox& out) {
  // An arm without a plan has no limits, and is refused for that.
  const RunPlan run = request.plan.value_or(RunPlan{});
  const auto no = [&](Refusal refusal, double measured = 0, double limit = 0) {
    refusal_ = refusal;
    refuse(refusal, measured, limit, request.number, now, out);
  };
  if (trip_.cause != Cause::none) return no(Refusal::latched_trip);
  if (state_ != State::off || shutting_down_) return no(Refusal::wrong_state);
  if (plan_defective(run, plan_)) return no(Refusal::limits_defective);
  if (!run.approved) return no(Refusal::limits_not_approved);
  if (plan_.thermometers.size() < run.thermometers_needed) {
    return no(Refusal::too_few_thermometers, static_cast<double>(plan_.thermometers.size()),
              run.thermometers_needed);
  }
  run_ = run;
  ++arms_;
  arm_number_ = request.number;
  step_ = 0;
  refusal_ = Refusal::none;
  transit(Transition::arm, now, out);
}

void ChannelGuard::charge(const Request& request, Instant now, Outbox& out) {
  interlock_.sequencer_alive(now);
  // The gate's bounds are the interlock's limits, or no setpoint passes (S2).
  const Facts& facts = interlock_.facts();
  if (facts.mode == Mode::enforcing && !facts.limits_copy.agrees(run_.limits, true)) {
    return internal_fault(now, out);
  }
  const State state = shutting_down_ ? State::off : state_;
  const GateVerdict verdict = pass_gate(state, run_, plan_, request.voltage, request.current);
  if (verdict.refusal != Refusal::none) {
    return refuse(verdict.refusal, verdict.asked, verdict.bound, request.number, now, out);
  }
  step_ = request.step;
  interlock_.step_began(step_, now);
  // One aim waits at most, the newest: its number answers for those that it overtook.
  next_aim_ = Aim{request.voltage, request.current, request.number};
  steer(now, out);
}

void ChannelGuard::rest(const Request& request, Instant now, Outbox& out) {
  interlock_.sequencer_alive(now);
  if (state_ != State::ready && state_ != State::energised) {
    return refuse(Refusal::wrong_state, 0, 0, request.number, now, out);
  }
  step_ = request.step;
  interlock_.step_began(step_, now);
  next_aim_.reset();
  // What a hand at the panel turns meanwhile may not be seen before the next charge, which proves
  // all of it anew (S1).
  setpoints_known_ = false;
  protections_proved_ = false;
  if (state_ == State::energised) {
    if (steering_ != Steering::switching_off) switch_off(request.number, now, out);
    return;
  }
  if (steering_ == Steering::setting) forget_steering();
  tell_output(false, now, request.number, out);
}

void ChannelGuard::finish(const Request& request, Instant now, Outbox& out) {
  switch (state_) {
    case State::ready:
    case State::energised:
      return transit(Transition::finish, now, out);
    case State::arming:
      return transit(Transition::permissive_lost, now, out);
    case State::unknown:
    case State::off:
    case State::cutting:
    case State::tripped:
      return refuse(Refusal::wrong_state, 0, 0, request.number, now, out);
  }
}

void ChannelGuard::acknowledge(const Request& request, Instant now, Outbox& out) {
  const auto clear_protection = [&] {
    if (!plan_.abilities.clears_protection) return;
    out.order(channel_, Purpose::clearing, plan_.source, Verb::clear_protection);
  };
  Event acknowledged = event(Event::Kind::acknowledged, now);
  acknowledged.number = request.number;
  acknowledged.fault = trip_;
  if (state_ == State::off && refusal_ == Refusal::protection_was_tripped) {
    // Nothing is latched here, but in the instrument: arming reads it again.
    refusal_ = Refusal::none;
    clear_protection();
    out.event(acknowledged);
    return;
  }
  if (state_ != State::tripped) {
    return refuse(Refusal::wrong_state, 0, 0, request.number, now, out);
  }
  if (!may(Transition::acknowledge, now)) {
    return refuse(Refusal::latched_trip, trip_.measured, trip_.limit, request.number, now, out);
  }
  const ReadBack& protection = interlock_.facts().protection;
  if (trip_.cause == Cause::protection_tripped || (protection.ever && protection.value != 0)) {
    clear_protection();
  }
  trip_ = Fault{};
  refusal_ = Refusal::none;
  out.event(acknowledged);
  transit(Transition::acknowledge, now, out);
}

void ChannelGuard::shut_down(Instant now, Outbox& out) {
  shutting_down_ = true;
  switch (state_) {
    case State::arming:
      return transit(Transition::permissive_lost, now, out);
    case State::ready:
    case State::energised:
      return transit(Transition::finish, now, out);
    case State::unknown:
    case State::off:
    case State::cutting:
    case State::tripped:
      return;  // off already, or on the way and followed until verified
  }
}

}  // namespace chargewright::safety

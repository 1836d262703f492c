// ChannelGuard: setpoints and output on their way to the source, each proved before the next.
// Output on only from ready; what cannot be proved is a fault and cuts.
#include "safety/channel_guard.h"

#include <algorithm>

namespace chargewright::safety {

using drivers::Ending;
using drivers::Instant;
using drivers::never;
using drivers::Outcome;
using drivers::Verb;

// Begins with the newest aim when nothing is under way. An aim waits only while the gate is open:
// whatever closes it forgets the aim.
void ChannelGuard::steer(Instant now, Outbox& out) {
  if (steering_ != Steering::idle || !next_aim_) return;
  const Aim aim = *next_aim_;
  next_aim_.reset();
  set(aim, now, out);
}

void ChannelGuard::set(const Aim& aim, Instant now, Outbox& out) {
  aim_ = aim;
  steering_ = Steering::setting;
  setting_.fill(0);
  const bool new_voltage = !setpoints_known_ || aim.voltage != expected_.voltage_setpoint;
  const bool new_current = !setpoints_known_ || aim.current != expected_.current_setpoint;
  const bool lowers_current = aim.current < expected_.current_setpoint;
  bool queued = true;
  const auto write = [&](std::size_t k, Verb verb, double value) {
    setting_[k] = out.order(channel_, Purpose::steering, plan_.source, verb, value);
    queued &= setting_[k] != 0;
  };
  // A hand at the panel, or a source that began anew, may have changed them during a rest (S1).
  if (!protections_proved_ && plan_.abilities.over_voltage_protection) {
    write(2, Verb::set_over_voltage, run_.over_voltage_protection.value());
  }
  if (!protections_proved_ && plan_.abilities.over_current_protection) {
    write(3, Verb::set_over_current, run_.over_current_protection.value());
  }
  // What is lowered goes first, so that no moment has more than either of the two pairs allows.
  if (new_current && lowers_current) write(1, Verb::set_current, aim.current.value());
  if (new_voltage) write(0, Verb::set_voltage, aim.voltage.value());
  if (new_current && !lowers_current) write(1, Verb::set_current, aim.current.value());
  if (!queued) {
    interlock_.internal_fault(now);
    dirty_ = true;
    return;
  }
  if (is_setting()) {
    setpoints_known_ = false;
    expected_.setpoints_since = never;
    interlock_.expect(expected_);
  } else {
    Outcome nothing_to_write;
    nothing_to_write.ending = Ending::done;
    nothing_to_write.answered = expected_.setpoints_since;
    see_steering(nothing_to_write, now, out);
  }
}

bool ChannelGuard::is_setting() const {
  return std::any_of(setting_.begin(), setting_.end(), [](std::uint32_t t) { return t != 0; });
}

void ChannelGuard::see_steering(const Outcome& outcome, Instant now, Outbox& out) {
  const std::uint32_t ticket = outcome.order.ticket;
  if (steering_ == Steering::setting) {
    bool mine = ticket == 0;
    for (std::uint32_t& waiting : setting_) {
      if (waiting != ticket) continue;
      waiting = 0;
      mine = true;
    }
    if (!mine) return;
    if (outcome.ending != Ending::done) return steering_failed(outcome, now);
    if (is_setting()) return;
    protections_proved_ = true;
    expected_.voltage_setpoint = aim_.voltage;
    expected_.current_setpoint = aim_.current;
    expected_.setpoints_since = outcome.answered;
    setpoints_known_ = true;
    steering_ = Steering::idle;
    interlock_.expect(expected_);
    Event set = event(Event::Kind::setpoints_set, now);
    set.on = true;  // proved
    set.number = aim_.number;
    set.volts = aim_.voltage.value();
    set.amperes = aim_.current.value();
    out.event(set);
    if (state_ == State::ready) return switch_on(now, out);
    return steer(now, out);
  }
  if (switching_ == 0 || ticket != switching_) return;
  switching_ = 0;
  if (outcome.ending != Ending::done) return steering_failed(outcome, now);
  const bool on = steering_ == Steering::switching_on;
  steering_ = Steering::idle;
  expect_output(on, outcome.answered);
  tell_output(on, now, aim_.number, out);
  if (!on) transit(Transition::de_energise, now, out);
  steer(now, out);
}

void ChannelGuard::switch_on(Instant now, Outbox& out) {
  // Energised from the moment of the order: whatever comes of it, the output may be on.
  static_assert(row_of(State::ready, Transition::energise).to == State::energised);
  transit(Transition::energise, now, out);
  // Asked for from ready alone; a second look stands before every output-on all the same.
  if (state_ != State::energised) return;
  steering_ = Steering::switching_on;
  expect_output(true, never);
  switching_ = out.order(channel_, Purpose::steering, plan_.source, Verb::output_on);
  if (switching_ == 0) {
    interlock_.internal_fault(now);
    dirty_ = true;
  }
}

void ChannelGuard::switch_off(std::uint32_t number, Instant now, Outbox& out) {
  // Setpoints that were under way may or may not have arrived: the next charge writes both anew.
  aim_.number = number;
  steering_ = Steering::switching_off;
  expect_output(false, never);
  switching_ = out.order(channel_, Purpose::steering, plan_.source, Verb::output_off, 0, true);
  if (switching_ == 0) {
    interlock_.internal_fault(now);
    dirty_ = true;
  }
}

void ChannelGuard::steering_failed(const Outcome& outcome, Instant now) {
  Fault fault{.cause = Cause::conversation_failing,
              .channel = channel_,
              .sensor = static_cast<std::uint8_t>(Subject::output),
              .at = now};
  const bool silent = outcome.ending == Ending::timed_out || outcome.ending == Ending::link_down;
  switch (outcome.order.verb) {
    case Verb::set_voltage:
      fault.sensor = static_cast<std::uint8_t>(Subject::voltage_setpoint);
      break;
    case Verb::set_current:
      fault.sensor = static_cast<std::uint8_t>(Subject::current_setpoint);
      break;
    case Verb::set_over_voltage:
    case Verb::set_over_current:
      fault.sensor = static_cast<std::uint8_t>(Subject::protection);
      break;
    default:
      break;
  }
  if (silent) {
    fault.measured = static_cast<double>(outcome.order.instrument);
  } else {
    fault.measured = outcome.value;
    fault.limit = outcome.order.value;
    fault.cause = outcome.order.verb == Verb::output_on    ? Cause::output_off_unbidden
                  : outcome.order.verb == Verb::output_off ? Cause::output_on_unbidden
                                                           : Cause::setpoint_changed;
  }
  interlock_.report(fault);
  dirty_ = true;
}

void ChannelGuard::forget_steering() {
  steering_ = Steering::idle;
  next_aim_.reset();
  switching_ = 0;
  setpoints_known_ = false;
  expected_.setpoints_since = never;
}

void ChannelGuard::expect_output(bool on, Instant since) {
  expected_.output_on = on;
  expected_.since = since;
  expected_.current_stopped = false;
  interlock_.expect(expected_);
}

void ChannelGuard::tell_output(bool on, Instant at, std::uint32_t number, Outbox& out) {
  told_on_ = on;
  Event changed = event(Event::Kind::output_changed, at);
  changed.on = on;
  changed.number = number;
  changed.volts = expected_.voltage_setpoint.value();
  changed.amperes = expected_.current_setpoint.value();
  out.event(changed);
}

}  // namespace chargewright::safety

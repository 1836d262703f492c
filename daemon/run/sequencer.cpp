#include "daemon/run/sequencer.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "safety/gate.h"

namespace chargewright::daemon {

using drivers::Duration;
using drivers::Instant;
using profiles::StepVerb;
using safety::ChannelSnapshot;
using safety::Refusal;
using safety::RunEvent;
using safety::State;

namespace {

constexpr double unknown = std::numeric_limits<double>::quiet_NaN();
// Identify, drain, write and prove every setpoint and protection, at a slow instrument's pace.
constexpr int arming_patience = 4;  // times what the guard itself allows
// Setpoints and output written and proved.
constexpr int step_patience = 2;  // times arm_within
// An arm that the guard has not begun on by then, and whose refusal reads as the last one's did,
// was refused for the same reason again.
constexpr int refusals_in_arming = 5;  // that part of arm_within
// Beats in one heartbeat limit: some may be late.
constexpr int beats = 4;

}  // namespace

Sequencer::Sequencer(Setup setup, Instant now) : setup_(std::move(setup)) {
  progress_.channel = setup_.channel;
  progress_.steps = static_cast<std::uint16_t>(setup_.procedure.order.size());
  progress_.began = now;
  progress_.step_began = now;
  progress_.fraction = unknown;
  progress_.seconds_left = unknown;
  next_beat_ = now;
  if (setup_.expected.size() == setup_.procedure.order.size()) {
    expected_after_.resize(setup_.expected.size());
    double after = 0;
    for (std::size_t i = setup_.expected.size(); i-- > 0;) {
      expected_after_[i] = after;
      after += drivers::in_seconds(setup_.expected[i]);
    }
  }
}

bool Sequencer::take_request(safety::Request& request) { return requests_.pop(request); }

void Sequencer::ask(Kind kind, Instant now) {
  safety::Request request;
  request.kind = kind;
  request.channel = setup_.channel;
  request.step = progress_.step;
  request.number = ++number_;
  if (kind == Kind::arm) request.plan = setup_.run_plan;
  if (kind == Kind::charge && steering_) {
    request.voltage = asked_voltage_ = steering_->voltage();
    request.current = asked_current_ = steering_->current();
  }
  if (kind != Kind::heartbeat) asked_at_ = now;
  // Taken after every turn; a full ring means that nobody takes, and then the guard misses the
  // heartbeat and cuts (S6).
  (void)requests_.push(request);
}

void Sequencer::beat(Instant now) {
  if (now < next_beat_) return;
  next_beat_ = now + setup_.channel_plan.heartbeat / beats;
  ask(Kind::heartbeat, now);
}

void Sequencer::turn(const ChannelSnapshot& snapshot, Instant now) {
  if (is_over() || noticed_trip(snapshot, now)) return;
  switch (progress_.phase) {
    case Phase::arming:
      arm(snapshot, now);
      break;
    case Phase::running:
      run(snapshot, now);
      break;
    case Phase::stopping:
      wait_for_off(snapshot, now);
      break;
    case Phase::done:
    case Phase::stopped:
    case Phase::failed:
    case Phase::tripped:
    case Phase::refused:
    case Phase::interrupted:
      break;
  }
  if (!is_over()) beat(now);
}

bool Sequencer::noticed_trip(const ChannelSnapshot& snapshot, Instant now) {
  // Taken, whatever became of it since.
  if (asked_to_arm_ && snapshot.arms != arms_before_) seen_arming_ = true;
  // A trip latched before this run is the guard's to refuse, not this run's.
  const bool ours = seen_arming_ || progress_.phase != Phase::arming;
  if (!ours || (snapshot.state != State::cutting && snapshot.state != State::tripped)) return false;
  progress_.binding = Binding::none;
  progress_.trip = snapshot.trip;
  if (snapshot.trip.cause == safety::Cause::none && snapshot.state == State::cutting) {
    move(RunEvent::end);
    return true;
  }
  conclude(RunEvent::trip, now);
  return true;
}

void Sequencer::arm(const ChannelSnapshot& snapshot, Instant now) {
  if (!asked_to_arm_) {
    // At its start the guard brings outputs to off; an arm would be refused meanwhile.
    if (snapshot.state == State::unknown &&
        now - progress_.began < step_patience * setup_.channel_plan.arm_within)
      return;
    asked_to_arm_ = true;
    refusal_before_ = snapshot.refusal;
    arms_before_ = snapshot.arms;
    ask(Kind::arm, now);
    return;
  }
  if (snapshot.state == State::arming) {
    seen_arming_ = true;
    if (now - asked_at_ < arming_patience * setup_.channel_plan.arm_within) return;
  }
  if (snapshot.state == State::ready) {
    seen_arming_ = true;
    move(RunEvent::armed);
    const safety::Carried& carried = setup_.run_plan.carried;
    return begin_step(carried.step, snapshot, now, carried.step_time);
  }
  const bool is_news = seen_arming_ || snapshot.refusal != refusal_before_ ||
                       now - asked_at_ >= setup_.channel_plan.arm_within / refusals_in_arming;
  if (snapshot.state != State::arming && snapshot.refusal != Refusal::none && is_news) {
    progress_.refusal = snapshot.refusal;
    return conclude(RunEvent::refuse, now);
  }
  if (now - asked_at_ >= arming_patience * setup_.channel_plan.arm_within) {
    progress_.refusal = Refusal::took_too_long;
    finish(RunEvent::refuse, now);
  }
}

void Sequencer::begin_step(std::size_t executed, const ChannelSnapshot& snapshot, Instant now,
                           Duration gone) {
  const auto& order = setup_.procedure.order;
  if (executed >= order.size()) return finish(RunEvent::complete, now);
  progress_.step = static_cast<std::uint16_t>(executed);
  progress_.step_in_file = order[executed].step;
  progress_.cycle = order[executed].cycle;
  progress_.step_began = now - gone;
  progress_.binding = Binding::none;
  // Its time was over before it was resumed.
  if (step().within && gone >= *step().within) return finish(RunEvent::fail, now);
  established_at_.reset();
  stood_at_.reset();
  on_time_before_ = snapshot.on_time;
  condition_ = profiles::ConditionState(step().until);
  estimate_ = Estimate(step().until);
  steering_.reset();
  if (step().verb == StepVerb::charge) {
    steering_.emplace(setup_.channel_plan, setup_.run_plan, step().ceilings);
    steering_->see(snapshot);
    (void)steering_->take_moved();
    charge(now);
  } else {
    ask(Kind::rest, now);
  }
}

// The gate judges every request by itself; what it would refuse is known here, and not asked for.
bool Sequencer::charge(Instant now) {
  const safety::GateVerdict verdict =
      safety::pass_gate(State::ready, setup_.run_plan, setup_.channel_plan, steering_->voltage(),
                        steering_->current());
  if (verdict.refusal != Refusal::none) {
    progress_.refusal = verdict.refusal;
    finish(RunEvent::refuse, now);
    return false;
  }
  ask(Kind::charge, now);
  return true;
}

// The very numbers, however coarsely the source takes them: the guard shows what it asked for.
bool Sequencer::stand(const ChannelSnapshot& snapshot) const {
  return snapshot.voltage_setpoint == asked_voltage_.value() &&
         snapshot.current_setpoint == asked_current_.value();
}

bool Sequencer::is_established(const ChannelSnapshot& snapshot) const {
  if (snapshot.step != progress_.step) return false;
  if (!steering_) return snapshot.state == State::ready;
  // Energised is the guard's word from the moment of its order on; time counts from its proof on.
  return snapshot.state == State::energised && snapshot.on_time > on_time_before_ &&
         stand(snapshot);
}

// A current that was never read while it flowed is in no tally, and so in no limit on one (S2).
bool Sequencer::is_counted(const ChannelSnapshot& snapshot) const {
  return !steering_ || snapshot.current.asked > *established_at_;
}

void Sequencer::watch_folding(const ChannelSnapshot& snapshot, Instant now) {
  const bool stands = stand(snapshot);
  if (!stands) {
    stood_at_.reset();
  } else if (!stood_at_) {
    stood_at_ = now;
  }
  if (!steering_->is_folding()) {
    if (!unfolded_at_ && stands && asked_current_ == steering_->current()) unfolded_at_ = now;
    return;
  }
  // A warm cell that is nearly full takes less than the fold allows: then the fold holds nothing. A
  // setpoint on its way counts as well as the one that is proved.
  const auto in_force = std::min(asked_current_, drivers::amperes(snapshot.current_setpoint));
  if (snapshot.in_doubt || !steering_->is_tapering(snapshot, in_force)) {
    unfolded_at_.reset();
    return;
  }
  // Begins with readings under the setpoint that stands; goes on while no setpoint comes near.
  if (!unfolded_at_ && stood_at_ && snapshot.current.asked > *stood_at_ &&
      snapshot.voltage.asked > *stood_at_) {
    unfolded_at_ = *stood_at_;
  }
}

void Sequencer::run(const ChannelSnapshot& snapshot, Instant now) {
  if (snapshot.state != State::ready && snapshot.state != State::energised) {
    return finish(RunEvent::fail, now);
  }
  if (!established_at_) {
    if (!is_established(snapshot)) {
      if (now - asked_at_ < step_patience * setup_.channel_plan.arm_within) return;
      progress_.refusal = Refusal::took_too_long;
      return finish(RunEvent::fail, now);
    }
    established_at_ = unfolded_at_ = now;
  }
  if (steering_) {
    steering_->see(snapshot);
    watch_folding(snapshot, now);
    progress_.binding = steering_->binding(snapshot);
  }
  const profiles::Measured facts = measured(snapshot, now);
  const bool ends = reached_its_end(facts, now) && !snapshot.in_doubt && is_counted(snapshot);
  // One move at a time, the first of the next step too: when the guard has proved the last.
  const bool may_move = !steering_ || stand(snapshot);
  if (ends && may_move) return begin_step(progress_.step + 1U, snapshot, now);
  if (!ends && step().within && now - progress_.step_began >= *step().within) {
    return finish(RunEvent::fail, now);
  }
  if (steering_ && may_move && !requests_.full() && steering_->take_moved() && !charge(now)) return;
  estimate_.see(facts, progress_.binding == Binding::step_voltage, now);
  estimate(now);
}

profiles::Measured Sequencer::measured(const ChannelSnapshot& snapshot, Instant now) const {
  const auto judged = [&](const drivers::Reading& reading) {
    return reading.valid() && reading.asked > *established_at_ &&
           now - reading.asked <= setup_.channel_plan.allowed_age;
  };
  profiles::Measured facts;
  facts.charge = drivers::coulombs(snapshot.charge_in);
  facts.energy = drivers::joules(snapshot.energy_in);
  facts.run_time = snapshot.on_time;
  facts.step_time = now - progress_.step_began;
  if (snapshot.in_doubt) return facts;
  if (judged(snapshot.voltage)) facts.voltage = snapshot.voltage.voltage();
  facts.voltage_asked.emplace(snapshot.voltage.asked);
  facts.current_asked.emplace(snapshot.current.asked);
  if (unfolded_at_ && judged(snapshot.current) && snapshot.current.asked > *unfolded_at_) {
    facts.current = snapshot.current.current();
    if (judged(snapshot.voltage)) facts.power = snapshot.voltage.voltage() * *facts.current;
  }
  const auto* const first = snapshot.temperatures.begin();
  if (std::all_of(first, first + snapshot.thermometers, judged)) {
    if (const auto warmest = hottest(snapshot)) facts.temperature = warmest->temperature();
    for (const auto* sensor = first; sensor != first + snapshot.thermometers; ++sensor) {
      const profiles::Asked asked{sensor->asked};
      facts.temperature_asked = asked.with(facts.temperature_asked.value_or(asked));
    }
  }
  return facts;
}

bool Sequencer::reached_its_end(const profiles::Measured& facts, Instant now) {
  if (step().verb == StepVerb::rest && now - progress_.step_began >= step().rest) return true;
  return condition_.see(facts, now);
}

void Sequencer::estimate(Instant now) {
  const double elapsed = drivers::in_seconds(now - progress_.step_began);
  double left = estimate_.seconds_left();
  if (step().verb == StepVerb::rest) {
    left = std::fmin(left, std::max(0.0, drivers::in_seconds(step().rest) - elapsed));
  }
  const bool last = progress_.step + 1U >= setup_.procedure.order.size();
  double after = last ? 0 : unknown;
  if (!expected_after_.empty()) {
    after = expected_after_[progress_.step];
    // What the readings say rules over what was rehearsed; a step that is overdue is not known.
    const double rehearsed = drivers::in_seconds(setup_.expected[progress_.step]) - elapsed;
    if (std::isnan(left) && rehearsed > 0) left = rehearsed;
  }
  progress_.seconds_left = left + after;
  const double run = drivers::in_seconds(now - progress_.began);
  progress_.fraction =
      run + progress_.seconds_left > 0 ? run / (run + progress_.seconds_left) : unknown;
}

void Sequencer::finish(RunEvent ending, Instant now) {
  ending_ = ending;
  move(RunEvent::end);
  progress_.binding = Binding::none;
  progress_.seconds_left = 0;
  steering_.reset();
  ask(Kind::finish, now);
}

void Sequencer::wait_for_off(const ChannelSnapshot& snapshot, Instant now) {
  if (snapshot.state == State::off) conclude(ending_, now);
}

// By the table, and by nothing else.
void Sequencer::move(RunEvent on) { progress_.phase = safety::phase_after(progress_.phase, on); }

void Sequencer::conclude(RunEvent ending, Instant now) {
  move(ending);
  progress_.binding = Binding::none;
  progress_.ended = now;
  progress_.seconds_left = 0;
  if (progress_.phase == Phase::done) progress_.fraction = 1;
}

void Sequencer::stop(Instant now) { end_early(RunEvent::stop, now); }
void Sequencer::fail(Instant now) { end_early(RunEvent::fail, now); }

void Sequencer::end_early(RunEvent ending, Instant now) {
  if (is_over() || progress_.phase == Phase::stopping) return;
  if (!asked_to_arm_) return conclude(ending, now);
  finish(ending, now);
}

}  // namespace chargewright::daemon

#include "safety/schedule.h"

#include <algorithm>

#include "safety/facts.h"

namespace chargewright::safety {
namespace {

using drivers::Instant;
using drivers::Verb;

}  // namespace

Schedule::Schedule(const ChannelPlan& plan, std::uint8_t channel) : plan_(plan), channel_(channel) {
  const auto read = [&](const Terminal& at, Verb verb) { readings_.push_back({at, verb}); };
  read(plan.source, Verb::measure_voltage);
  if (!(plan.voltmeter == plan.source)) read(plan.voltmeter, Verb::measure_voltage);
  read(plan.source, Verb::measure_current);
  if (!(plan.ammeter == plan.source)) read(plan.ammeter, Verb::measure_current);
  for (const Terminal& thermometer : plan.thermometers) {
    read(thermometer, Verb::measure_temperature);
  }
  const auto read_back = [&](bool has, const Terminal& at, Verb verb) {
    if (has) readbacks_.push_back({at, verb});
  };
  const SourceAbilities& can = plan.abilities;
  read_back(can.reads_protection, plan.source, Verb::read_protection);
  read_back(can.reads_output, plan.source, Verb::read_output);
  read_back(can.reads_setpoints, plan.source, Verb::read_voltage_setpoint);
  read_back(can.reads_setpoints, plan.source, Verb::read_current_setpoint);
  read_back(can.reads_regulation, plan.source, Verb::read_regulation);
  if (plan.contactor) read_back(true, *plan.contactor, Verb::read_switch);
  static_assert(Ages::readback_round >= 7, "a round of readbacks is longer than its age allows");
  drain_ = {plan.source, Verb::drain_errors};
  drains_ = can.drains_errors;
}

void Schedule::slow(bool wanted, Instant now) {
  if (slow_ == wanted) return;
  slow_ = wanted;
  if (!slow_) next_cycle_ = std::min(next_cycle_, now);
}

void Schedule::ask(Question& question, Purpose purpose, Instant now, Outbox& out) {
  if (question.ticket != 0 && now < drivers::later(question.asked, plan_.lost_after)) return;
  question.ticket = out.order(channel_, purpose, question.at, question.verb);
  question.asked = now;
}

void Schedule::turn(Instant now, Outbox& out) {
  if (now < next_cycle_) return;
  const drivers::Duration period = slow_ ? Ages::watch_slowdown * plan_.every : plan_.every;
  // Keeps the beat; a beat that was missed is not made up for.
  next_cycle_ = drivers::later(next_cycle_, period);
  if (next_cycle_ <= now) next_cycle_ = drivers::later(now, period);
  for (Question& question : readings_) ask(question, Purpose::reading, now, out);
  if (!readbacks_.empty()) {
    ask(readbacks_[turn_of_], Purpose::readback, now, out);
    turn_of_ = (turn_of_ + 1) % readbacks_.size();
  }
  if (drains_ && ++cycle_ % cycles_per_drain_ == 0) ask(drain_, Purpose::readback, now, out);
}

void Schedule::see(const drivers::Outcome& outcome) {
  const std::uint32_t ticket = outcome.order.ticket;
  for (Question& question : readings_) {
    if (question.ticket == ticket) question.ticket = 0;
  }
  for (Question& question : readbacks_) {
    if (question.ticket == ticket) question.ticket = 0;
  }
  if (drain_.ticket == ticket) drain_.ticket = 0;
}

}  // namespace chargewright::safety

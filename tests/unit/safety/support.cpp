#include "support.h"

#include <gtest/gtest.h>

#include <algorithm>

namespace chargewright::safety::testing {

std::pair<Ending, double> FakeBench::act(const Order& order) {
  const auto said = says.find({order.instrument, order.verb});
  if (said != says.end()) return said->second;
  switch (order.verb) {
    case Verb::identify:
      return {misbehave[order.instrument].wrong_identity ? Ending::disproved : Ending::done, 1};
    case Verb::drain_errors: {
      const int found = errors_queued;
      errors_queued = 0;
      return {Ending::done, static_cast<double>(found)};
    }
    case Verb::set_voltage:
      if (ignores_set) return {Ending::disproved, voltage_setpoint};
      voltage_setpoint = order.value;
      return {Ending::done, order.value};
    case Verb::set_current:
      if (ignores_set) return {Ending::disproved, current_setpoint};
      current_setpoint = order.value;
      return {Ending::done, order.value};
    case Verb::read_voltage_setpoint:
      return {Ending::done, voltage_setpoint};
    case Verb::read_current_setpoint:
      return {Ending::done, current_setpoint};
    case Verb::output_on:
      output = true;
      return {Ending::done, 1};
    case Verb::output_off:
      if (ignores_off) return {Ending::disproved, output ? 1.0 : 0.0};
      output = false;
      return {Ending::done, 0};
    case Verb::read_output:
      return {Ending::done, output ? 1.0 : 0.0};
    case Verb::set_over_voltage:
      ovp = order.value;
      return {Ending::done, order.value};
    case Verb::set_over_current:
      ocp = order.value;
      return {Ending::done, order.value};
    case Verb::read_protection:
      return {Ending::done, static_cast<double>(protection)};
    case Verb::clear_protection:
      protection = 0;
      return {Ending::done, 0};
    case Verb::read_regulation:
      return {Ending::done, output ? 2.0 : 0.0};
    case Verb::measure_voltage:
      return {Ending::done, order.instrument == supply ? source_voltage() : cell_voltage()};
    case Verb::measure_current:
      return {Ending::done, cell_current()};
    case Verb::measure_temperature:
      return {Ending::done, celsius[static_cast<std::size_t>(order.channel - 1)]};
    case Verb::open_switch:
      if (contactor_welded) return {Ending::disproved, 1};
      contactor_closed = false;
      return {Ending::done, 0};
    case Verb::close_switch:
      contactor_closed = true;
      return {Ending::done, 1};
    case Verb::read_switch:
      return {Ending::done, contactor_closed ? 1.0 : 0.0};
  }
  return {Ending::absent, 0};
}

void FakeBench::obey(const Order& order, Instant now) {
  written.push_back({order, now});
  const Misbehaviour& how = misbehave[order.instrument];
  Outcome outcome;
  outcome.order = order;
  outcome.asked = now;
  if (how.link_down) {
    outcome.ending = Ending::link_down;
    outcome.answered = now;
  } else if (how.mute) {
    outcome.ending = Ending::timed_out;
    outcome.answered = now + deadline;
  } else {
    const auto [ending, value] = act(order);
    outcome.ending = ending;
    outcome.value = value;
    outcome.answered = now + latency;
  }
  waiting_.push_back(outcome);
}

bool FakeBench::take(Outcome& outcome, Instant now) {
  const auto due = std::find_if(waiting_.begin(), waiting_.end(),
                                [&](const Outcome& o) { return o.answered <= now; });
  if (due == waiting_.end()) return false;
  outcome = *due;
  waiting_.erase(due);
  return true;
}

Instant FakeBench::next() const {
  Instant first = drivers::never;
  for (const Outcome& outcome : waiting_) first = std::min(first, outcome.answered);
  return first;
}

int FakeBench::count(Verb verb) const {
  return static_cast<int>(std::count_if(written.begin(), written.end(),
                                        [&](const Written& w) { return w.order.verb == verb; }));
}

// In whatever story: a change of state is a row of the table (S4, S5).
void GuardStory::expect_listed(const Event& event) {
  const bool listed = std::any_of(table.begin(), table.end(), [&](const Row& row) {
    return row.from == event.from && row.to == event.to;
  });
  EXPECT_TRUE(listed) << key_of(event.from) << " -> " << key_of(event.to);
}

void GuardStory::turn() {
  for (int round = 0; round < 50; ++round) {
    guard.turn(now);
    Order order;
    bool any = false;
    while (guard.take_order(order)) {
      bench.obey(order, now);
      any = true;
    }
    Outcome outcome;
    while (bench.take(outcome, now)) {
      guard.see(outcome, now);
      guard.turn(now);
      any = true;
    }
    Event event;
    while (guard.take_event(event)) {
      events.push_back(event);
      if (event.kind == Event::Kind::state_changed) expect_listed(event);
    }
    if (!any) return;
  }
}

void GuardStory::pass(Duration time) {
  const Instant end = now + time;
  turn();
  while (now < end) {
    const Instant next = std::min({bench.next(), guard.wake(), now + 50ms, end});
    now = std::max(next, now + 1us);
    if (sequencer_lives) ask(Request::Kind::heartbeat);
    turn();
  }
}

bool GuardStory::until(State wanted, Duration within) {
  const Instant end = now + within;
  settle();
  while (state() != wanted && now < end) pass(1ms);
  return state() == wanted;
}

void GuardStory::ask(Request::Kind kind, std::uint16_t step, drivers::Volts voltage,
                     drivers::Amperes current) {
  Request request;
  request.kind = kind;
  request.step = step;
  request.voltage = voltage;
  request.current = current;
  request.number = ++number_;
  guard.request(request, now);
}

void GuardStory::arm(const RunPlan& run) {
  Request request;
  request.kind = Request::Kind::arm;
  request.plan = run;
  request.number = ++number_;
  guard.request(request, now);
}

bool GuardStory::start_to_ready(const RunPlan& run) {
  start();
  return off_to_ready(run);
}

bool GuardStory::off_to_ready(const RunPlan& run) {
  if (!until(State::off)) return false;
  arm(run);
  return until(State::ready);
}

void GuardStory::charge_on() {
  start();
  until(State::off);
  arm();
  until(State::ready);
  ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
  until(State::energised);
  pass(500ms);
}

ChannelSnapshot GuardStory::channel() const {
  Snapshot snapshot;
  guard.snapshot(snapshot, now);
  return snapshot.channel[0];
}

const Event* GuardStory::last(Event::Kind kind) const {
  const auto found = std::find_if(events.rbegin(), events.rend(),
                                  [&](const Event& event) { return event.kind == kind; });
  return found == events.rend() ? nullptr : &*found;
}

bool GuardStory::happened(Event::Kind kind) const { return last(kind) != nullptr; }

Refusal GuardStory::last_refusal() const {
  const Event* refused = last(Event::Kind::refused);
  return refused == nullptr ? Refusal::none : refused->refusal;
}

std::vector<Cause> GuardStory::causes_present() const {
  std::vector<Cause> causes;
  for (const Event& event : events) {
    if (event.kind == Event::Kind::cause_present) causes.push_back(event.fault.cause);
  }
  return causes;
}

}  // namespace chargewright::safety::testing

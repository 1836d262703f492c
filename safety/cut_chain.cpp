#include "safety/cut_chain.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {

using drivers::Duration;
using drivers::Ending;
using drivers::Instant;
using drivers::later;
using drivers::never;
using drivers::Outcome;
using drivers::Verb;

std::string_view key_of(CutStage stage) {
  switch (stage) {
    case CutStage::started:
      return "started";
    case CutStage::off_written:
      return "off-written";
    case CutStage::off_confirmed:
      return "off-confirmed";
    case CutStage::current_stopped:
      return "current-stopped";
    case CutStage::repeated:
      return "repeated";
    case CutStage::opening:
      return "contactor-opening";
    case CutStage::contactor_open:
      return "contactor-open";
    case CutStage::alarmed:
      return "alarmed";
    case CutStage::verified:
      return "verified";
    case CutStage::verified_by_contactor:
      return "verified-by-contactor";
  }
  return "invalid";
}

namespace {

bool is_garbled(Ending ending) {
  return ending != Ending::done && ending != Ending::link_down && ending != Ending::refused &&
         ending != Ending::absent;
}

}  // namespace

CutChain::CutChain(const ChannelPlan& plan, std::uint8_t channel)
    : plan_(plan), channel_(channel), separate_ammeter_(!(plan.ammeter == plan.source)) {}

void CutChain::begin(Instant now, drivers::Duration patience, Outbox& out) {
  const bool again = running_;
  // A chain that is under way keeps its deadlines: a second cut must not push the first one back.
  if (!again) {
    record_ = CutRecord{};
    record_.started = now;
    repeated_ = opening_ = off_done_ = disproved_ = asked_again_ = false;
    off_heard_ = never;
    opens_failed_ = 0;
    output_ = source_current_ = meter_current_ = Evidence{};
    alarm_at_ = later(now, patience);
    open_at_ = plan_.contactor ? later(now, 2 * plan_.cut_stage) : never;
    running_ = true;
    tell(CutStage::started, now, out);
  } else {
    alarm_at_ = alarmed() ? never : std::min(alarm_at_, later(now, patience));
  }
  const Instant repeat = later(now, plan_.cut_stage);
  repeat_at_ = again ? std::min(repeat_at_, repeat) : repeat;
  write_off(now, out);
  ask(now, out);
  if (source_down_) open_contactor(now, out);
}

void CutChain::link(drivers::InstrumentId instrument, bool up, Instant now, Outbox& out) {
  const bool of_source = instrument == plan_.source.instrument;
  // What was asked without this link proves nothing against an instrument that can answer now.
  if (up && (of_source || instrument == plan_.ammeter.instrument)) {
    disproved_ = false;
    link_up_at_ = now;
  }
  if (of_source) {
    source_down_ = !up;
    if (!running_) return;
    if (up) {
      write_off(now, out);
      ask(now, out);
    } else {
      open_contactor(now, out);
    }
  } else if (plan_.contactor && instrument == plan_.contactor->instrument && up && running_ &&
             (opening_ || opens_failed_ > 0)) {
    // Ordered before the link was lost, and perhaps lost with it.
    opening_ = false;
    open_contactor(now, out);
  }
}

bool CutChain::write_off(Instant now, Outbox& out) {
  const bool forgotten = now >= later(off_at_, forget_after_ * plan_.cut_stage);
  if (forgotten) offs_pending_ = 0;
  if (offs_pending_ >= offs_outstanding_) return false;
  if (out.order(channel_, Purpose::cut, plan_.source, Verb::output_off, 0, true) == 0) return false;
  ++offs_pending_;
  off_at_ = now;
  return true;
}

void CutChain::write_zero(Outbox& out) {
  out.order(channel_, Purpose::cut, plan_.source, Verb::set_current, 0, true);
  out.order(channel_, Purpose::cut, plan_.source, Verb::set_voltage, 0, true);
}

void CutChain::ask(Instant now, Outbox& out) {
  // However seldom a charge is read, each stage wants its proof.
  ask_at_ = later(now, std::min(plan_.every, plan_.cut_stage));
  if (now >= later(asked_at_, questions_lost_after())) questions_pending_ = 0;
  if (questions_pending_ > 0) return;
  asked_at_ = now;
  garbled_ = false;
  const auto question = [&](const Terminal& at, Verb verb) {
    if (out.order(channel_, Purpose::cut, at, verb) != 0) ++questions_pending_;
  };
  question(plan_.source, Verb::measure_current);
  if (separate_ammeter_) question(plan_.ammeter, Verb::measure_current);
  if (plan_.abilities.reads_output) question(plan_.source, Verb::read_output);
}

void CutChain::open_contactor(Instant now, Outbox& out) {
  const bool was_open = record_.contactor_open != never;
  if (!plan_.contactor || opening_ || (was_open && !flows_on())) return;
  if (out.order(channel_, Purpose::cut, *plan_.contactor, Verb::open_switch, 0, true) == 0) return;
  opening_ = true;
  if (!was_open) tell(CutStage::opening, now, out);
}

void CutChain::see(const Outcome& outcome, Instant now, Outbox& out) {
  const bool own = channel_of(outcome.order.ticket) == channel_ &&
                   purpose_of(outcome.order.ticket) == Purpose::cut;
  if (own) see_own(outcome, now, out);
  if (!running_) return;
  see_evidence(outcome);
  weigh(now, out);
}

void CutChain::see_own(const Outcome& outcome, Instant now, Outbox& out) {
  const bool late = outcome.asked < record_.started;  // of a chain before: proves nothing now
  switch (outcome.order.verb) {
    case Verb::output_off:
      offs_pending_ = std::max(0, offs_pending_ - 1);
      if (running_ && !late) see_off(outcome, now, out);
      return;
    case Verb::measure_current:
    case Verb::read_output:
      questions_pending_ = std::max(0, questions_pending_ - 1);
      garbled_ |= is_garbled(outcome.ending);
      if (questions_pending_ == 0) end_round();
      return;
    case Verb::open_switch:
      if (late) return;
      if (outcome.ending == Ending::done) {
        opening_ = false;
        reach(CutStage::contactor_open, record_.contactor_open, outcome.answered, out);
      } else {
        opening_ = false;  // ordered again with the next repeat
        ++opens_failed_;
        open_at_ = later(now, plan_.cut_stage);
      }
      return;
    default:
      return;  // setpoints to zero: what counts is the current that is measured
  }
}

// Noise may spoil an answer, as it may any other: what is spoilt is asked once more.
void CutChain::end_round() {
  if (!should_have_stopped()) return;
  disproved_ |= !garbled_ || asked_again_;
  asked_again_ |= garbled_;
}

void CutChain::see_off(const Outcome& outcome, Instant now, Outbox& out) {
  const bool written = outcome.ending != Ending::link_down && outcome.ending != Ending::refused &&
                       outcome.ending != Ending::absent;
  if (written) {
    if (off_heard_ == never) off_heard_ = outcome.answered;
    reach(CutStage::off_written, record_.off_written, std::max(outcome.asked, record_.started),
          out);
  }
  if (outcome.ending == Ending::done) {
    off_done_ = true;
  } else {
    // The order has failed: nothing to wait for in this stage.
    open_contactor(now, out);
  }
}

void CutChain::see_evidence(const Outcome& outcome) {
  if (outcome.ending != Ending::done || outcome.asked < record_.started) return;
  const Evidence evidence{outcome.asked, outcome.value, true};
  const auto at = [&](const Terminal& terminal) {
    return outcome.order.instrument == terminal.instrument &&
           outcome.order.channel == terminal.channel;
  };
  if (outcome.order.verb == Verb::read_output && at(plan_.source)) output_ = evidence;
  if (outcome.order.verb != Verb::measure_current) return;
  if (at(plan_.source)) source_current_ = evidence;
  if (separate_ammeter_ && at(plan_.ammeter)) meter_current_ = evidence;
}

bool CutChain::after_off(const Evidence& evidence) const {
  return evidence.known && evidence.asked >= record_.off_written;  // which may be `never`
}

bool CutChain::stopped(const Evidence& current, Instant since) const {
  return current.known && current.asked >= since &&  // which may be `never`
         std::abs(current.value) <= plan_.off_current.value();
}

// Through a contactor that read open: closed again by a hand, or it reads what is not so.
bool CutChain::flows_on() const {
  const auto flows = [&](const Evidence& current) {
    return current.known && current.asked >= record_.contactor_open &&
           !stopped(current, record_.contactor_open);
  };
  return flows(source_current_) || flows(meter_current_);
}

// The order is proved by the instrument's conversation; a later answer of the output overrules it.
bool CutChain::is_off() const { return after_off(output_) ? output_.value == 0 : off_done_; }

// When the questions under way, or just answered, were asked.
bool CutChain::should_have_stopped() const {
  if (record_.off_written == never) return offs_pending_ == 0;
  return asked_at_ >= std::max(link_up_at_, later(off_heard_, plan_.settling));
}

Duration CutChain::questions_lost_after() const {
  return std::max(forget_after_ * plan_.cut_stage, plan_.prove_off_within);
}

Instant CutChain::alarm_due() const {
  // That the output is on was asked after the off: time for a current to fall changes nothing.
  if (disproved_ || output_still_on()) return alarm_at_;
  return std::max(alarm_at_, later(record_.started, plan_.prove_off_within));
}

bool CutChain::output_still_on() const { return after_off(output_) && output_.value != 0; }

void CutChain::weigh(Instant now, Outbox& out) {
  if (verified()) return;
  const bool off = is_off();
  if (off) reach(CutStage::off_confirmed, record_.off_confirmed, now, out);
  const bool no_current = stopped(source_current_, record_.off_written) &&
                          (!separate_ammeter_ || stopped(meter_current_, record_.off_written));
  if (no_current) reach(CutStage::current_stopped, record_.current_stopped, now, out);
  if (off && no_current) {
    open_contactor(now, out);
    reach(CutStage::verified, record_.verified, now, out);
  } else if (separate_ammeter_ && stopped(meter_current_, record_.contactor_open) &&
             !output_still_on() &&
             (!after_off(source_current_) || stopped(source_current_, record_.off_written))) {
    record_.by_contactor = true;
    reach(CutStage::current_stopped, record_.current_stopped, now, out);
    reach(CutStage::verified_by_contactor, record_.verified, now, out);
  }
}

void CutChain::turn(Instant now, Outbox& out) {
  if (!running_) return;
  if (verified()) {
    see_contactor_open(now, out);
    return;
  }
  if (now >= open_at_) {
    open_at_ = never;
    open_contactor(now, out);
  }
  if (now >= repeat_at_) {
    repeat_at_ = later(now, std::max(plan_.cut_stage, plan_.repeat_every));
    if (write_off(now, out)) write_zero(out);
    if (repeated_) open_contactor(now, out);
    if (!repeated_) tell(CutStage::repeated, now, out);
    repeated_ = true;
  }
  if (now >= alarm_due()) {
    alarm_at_ = never;
    reach(CutStage::alarmed, record_.alarmed, now, out);
  }
  if (now >= ask_at_) ask(now, out);
}

// Current has stopped; what remains is the contactor, which is given up with an alarm.
void CutChain::see_contactor_open(Instant now, Outbox& out) {
  if (!plan_.contactor || record_.contactor_open != never) {
    running_ = false;
  } else if (opens_failed_ >= opens_most_ ||
             now >= later(record_.verified, forget_after_ * plan_.cut_stage)) {
    reach(CutStage::alarmed, record_.alarmed, now, out);
    running_ = false;
  } else if (!opening_ && now >= open_at_) {
    open_contactor(now, out);
  }
}

drivers::Instant CutChain::wake() const {
  if (!running_) return never;
  if (verified()) {
    if (!plan_.contactor || record_.contactor_open != never) return record_.verified;
    const Instant given_up = later(record_.verified, forget_after_ * plan_.cut_stage);
    return opening_ ? given_up : std::min(open_at_, given_up);
  }
  return std::min({open_at_, repeat_at_, alarm_due(), ask_at_});
}

void CutChain::reach(CutStage stage, Instant& at, Instant now, Outbox& out) {
  if (at != never) return;
  at = now;
  tell(stage, now, out);
}

void CutChain::tell(CutStage stage, Instant now, Outbox& out) {
  if (!announce_) return;
  Event event;
  event.kind = Event::Kind::cut_stage;
  event.channel = channel_;
  event.at = now;
  event.cut_stage = static_cast<std::uint8_t>(stage);
  out.event(event);
}

}  // namespace chargewright::safety

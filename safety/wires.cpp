#include "safety/wires.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "safety/outbox.h"

namespace chargewright::safety {
namespace {

using drivers::Instant;
using drivers::InstrumentId;
using drivers::Order;
using drivers::Outcome;
using drivers::Verb;

constexpr int rounds_most = 64;  // of moving orders and outcomes before looking at the links
// Questions of the wires' own; channel 15 and a purpose that the guard does not have.
constexpr std::uint32_t own_ticket = 0xFFFF'FFFF;

// Questions, and what de-energises: whoever it is may be told. Not what energises or protects the
// cell of another.
bool harms_nobody(const Order& order) {
  switch (order.verb) {
    case Verb::output_on:
    case Verb::close_switch:
    case Verb::set_over_voltage:
    case Verb::set_over_current:
    case Verb::clear_protection:
      return false;
    case Verb::set_voltage:
    case Verb::set_current:
      return order.value == 0;
    default:
      return true;
  }
}

}  // namespace

Wires::Wires(const Plant& plant, std::vector<drivers::InstrumentSpec> instruments, double speed,
             ByteSink& sink)
    : plant_(plant), speed_(speed), sink_(sink), guard_(plant) {
  if (!(speed > 0) || !std::isfinite(speed)) {
    throw std::invalid_argument("guard: the speed factor must be positive");
  }
  if (instruments.size() > max_instruments) {
    throw std::invalid_argument("guard: more than 32 instruments");
  }
  lines_.reserve(instruments.size());
  for (std::size_t k = 0; k < instruments.size(); ++k) {
    instruments[k].id = static_cast<InstrumentId>(k);
    lines_.push_back({.instrument = drivers::Instrument(std::move(instruments[k]))});
  }
}

// ---- links --------------------------------------------------------------------------------------

void Wires::link_up(InstrumentId link, Instant now) {
  Line& line = lines_[link];
  touch(line);
  line.instrument.link_up(now);
  guard_.link_changed(link, true, now);
  ++changes_;
  line.identified = line.simulated = line.named = false;
  // Until it is known: who was there before is no answer, and nothing else that it says is one.
  line.stranger = line.matched;
  ask_who_it_is(line, now);
}

void Wires::link_down(InstrumentId link, Instant now) {
  Line& line = lines_[link];
  touch(line);
  line.instrument.link_down(now);
  guard_.link_changed(link, false, now);
  ++changes_;
  line.named = false;
  release_held(line, now);
}

void Wires::received(InstrumentId link, std::string_view bytes, Instant now) {
  touch(lines_[link]);
  lines_[link].instrument.receive(bytes, now);
}

void Wires::flush(InstrumentId id) {
  drivers::Instrument& instrument = lines_[id].instrument;
  const std::string_view bytes = instrument.to_write();
  if (bytes.empty()) return;
  const std::size_t count = bytes.size();
  // Nobody may believe that an off was written that was not (S4).
  if (sink_.write(id, bytes)) instrument.written(count);
}

// ---- requests -----------------------------------------------------------------------------------

void Wires::request(const Request& request, Instant now) {
  const Refusal refusal = request.kind == Request::Kind::arm ? arm_refusal() : Refusal::none;
  if (refusal != Refusal::none) {
    guard_.refuse(request, refusal, now);
  } else {
    guard_.request(request, now);
  }
}

Refusal Wires::arm_refusal() const {
  if (!speed_permitted()) return Refusal::not_simulated;
  return attended_ ? Refusal::none : Refusal::no_dead_man;
}

void Wires::dead_man_lost(Instant now) {
  if (!attended_) return;
  attended_ = false;
  guard_.dead_man_lost(now);
}

bool Wires::speed_permitted() const {
  return speed_ == 1 || std::all_of(lines_.begin(), lines_.end(), [](const Line& line) {
           return line.identified && line.simulated;
         });
}

// ---- orders and outcomes ------------------------------------------------------------------------

void Wires::pump(Instant now) {
  // uncovered: only a bug would keep it moving so long at one moment; it goes on with the next turn
  for (int round = 0; round < rounds_most && move_once(now); ++round) {
  }
}

// Outcomes to the guard, its orders to the instruments, their bytes to the links. True: there were
// orders, so that there may be outcomes.
bool Wires::move_once(Instant now) {
  for (Line& line : lines_) {
    if (rests(line, now)) continue;
    if (line.instrument.wake() <= now) line.instrument.turn(now);
    Outcome outcome;
    while (line.instrument.take(outcome)) {
      touch(line);
      take_outcome(line, outcome, now);
    }
  }
  guard_.turn(now);
  bool ordered = false;
  Order order;
  while (guard_.take_order(order)) {
    ordered = true;
    if (order.instrument < lines_.size()) give(order, now);
  }
  for (std::size_t id = 0; id < lines_.size(); ++id) {
    Line& line = lines_[id];
    if (rests(line, now)) continue;
    flush(static_cast<InstrumentId>(id));
    line.wake = line.instrument.wake();
    // What its link did not take is still to be written.
    if (line.rounds > 0 && line.instrument.to_write().empty()) --line.rounds;
  }
  return ordered;
}

void Wires::give(const Order& order, Instant now) {
  Line& line = lines_[order.instrument];
  touch(line);
  if (order.urgent) drop_voided(line, order);
  if (line.stranger && !harms_nobody(order)) {
    // uncovered: it has room for more than all channels can have under way
    if (line.named || !line.held.push(order)) not_reached(order, now);
    return;
  }
  line.instrument.order(order, now);
  if (order.urgent) flush(order.instrument);  // the cut lane: at once (S4)
}

void Wires::not_reached(const Order& order, Instant now) {
  Outcome outcome;
  outcome.order = order;
  outcome.ending = drivers::Ending::link_down;
  outcome.asked = outcome.answered = now;
  guard_.see(outcome, now);
}

// Once it is known who it is, or the link is lost.
void Wires::release_held(Line& line, Instant now) {
  Order order;
  while (line.held.pop(order)) {
    if (line.named && !line.stranger) {
      line.instrument.order(order, now);
    } else {
      not_reached(order, now);
    }
  }
}

// As in the guard's own outbox: an output-on that waits here would come behind the off of its cut.
void Wires::drop_voided(Line& line, const Order& urgent) {
  for (std::size_t left = line.held.size(); left > 0; --left) {
    Order waiting;
    (void)line.held.pop(waiting);
    const bool voided =
        waiting.channel == urgent.channel && drivers::voids(urgent.verb, waiting.verb);
    if (!voided) (void)line.held.push(waiting);
  }
}

void Wires::take_outcome(Line& line, const Outcome& outcome, Instant now) {
  if (outcome.order.verb == Verb::identify) see_identity(line, outcome, now);
  if (outcome.order.ticket == own_ticket) return tell_that_it_answers(line, outcome, now);
  if (line.unnamed) ask_who_it_is(line, now);
  if (line.stranger && outcome.order.verb != Verb::identify) {
    // It is told off like the one before it; what it says of itself is nothing of this bench (S3).
    Outcome not_reached = outcome;
    not_reached.ending = drivers::Ending::link_down;
    not_reached.value = 0;
    guard_.see(not_reached, now);
  } else {
    guard_.see(outcome, now);
  }
  guard_.turn(now);
}

// Its name is an answer like any other, and of a contactor that cannot be read the only one.
void Wires::tell_that_it_answers(const Line& line, const Outcome& named, Instant now) {
  if (named.ending != drivers::Ending::done || line.stranger) return;
  for (std::uint32_t channel = 0; channel < plant_.channels.size(); ++channel) {
    Outcome heard = named;
    heard.order.ticket =
        (channel << 28) | (static_cast<std::uint32_t>(Purpose::reading) << 24) | 0xFF'FFFF;
    guard_.see(heard, now);
  }
  guard_.turn(now);
}

// Before the proof of any off that is ordered from now on: as long as nobody knows who it is, no
// proof is believed, and the offs are repeated. Behind those of a slow instrument it would never be
// asked. The offs themselves wait for nothing.
void Wires::ask_who_it_is(Line& line, Instant now) {
  line.unnamed = false;
  const InstrumentId id = line.instrument.spec().id;
  line.instrument.order(
      {.ticket = own_ticket, .instrument = id, .verb = Verb::identify, .urgent = true}, now);
}

void Wires::see_identity(Line& line, const Outcome& outcome, Instant now) {
  if (outcome.order.ticket == own_ticket) see_no_name(line, outcome.ending);
  if (outcome.ending != drivers::Ending::done) return;
  ++changes_;
  line.identified = line.named = true;
  line.stranger = line.matched && outcome.value != 1;
  line.matched = line.matched || outcome.value == 1;
  line.simulated = line.instrument.is_simulated();
  release_held(line, now);
  // Scaled time on a real instrument: every deadline would be wrong.
  if (speed_ != 1 && !line.simulated) guard_.internal_fault(now);
}

void Wires::see_no_name(Line& line, drivers::Ending ending) {
  using drivers::Ending;
  // Asked again in turn with whatever else it is asked, which shows that it goes on; not where it
  // never can be, and of a link that is lost when that is back.
  line.unnamed = ending != Ending::done && ending != Ending::absent && ending != Ending::link_down;
}

Instant Wires::wake() const {
  Instant first = guard_.wake();
  for (const Line& line : lines_) {
    first = std::min(first, line.rounds > 0 ? line.instrument.wake() : line.wake);
  }
  return first;
}

void Wires::status(InstrumentId id, InstrumentStatus& into) const {
  const Line& line = lines_[id];
  into.up = line.instrument.is_up();
  into.answers = line.instrument.is_in_step();
  into.simulated = line.simulated;
  into.identification.fill('\0');
  line.instrument.identification().copy(into.identification.data(), into.identification.size() - 1);
  into.round_trip_worst = line.instrument.round_trip_worst();
}

// ---- the end ------------------------------------------------------------------------------------

void Wires::last_resort(Instant now) {
  // Nobody waits any more for the pauses that an instrument wants: as if each had passed.
  const auto later_on = [&now] { return now = drivers::later(now, std::chrono::minutes(1)); };
  for (const ChannelPlan& channel : plant_.channels) {
    off_at_once(channel.source, Verb::output_off, later_on());
  }
  for (const ChannelPlan& channel : plant_.channels) {
    if (channel.contactor) off_at_once(*channel.contactor, Verb::open_switch, later_on());
  }
}

void Wires::off_at_once(const Terminal& at, Verb verb, Instant now) {
  if (at.instrument >= lines_.size()) return;
  try {
    lines_[at.instrument].instrument.order({.ticket = own_ticket,
                                            .instrument = at.instrument,
                                            .channel = at.channel,
                                            .verb = verb,
                                            .urgent = true},
                                           now);
    flush(at.instrument);
  } catch (...) {
    return;  // the other outputs still need their off
  }
}

}  // namespace chargewright::safety

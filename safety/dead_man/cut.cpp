#include "safety/dead_man/cut.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "drivers/scpi/number.h"

namespace chargewright::safety {

using drivers::Duration;
using drivers::Ending;
using drivers::Instant;
using drivers::scpi::Meaning;
using namespace std::chrono_literals;

namespace {

constexpr Duration ask_again = 20ms;     // an output takes its time to fall
constexpr Duration order_again = 100ms;  // one that says that it is on
constexpr std::size_t notes_max = 400;

bool serial(const CutLink& link) { return link.address.starts_with("serial:"); }

std::string amperes(double value) {
  char text[32];
  const auto digits = drivers::scpi::format_fixed(value, 3, text, sizeof text);
  return std::string(digits.value_or("?")) + " A";
}

// A proof is done only when it agrees; a plain state must be 0.
bool says_zero(const CutQuestion& question, const Meaning& meaning) {
  if (meaning.ending != Ending::done) return false;
  return question.expect.expect == drivers::Expect::proof || meaning.value == 0;
}

// Every order and every question to one instrument, and what comes before the first question.
std::size_t messages_to(std::size_t link, const CutSheet& sheet) {
  constexpr std::size_t end_clear_and_numbers = 6;  // an off said twice, in place of the end
  std::size_t count = sheet.links[link].on_connect.size() + end_clear_and_numbers;
  for (const CutOutput& output : sheet.outputs) {
    if (output.source == link) count += output.zero.size() + 2;
    if (output.contactor == link) count += 2;
    if (output.ammeter == link) count += 1;
  }
  return count;
}

}  // namespace

Cut::Cut(const CutSheet& sheet)
    : sheet_(sheet), asked_(sheet.links.size()), down_(sheet.links.size()) {
  for (std::size_t i = 0; i < sheet.links.size(); ++i) {
    lines_.emplace_back(sheet.links[i]);
    round_.push_back(static_cast<Duration::rep>(messages_to(i, sheet)) * sheet.links[i].between);
  }
  for (const CutOutput& output : sheet.outputs) {
    outputs_.emplace_back();
    outputs_.back().sheet = &output;
  }
}

bool Cut::uses(std::size_t link) const {
  return std::ranges::any_of(sheet_.outputs, [link](const CutOutput& output) {
    return output.source == link || (output.current && output.ammeter == link) ||
           (!output.open.empty() && output.contactor == link);
  });
}

void Cut::begin(Instant now) {
  began_ = now;
  sources_until_ = now + source_within;
}

void Cut::again(Instant now) {
  began_ = now;
  for (Output& output : outputs_) {
    output = {.sheet = output.sheet};
    begin_off(output, now);
  }
}

void Cut::link_up(std::size_t link, Instant now) {
  CutLine& line = lines_.at(link);
  line.link_up(now);
  down_[link].clear();
  note(now, sheet_.links[link].name + ": link open");
  // What comes first may fall into the pause behind the dead daemon's last message, unheard.
  bool may_be_unheard = !serial(sheet_.links[link]) && sheet_.links[link].between > 0s;
  if (serial(sheet_.links[link])) line.say_nothing();
  for (Output& output : outputs_) {
    // Nothing was proved over the link that was lost; and what its contactor proved off is on
    // still.
    if (output.sheet->source == link && !(output.verified && output.off.was_sent())) {
      begin_off(output, now);
      if (!output.sheet->off.empty() && std::exchange(may_be_unheard, false)) {
        say_off(output, now);
      }
    }
    if (output.sheet->contactor == link && output.open.was_given() &&
        !(output.verified && output.open.was_sent())) {
      begin_open(output, now);
    }
  }
}

void Cut::link_down(std::size_t link, std::string_view why, Instant now) {
  lines_.at(link).link_down();
  for (Output& output : outputs_) {
    if (output.sheet->source == link) lose(output.off, output.verified);
    if (output.sheet->contactor == link) lose(output.open, output.verified);
  }
  if (down_[link] == why) return;
  down_[link] = why;
  note(now, sheet_.links[link].name + ": no link: " + std::string(why));
}

// What left may have been lost with the link; it matters no more where off is proved.
void Cut::lose(Order& order, bool proved) {
  order.number = Order::unsaid;
  if (!proved) order.first_sent = order.sent = drivers::never;
}

void Cut::receive(std::size_t link, std::string_view bytes, Instant now) {
  lines_.at(link).receive(bytes, now);
}

std::string Cut::take_to_write(std::size_t link, Instant now) {
  std::string bytes = lines_.at(link).take_to_write(now);
  if (!bytes.empty()) see_sent(link, now);
  return bytes;
}

void Cut::see_sent(std::size_t link, Instant now) {
  const auto leaves = [&](std::size_t on, Order& order) {
    if (on != link || !order.waits() || !lines_[link].has_sent(order.number)) return false;
    order.sent = now;
    order.first_sent = std::min(order.first_sent, now);
    return true;
  };
  for (Output& output : outputs_) {
    const CutOutput& sheet = *output.sheet;
    if (leaves(sheet.source, output.off) && output.offs++ == 0) {
      note(now, sheet.name + ": off sent");
    }
    if (leaves(sheet.contactor, output.open) && output.opens++ == 0) {
      note(now, sheet.name + ": contactor ordered open");
    }
  }
}

// As if nothing had been asked before.
void Cut::begin_off(Output& output, Instant now) {
  if (!lines_[output.sheet->source].is_up()) return;
  output.off = {.first = now};
  output.reads_off = output.no_current = output.flows = false;
  say_off(output, now);
}

void Cut::begin_open(Output& output, Instant now) {
  const CutOutput& sheet = *output.sheet;
  if (sheet.open.empty() || !lines_[sheet.contactor].is_up()) return;
  output.open = {.first = now};
  output.contactor_open = output.no_current = output.flows = false;
  say_open(output);
}

void Cut::say_off(Output& output, Instant now) {
  Order& off = output.off;
  off.sent = drivers::never;
  output.says_on = false;
  if (!output.sheet->off.empty()) {
    off.number = lines_[output.sheet->source].say(output.sheet->off);
  } else {
    off.sent = off.first_sent = now;  // there is nothing to wait for
  }
}

void Cut::say_open(Output& output) {
  output.open.sent = drivers::never;
  output.open.number = lines_[output.sheet->contactor].say(output.sheet->open);
}

// Of an order that left: its link is up.
void Cut::repeat_off(Output& output, Instant now) {
  const CutOutput& sheet = *output.sheet;
  say_off(output, now);
  for (const std::string& message : sheet.zero) lines_[sheet.source].say(message);
  if (output.offs == 1) note(now, sheet.name + ": off repeated, with setpoints to zero");
  // Whoever switched it on again, or whatever still feeds the cell: its state is asked anew.
  if (output.flows) output.reads_off = false;
}

void Cut::repeat_open(Output& output) {
  output.contactor_open = false;
  say_open(output);
}

void Cut::turn(Instant now) {
  for (std::size_t link = 0; link < lines_.size(); ++link) {
    lines_[link].turn(now);
    take_answer(link, now);
  }
  for (Output& output : outputs_) {
    judge(output, now);
    const bool late = now - began_ >= stage;
    const Order &off = output.off, &open = output.open;
    if (!open.was_given() && (output.verified || late)) begin_open(output, now);
    // One that reads open while current flows was closed again, or reads what is not so.
    const bool may_be_closed =
        output.sheet->contactor_state ? !output.contactor_open || output.flows : !output.verified;
    // Orders come before questions: they may not leave the questions without a turn.
    if (may_be_closed && open.was_sent() &&
        now - open.sent >= stage + round_[output.sheet->contactor]) {
      repeat_open(output);
    }
    const Duration patience = (output.says_on ? order_again : stage) + round_[output.sheet->source];
    if (!output.verified && off.was_sent() && now - off.sent >= patience) repeat_off(output, now);
  }
  for (std::size_t link = 0; link < lines_.size(); ++link) ask_next(link, now);
}

void Cut::take_answer(std::size_t link, Instant now) {
  const auto answer = lines_[link].take_answer();
  if (answer) see(outputs_[asked_[link].output], asked_[link].about, *answer, now);
}

void Cut::see(Output& output, About about, const Meaning& meaning, Instant now) {
  const CutOutput& sheet = *output.sheet;
  switch (about) {
    case About::state:
      if (output.state_asked < output.off.first) return;  // says nothing of it
      output.reads_off = says_zero(*sheet.state, meaning);
      output.says_on = !output.reads_off &&
                       (meaning.ending == Ending::done || meaning.ending == Ending::disproved);
      if (output.says_on) output.said_on = now;
      break;
    case About::current:
      if (output.current_asked < current_counts_from(output)) return;
      output.no_current = meaning.ending == Ending::done && std::isfinite(meaning.value) &&
                          std::abs(meaning.value) <= sheet.off_current;
      output.flows = meaning.ending == Ending::done && !output.no_current;
      output.current = meaning.value;
      break;
    case About::contactor:
      if (output.contactor_asked < output.open.first) return;
      output.contactor_open = says_zero(*sheet.contactor_state, meaning);
      if (output.contactor_open && !output.told_open) {
        output.told_open = true;
        note(now, sheet.name + ": contactor reads open");
      }
      break;
  }
}

// Once everything was ordered that should have stopped it; and where nothing but the output's own
// word says that it did, since that word was another.
Instant Cut::current_counts_from(const Output& output) const {
  Instant from = began_;
  for (const Order* order : {&output.off, &output.open}) {
    if (order->was_given()) from = std::max(from, order->first);
  }
  return output.contactor_open ? from : std::max(from, output.said_on);
}

bool Cut::path_open(const Output& output) const {
  if (output.reads_off || output.contactor_open) return true;
  // Neither can be read back: only a current measured after an order can prove it.
  const CutOutput& sheet = *output.sheet;
  if (sheet.state || sheet.contactor_state || !sheet.current) return false;
  const bool sent = (output.offs > 0 && output.off.was_sent()) || output.open.was_sent();
  return sent && !output.off.waits() && !output.open.waits();
}

void Cut::judge(Output& output, Instant now) {
  if (output.verified || !path_open(output)) return;
  if (output.sheet->current && !output.no_current) return;
  output.verified = true;
  std::string text = output.sheet->name + ": off, verified (";
  text += output.reads_off        ? "output reads off"
          : output.contactor_open ? "contactor reads open"
          : output.offs > 0       ? "off sent"
                                  : "contactor ordered open";
  if (output.sheet->current) text += ", current " + amperes(output.current);
  note(now, text + ")");
}

// Of what is due, what was asked longest ago: no answer that keeps others waiting is asked for
// again and again before them.
void Cut::ask_next(std::size_t link, Instant now) {
  if (!lines_.at(link).can_ask()) return;
  const CutQuestion* question = nullptr;
  Instant* asked = nullptr;
  const auto consider = [&](const CutQuestion& due, Instant& asked_before, const Asked& about) {
    if (question != nullptr && *asked <= asked_before) return;
    question = &due;
    asked = &asked_before;
    asked_[link] = about;
  };
  for (std::size_t i = 0; i < outputs_.size(); ++i) {
    Output& output = outputs_[i];
    const CutOutput& sheet = *output.sheet;
    if (link == sheet.source && is_state_due(output, now)) {
      consider(*sheet.state, output.state_asked, {.output = i, .about = About::state});
    }
    if (link == sheet.contactor && is_contactor_due(output, now)) {
      consider(*sheet.contactor_state, output.contactor_asked,
               {.output = i, .about = About::contactor});
    }
    if (link == sheet.ammeter && is_current_due(output, now)) {
      consider(*sheet.current, output.current_asked, {.output = i, .about = About::current});
    }
  }
  if (question == nullptr) return;
  *asked = now;
  lines_[link].ask(*question);
}

// When its state tells of an order; the question leaves behind it.
Instant Cut::settled(const Order& order, const CutQuestion& question) {
  if (question.settle == Duration::zero()) return order.first;
  return drivers::later(order.first_sent, question.settle);
}

bool Cut::is_state_due(const Output& output, Instant now) const {
  const auto& question = output.sheet->state;
  return question && !output.verified && !output.reads_off &&
         now >= settled(output.off, *question) && now >= output.state_asked + ask_again;
}

bool Cut::is_contactor_due(const Output& output, Instant now) const {
  const auto& question = output.sheet->contactor_state;
  return question && !output.contactor_open && now >= settled(output.open, *question) &&
         now >= output.contactor_asked + ask_again;
}

bool Cut::is_current_due(const Output& output, Instant now) const {
  return output.sheet->current && !output.verified && path_open(output) &&
         now >= output.current_asked + ask_again;
}

Instant Cut::wake() const {
  Instant first = drivers::never;
  for (const CutLine& line : lines_) first = std::min(first, line.wake());
  return first;
}

bool Cut::all_off() const {
  return std::ranges::all_of(outputs_, [](const Output& output) { return output.verified; });
}

bool Cut::contactor_done(const Output& output, Instant now) const {
  const CutOutput& sheet = *output.sheet;
  if (sheet.open.empty() || output.contactor_open) return true;
  if (output.open.was_sent() && !sheet.contactor_state) return true;
  return now - began_ >= 4 * stage && !output.open.waits();  // it does not undo the proof
}

bool Cut::was_told_off(const Output& output) {
  return output.sheet->off.empty() || output.off.was_sent();
}

bool Cut::finished(Instant now) const {
  return all_off() && std::ranges::all_of(outputs_, [&](const Output& output) {
           const bool told = was_told_off(output) || (now >= sources_until_ && !output.off.waits());
           return told && contactor_done(output, now);
         });
}

std::string Cut::doubts() const {
  std::string text;
  for (const Output& output : outputs_) {
    const CutOutput& sheet = *output.sheet;
    const std::string source = "; " + sheet.name + ": " + sheet_.links[sheet.source].name;
    if (!was_told_off(output)) {
      text += source + " could not be told off";
    } else if (!output.reads_off && output.said_on != Instant{}) {
      text += source + " answers that its output is on: go and look";
    }
  }
  return text;
}

void Cut::note(Instant now, std::string text) {
  if (noted_ >= notes_max) return;
  if (++noted_ == notes_max) text = "no more is noted";
  notes_.push_back({now, std::move(text)});
}

std::vector<Cut::Note> Cut::take_notes() {
  std::vector<Note> notes;
  notes.swap(notes_);
  return notes;
}

}  // namespace chargewright::safety

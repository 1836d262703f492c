#include "safety/dead_man/cut.h"

#include <algorithm>
#include <cmath>

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

}  // namespace

Cut::Cut(const CutSheet& sheet)
    : sheet_(sheet), asked_(sheet.links.size()), down_(sheet.links.size()) {
  for (const CutLink& link : sheet.links) lines_.emplace_back(link);
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

void Cut::begin(Instant now) { began_ = now; }

void Cut::again(Instant now) {
  began_ = now;
  for (Output& output : outputs_) {
    output = {.sheet = output.sheet};
    order_off(output, now);
  }
}

void Cut::link_up(std::size_t link, Instant now) {
  CutLine& line = lines_.at(link);
  line.link_up(now);
  down_[link].clear();
  note(now, sheet_.links[link].name + ": link open");
  if (serial(sheet_.links[link])) line.say_nothing();
  for (Output& output : outputs_) {
    if (output.verified) continue;
    if (output.sheet->source == link) order_off(output, now);
    // Nothing was proved over the link that was lost.
    if (output.sheet->contactor == link && output.open_at != drivers::never) {
      order_open(output, now);
    }
  }
}

void Cut::link_down(std::size_t link, std::string_view why, Instant now) {
  lines_.at(link).link_down();
  if (down_[link] == why) return;
  down_[link] = why;
  note(now, sheet_.links[link].name + ": no link: " + std::string(why));
}

void Cut::receive(std::size_t link, std::string_view bytes, Instant now) {
  lines_.at(link).receive(bytes, now);
}

std::string Cut::take_to_write(std::size_t link, Instant now) {
  return lines_.at(link).take_to_write(now);
}

void Cut::order_off(Output& output, Instant now) {
  const CutOutput& sheet = *output.sheet;
  CutLine& line = lines_[sheet.source];
  if (!line.is_up()) return;
  output.off_at = now;
  output.reads_off = output.no_current = output.says_on = false;
  if (sheet.off.empty()) return;
  line.say(sheet.off);
  if (output.offs++ == 0) note(now, sheet.name + ": off sent");
}

void Cut::order_open(Output& output, Instant now) {
  const CutOutput& sheet = *output.sheet;
  if (sheet.open.empty() || !lines_[sheet.contactor].is_up()) return;
  if (output.open_at == drivers::never) note(now, sheet.name + ": contactor ordered open");
  output.open_at = now;
  output.contactor_open = false;
  lines_[sheet.contactor].say(sheet.open);
}

void Cut::repeat(Output& output, Instant now) {
  const CutOutput& sheet = *output.sheet;
  if (!lines_[sheet.source].is_up()) return;
  order_off(output, now);
  for (const std::string& message : sheet.zero) lines_[sheet.source].say(message);
  if (output.offs == 2) note(now, sheet.name + ": off repeated, with setpoints to zero");
}

void Cut::turn(Instant now) {
  for (std::size_t link = 0; link < lines_.size(); ++link) {
    lines_[link].turn(now);
    take_answer(link, now);
  }
  for (Output& output : outputs_) {
    judge(output, now);
    const bool late = now - began_ >= stage;
    const bool was_opened = output.open_at != drivers::never;
    if (!was_opened && (output.verified || late)) order_open(output, now);
    if (was_opened && !output.contactor_open && output.sheet->contactor_state &&
        now - output.open_at >= stage) {
      order_open(output, now);
    }
    const Duration patience = output.says_on ? order_again : stage;
    if (!output.verified && now - output.off_at >= patience) repeat(output, now);
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
      // Asked before the newest off: says nothing of it.
      if (output.state_asked < output.off_at) return;
      output.reads_off = says_zero(*sheet.state, meaning);
      output.says_on = !output.reads_off &&
                       (meaning.ending == Ending::done || meaning.ending == Ending::disproved);
      break;
    case About::current:
      if (output.off_at != drivers::never && output.current_asked < output.off_at) return;
      output.no_current = meaning.ending == Ending::done && std::isfinite(meaning.value) &&
                          std::abs(meaning.value) <= sheet.off_current;
      output.current = meaning.value;
      break;
    case About::contactor:
      if (output.contactor_asked < output.open_at) return;
      output.contactor_open = says_zero(*sheet.contactor_state, meaning);
      if (output.contactor_open) note(now, sheet.name + ": contactor reads open");
      break;
  }
}

bool Cut::path_open(const Output& output) const {
  if (output.reads_off || output.contactor_open) return true;
  // Neither can be read back: only a current measured after an order can prove it.
  const CutOutput& sheet = *output.sheet;
  const bool unreadable = !sheet.state && !sheet.contactor_state && sheet.current;
  return unreadable && (output.offs > 0 || output.open_at != drivers::never);
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

void Cut::ask_next(std::size_t link, Instant now) {
  if (!lines_.at(link).can_ask()) return;
  for (std::size_t i = 0; i < outputs_.size(); ++i) {
    Output& output = outputs_[i];
    const CutOutput& sheet = *output.sheet;
    if (link == sheet.source && is_state_due(output, now)) {
      output.state_asked = now;
      return ask(link, *sheet.state, {.output = i, .about = About::state}, now);
    }
    if (link == sheet.contactor && is_contactor_due(output, now)) {
      output.contactor_asked = now;
      return ask(link, *sheet.contactor_state, {.output = i, .about = About::contactor}, now);
    }
    if (link == sheet.ammeter && is_current_due(output, now)) {
      output.current_asked = now;
      return ask(link, *sheet.current, {.output = i, .about = About::current}, now);
    }
  }
}

void Cut::ask(std::size_t link, const CutQuestion& question, const Asked& about, Instant now) {
  asked_[link] = about;
  lines_[link].ask(question, now);
}

// A source that can be asked was ordered off when its link came up.
bool Cut::is_state_due(const Output& output, Instant now) const {
  const auto& question = output.sheet->state;
  return question && !output.verified && !output.reads_off &&
         now >= output.off_at + question->settle && now >= output.state_asked + ask_again;
}

bool Cut::is_contactor_due(const Output& output, Instant now) const {
  const auto& question = output.sheet->contactor_state;
  return question && !output.contactor_open && output.open_at != drivers::never &&
         now >= output.open_at + question->settle && now >= output.contactor_asked + ask_again;
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
  if (output.open_at != drivers::never && !sheet.contactor_state) return true;
  return now - began_ >= 4 * stage;  // it does not undo the proof
}

bool Cut::finished(Instant now) const {
  return all_off() && std::ranges::all_of(outputs_, [&](const Output& output) {
           return contactor_done(output, now);
         });
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

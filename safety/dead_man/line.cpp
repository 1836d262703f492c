#include "safety/dead_man/line.h"

#include <algorithm>

#include "drivers/scpi/number.h"

namespace chargewright::safety {

using drivers::Duration;
using drivers::Ending;
using drivers::Instant;
namespace scpi = drivers::scpi;

namespace {

// Every channel's off, setpoints and contactor on one instrument. More is never said: each order
// waits until the one before it has left (cut.cpp).
constexpr std::size_t waiting_max = 512;

}  // namespace

CutLine::CutLine(const CutLink& link) : link_(link), reader_(link.cr_ends_answers) {}

void CutLine::link_up(Instant now) {
  link_down();
  not_before_ = now;
  restart(now);
}

void CutLine::link_down() {
  said_ = sent_;
  commands_.clear();
  questions_.clear();
  if (asked_) answer_ = scpi::Meaning{.ending = Ending::link_down};
  asked_.reset();
  state_ = State::down;
  deadline_ = drivers::never;
}

std::size_t CutLine::say(std::string_view command) {
  if (!is_up() || commands_.size() >= waiting_max) return SIZE_MAX;
  commands_.push_back(std::string(command) + link_.terminator);
  return ++said_;
}

void CutLine::restart(Instant now) {
  reader_.reset();  // half an answer may have begun a string that would swallow all that follow
  questions_.clear();
  asked_.reset();
  for (const std::string& message : link_.on_connect) {
    questions_.push_back(message + link_.terminator);
  }
  if (!link_.clear.empty()) questions_.push_back(link_.clear + link_.terminator);
  if (!link_.nonce_ask.empty()) return ask_nonce(0);
  state_ = State::quiet;
  deadline_ = questions_.empty() ? now + link_.respond : drivers::never;
}

void CutLine::ask_nonce(std::size_t which) {
  questions_.push_back(link_.nonce_set[which] + link_.terminator);
  questions_.push_back(link_.nonce_ask + link_.terminator);
  state_ = which == 0 ? State::first_nonce : State::second_nonce;
  deadline_ = drivers::never;
}

void CutLine::ask(const CutQuestion& question) {
  asked_ = question;
  answer_.reset();
  questions_.push_back(question.text + link_.terminator);
  state_ = State::awaiting;
  deadline_ = drivers::never;
}

void CutLine::receive(std::string_view bytes, Instant now) {
  if (state_ == State::down) return;
  if (state_ == State::quiet && questions_.empty()) deadline_ = now + link_.respond;
  while (const auto line = reader_.next(bytes)) see(*line, now);
}

void CutLine::see(const scpi::Line& line, Instant now) {
  switch (state_) {
    case State::down:
    case State::quiet:  // what is still to come: turn() waits for its end
      return;
    case State::first_nonce:
    case State::second_nonce: {
      const std::size_t which = state_ == State::first_nonce ? 0 : 1;
      if (!questions_.empty() || line.defect != scpi::LineDefect::none ||
          scpi::parse_integer(line.text) != cut_nonces[which]) {
        // An older answer, of which there is none behind the first number: it answers twice.
        return which == 0 ? void() : restart(now);
      }
      if (which == 0) return ask_nonce(1);
      state_ = State::idle;
      deadline_ = drivers::never;
      return;
    }
    case State::idle:  // nobody asked
      return restart(now);
    case State::awaiting:
      break;
  }
  if (!questions_.empty()) return fail(Ending::unparsable, now);  // it has not even been asked
  if (line.defect != scpi::LineDefect::none) return fail(Ending::unparsable, now);
  const scpi::Meaning meaning = scpi::interpret(asked_->expect, line.text, 0);
  if (meaning.ending == Ending::unparsable) return fail(Ending::unparsable, now);
  answer_ = meaning;
  asked_.reset();
  state_ = State::idle;
  deadline_ = drivers::never;
}

void CutLine::fail(Ending ending, Instant now) {
  if (asked_) answer_ = scpi::Meaning{.ending = ending};
  restart(now);
}

void CutLine::turn(Instant now) {
  if (now < deadline_) return;
  if (state_ != State::quiet) return fail(Ending::timed_out, now);
  state_ = State::idle;
  deadline_ = drivers::never;
}

std::string CutLine::take_to_write(Instant now) {
  std::string bytes;
  while (now >= not_before_ && !(commands_.empty() && questions_.empty())) {
    auto& lane = commands_.empty() ? questions_ : commands_;
    bytes += lane.front();
    lane.pop_front();
    if (&lane == &commands_) {
      ++sent_;
    } else if (questions_.empty()) {
      deadline_ = now + link_.respond;
    }
    not_before_ = now + link_.between;
    if (link_.between > Duration::zero()) break;
  }
  return bytes;
}

Instant CutLine::wake() const {
  const bool waits = !(commands_.empty() && questions_.empty());
  return waits ? std::min(deadline_, not_before_) : deadline_;
}

std::optional<scpi::Meaning> CutLine::take_answer() {
  const auto answer = answer_;
  answer_.reset();
  return answer;
}

}  // namespace chargewright::safety

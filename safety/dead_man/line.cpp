#include "safety/dead_man/line.h"

#include <algorithm>

#include "drivers/scpi/number.h"

namespace chargewright::safety {

using drivers::Duration;
using drivers::Ending;
using drivers::Instant;
namespace scpi = drivers::scpi;

namespace {

// Nobody reads this instrument meanwhile: more patience would only delay the next try.
constexpr Duration respond_longest = std::chrono::seconds(5);
constexpr std::size_t waiting_max = 64;  // messages

}  // namespace

CutLine::CutLine(const CutLink& link) : link_(link), reader_(link.cr_ends_answers) {}

Duration CutLine::respond() const { return std::min(link_.respond, respond_longest); }

void CutLine::link_up(Instant now) {
  link_down();
  not_before_ = now;
  restart(now);
}

void CutLine::link_down() {
  commands_.clear();
  questions_.clear();
  if (asked_) answer_ = scpi::Meaning{.ending = Ending::link_down};
  asked_.reset();
  state_ = State::down;
  deadline_ = drivers::never;
}

void CutLine::say(std::string_view command) {
  if (!is_up() || commands_.size() >= waiting_max) return;
  commands_.push_back(std::string(command) + link_.terminator);
}

void CutLine::restart(Instant now) {
  reader_.reset();  // half an answer may have begun a string that would swallow all that follow
  questions_.clear();
  asked_.reset();
  for (const std::string& message : link_.on_connect) {
    questions_.push_back(message + link_.terminator);
  }
  if (!link_.clear.empty()) questions_.push_back(link_.clear + link_.terminator);
  if (!link_.nonce_ask.empty()) return ask_nonce(0, now);
  state_ = State::quiet;
  deadline_ = now + respond();
}

void CutLine::ask_nonce(std::size_t which, Instant now) {
  questions_.push_back(link_.nonce_set[which] + link_.terminator);
  questions_.push_back(link_.nonce_ask + link_.terminator);
  state_ = which == 0 ? State::first_nonce : State::second_nonce;
  deadline_ = now + respond() + static_cast<Duration::rep>(questions_.size()) * link_.between;
}

void CutLine::ask(const CutQuestion& question, Instant now) {
  asked_ = question;
  answer_.reset();
  questions_.push_back(question.text + link_.terminator);
  state_ = State::awaiting;
  deadline_ = now + respond() + link_.between;
}

void CutLine::receive(std::string_view bytes, Instant now) {
  if (state_ == State::down) return;
  if (state_ == State::quiet) deadline_ = now + respond();
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
      if (line.defect != scpi::LineDefect::none ||
          scpi::parse_integer(line.text) != cut_nonces[which]) {
        return;  // an older answer
      }
      if (which == 0) return ask_nonce(1, now);
      state_ = State::idle;
      deadline_ = drivers::never;
      return;
    }
    case State::idle:  // nobody asked
      return restart(now);
    case State::awaiting:
      break;
  }
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

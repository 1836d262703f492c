#include "drivers/scpi/conversation.h"

#include <algorithm>
#include <cstring>

#include "drivers/scpi/number.h"

namespace chargewright::drivers::scpi {
namespace {

constexpr int nonce_first = 16;  // above what booleans and short bit masks answer
constexpr int nonce_last = 250;  // an event status enable register holds 8 bits
constexpr int nonces_needed = 2;
constexpr Duration back_off_longest = std::chrono::seconds(2);

}  // namespace

Conversation::Conversation(const Dialect& dialect)
    : dialect_(dialect), reader_(dialect.cr_ends_answers) {}

void Conversation::link_up(Instant now) {
  reader_.reset();
  outbox_.clear();
  has_answer_ = false;
  attempts_ = 0;
  not_before_ = now;
  may_leave_ = false;
  said_deadline_ = never;
  out_of_step_since_ = now;
  restart(now);
}

void Conversation::link_down() {
  state_ = State::down;
  reader_.reset();
  outbox_.clear();
  has_answer_ = false;
  deadline_ = never;
}

// The first message that waits has its turn, where the pause behind the last one is over.
void Conversation::let_leave(Instant now) {
  if (may_leave_ || outbox_.empty() || now < not_before_) return;
  may_leave_ = true;
  not_before_ = later(now, dialect_.between);
}

void Conversation::written(std::size_t count) {
  if (count > 0 && count >= outbox_.first().size()) may_leave_ = false;
  outbox_.written(count);
}

// Where nothing was sent in a turn, it is the next one's.
bool Conversation::take_back() {
  if (!outbox_.recall()) return false;
  if (may_leave_ && outbox_.empty()) {
    may_leave_ = false;
    not_before_ = Instant{};
  }
  return true;
}

void Conversation::receive(std::string_view bytes, Instant now) {
  if (state_ == State::down) return;
  expire(now);  // an answer that comes after its deadline is late, though nobody looked yet
  bool answered = false;
  if (state_ == State::draining) deadline_ = std::min(later(now, quiet_time()), drain_end_);
  while (!bytes.empty()) {
    const std::optional<Line> line = reader_.next(bytes);
    if (!line) break;
    const bool awaited = state_ == State::awaiting;
    see_line(*line, now, answered);
    answered = answered || awaited;
  }
  if (state_ == State::idle && reader_.has_partial()) {
    // It would stand in front of the next answer: "4" and "1.05" make "41.05".
    ++troubles_.unsolicited;
    if (answered) answer_.kind = Answer::Kind::garbled;
    fall_out_of_step(now, true);
  }
}

void Conversation::see_line(const Line& line, Instant now, bool answered_before) {
  if (line.defect != LineDefect::none) ++troubles_.defective;
  switch (state_) {
    case State::down:
      return;
    case State::draining:
    case State::waiting:
      ++troubles_.discarded;
      return;
    case State::restarting:
      return see_stray(now);
    case State::listening:
      see_resync_line(line, now);
      return;
    case State::idle:
      ++troubles_.unsolicited;
      // Two lines for one question: which of them is the answer, nobody can tell.
      if (answered_before && has_answer_) answer_.kind = Answer::Kind::garbled;
      fall_out_of_step(now, true);
      return;
    case State::awaiting:
      if (!outbox_.holds_only_urgent()) {
        // The question has not left yet: whatever this answers, it is something else.
        ++troubles_.unsolicited;
        give_up_question(Answer::Kind::garbled, now);
        fall_out_of_step(now, true);
        return;
      }
      has_answer_ = true;
      answer_ = {.kind = Answer::Kind::line, .line = line.text, .at = now};
      state_ = State::idle;
      deadline_ = never;
      if (line.defect != LineDefect::none) {
        answer_.kind = Answer::Kind::garbled;
        fall_out_of_step(now, true);
      }
      return;
  }
}

// Out of step, a line that answers nothing. Behind the first number there is nothing left to come:
// an instrument that answers twice would go on to, a moment after the next question has left.
void Conversation::see_stray(Instant now) {
  ++troubles_.discarded;
  if (confirmations_ > 0) attempt_failed(now);
}

void Conversation::see_resync_line(const Line& line, Instant now) {
  // What was asked has not left yet.
  if (!outbox_.holds_only_urgent()) return see_stray(now);
  if (!dialect_.resync) {
    ++window_lines_;
    window_good_ = line.defect == LineDefect::none && is_known_identity(line.text);
    if (!window_good_) ++troubles_.discarded;
    return;
  }
  const std::optional<std::int32_t> number =
      line.defect == LineDefect::none ? parse_integer(line.text) : std::nullopt;
  if (number != nonce_) return see_stray(now);
  if (++confirmations_ < nonces_needed) {
    step_ = 1 + dialect_.on_connect.size();
    state_ = State::restarting;
    continue_restart(now);
    return;
  }
  state_ = State::idle;
  deadline_ = never;
}

void Conversation::turn(Instant now) {
  if (state_ == State::down) return;
  let_leave(now);
  expire(now);
  if (state_ == State::restarting) continue_restart(now);
}

void Conversation::expire(Instant now) {
  switch (state_) {
    case State::down:
    case State::restarting:
      return;
    case State::draining:
      if (now >= deadline_) restart(now);
      return;
    case State::waiting:
      if (now >= deadline_) {
        fall_out_of_step(now, true);
      }
      return;
    case State::listening:
      if (now >= deadline_) window_closed(now);
      return;
    case State::awaiting:
      if (now >= deadline_) {
        ++troubles_.timed_out;
        give_up_question(Answer::Kind::timed_out, now);
        fall_out_of_step(now, true);
      }
      return;
    case State::idle:
      if (outbox_.holds_only_urgent()) {
        said_deadline_ = never;
      } else if (now >= said_deadline_) {
        fall_out_of_step(now, true);  // the link does not take what it is given
      }
      return;
  }
}

void Conversation::window_closed(Instant now) {
  // Without a nonce, one identity and silence all through the deadline must do: two identities
  // could be a late one and the answer still to come.
  if (!dialect_.resync && window_lines_ == 1 && window_good_ && !reader_.has_partial()) {
    state_ = State::idle;
    deadline_ = never;
    return;
  }
  attempt_failed(now);
}

void Conversation::attempt_failed(Instant now) {
  take_back();
  reader_.reset();
  Duration pause = dialect_.respond;
  for (int i = 0; i < attempts_ && pause < back_off_longest; ++i) pause *= 2;
  ++attempts_;
  state_ = State::waiting;
  deadline_ = later(now, std::min(pause, std::max(back_off_longest, dialect_.respond)));
}

void Conversation::give_up_question(Answer::Kind kind, Instant now) {
  has_answer_ = true;
  answer_ = {.kind = kind, .line = {}, .at = now};
}

void Conversation::fall_out_of_step(Instant now, bool drain) {
  if (in_step()) {
    ++troubles_.recoveries;
    out_of_step_since_ = now;
    attempts_ = 0;
  }
  if (take_back()) dropped_ = true;
  said_deadline_ = never;
  if (!drain) {
    restart(now);
    return;
  }
  state_ = State::draining;
  deadline_ = later(now, quiet_time());
  drain_end_ = later(deadline_, dialect_.respond);
}

// How long the line must be silent to count as quiet. With a nonce this is only courtesy: answers
// still on their way are told apart by it.
Duration Conversation::quiet_time() const {
  if (!dialect_.resync) return dialect_.respond;
  return std::clamp<Duration>(dialect_.respond / 10, std::chrono::milliseconds(5),
                              std::chrono::milliseconds(50));
}

void Conversation::restart(Instant now) {
  reader_.reset();
  step_ = 0;
  confirmations_ = 0;
  state_ = State::restarting;
  continue_restart(now);
}

void Conversation::continue_restart(Instant now) {
  while (state_ == State::restarting && now >= not_before_) {
    if (!send_step(now)) {
      attempt_failed(now);
      return;
    }
  }
}

// clear, on-connect messages, then the resync command and question, with the pause between two.
bool Conversation::send_step(Instant now) {
  const std::size_t on_connect = dialect_.on_connect.size();
  char text[message_length_max];
  const auto send = [&](const Template& message) {
    if (message.empty()) return true;
    const auto size = fill(message, {.nonce = nonce_}, text, sizeof text);
    if (!size || !outbox_.append({text, *size}, dialect_.terminator)) return false;
    let_leave(now);
    return true;
  };
  if (step_ == 0) {
    ++step_;
    return send(dialect_.clear);
  }
  if (step_ <= on_connect) return send(dialect_.on_connect[step_++ - 1]);
  if (step_ == on_connect + 1) {
    ++step_;
    if (!dialect_.resync) return true;
    nonce_ = nonce_ >= nonce_last || nonce_ < nonce_first ? nonce_first : nonce_ + 1;
    return send(dialect_.resync_send);
  }
  state_ = State::listening;
  deadline_ = later(now, dialect_.respond);
  window_lines_ = 0;
  window_good_ = false;
  if (dialect_.resync) return send(*dialect_.resync);
  const Spelling& identify = dialect_[Verb::identify];
  return !identify.absent && send(identify.ask->message);
}

bool Conversation::ready(Instant now) const { return state_ == State::idle && now >= ready_from(); }

Instant Conversation::ready_from() const {
  if (state_ != State::idle || has_answer_ || !outbox_.holds_only_urgent()) return never;
  // What is urgent has the next turn.
  if (dialect_.between > Duration::zero() && !outbox_.empty()) return never;
  return not_before_;
}

void Conversation::say(std::string_view message, Instant now) {
  dropped_ = false;
  if (!outbox_.append(message, dialect_.terminator)) {
    dropped_ = true;
    fall_out_of_step(now, true);
    return;
  }
  let_leave(now);
  said_deadline_ = later(now, dialect_.respond);
}

void Conversation::ask(std::string_view message, Instant now) {
  if (!outbox_.append(message, dialect_.terminator)) {
    give_up_question(Answer::Kind::timed_out, now);
    fall_out_of_step(now, true);
    return;
  }
  let_leave(now);
  state_ = State::awaiting;
  deadline_ = later(now, dialect_.respond);
}

bool Conversation::urgent(std::string_view message, Instant now) {
  if (state_ == State::down) return false;
  if (!outbox_.append_urgent(message, dialect_.terminator)) return false;
  let_leave(now);
  return true;
}

bool Conversation::recall() {
  if (!in_step() || !take_back()) return false;
  state_ = State::idle;
  deadline_ = never;
  return true;
}

void Conversation::distrust(Instant now) {
  if (in_step()) fall_out_of_step(now, false);
}

bool Conversation::take(Answer& answer) {
  if (!has_answer_) return false;
  answer = answer_;
  has_answer_ = false;
  return true;
}

void Conversation::remember_identity(std::string_view identity) {
  identity_size_ = std::min(identity.size(), identity_.size());
  std::memcpy(identity_.data(), identity.data(), identity_size_);
}

bool Conversation::is_known_identity(std::string_view line) const {
  if (identity_size_ > 0) return line == std::string_view(identity_.data(), identity_size_);
  return parse_identification(line).has_value();
}

Instant Conversation::wake() const {
  const bool waits = dialect_.between > Duration::zero() && !may_leave_ && !outbox_.empty();
  const Instant turn = waits && state_ != State::down ? not_before_ : never;
  switch (state_) {
    case State::down:
      return never;
    case State::restarting:
      return not_before_;
    case State::idle:
      return std::min(turn, outbox_.holds_only_urgent() ? never : said_deadline_);
    case State::draining:
    case State::listening:
    case State::waiting:
    case State::awaiting:
      return std::min(turn, deadline_);
  }
  return never;
}

}  // namespace chargewright::drivers::scpi

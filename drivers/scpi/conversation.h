#pragma once
// Keeps question and answer together with one instrument, whatever the link does to them. Plain
// code, fed bytes and time; puts out bytes. No allocation after construction, no exceptions. Knows
// messages and lines, not what they mean (drivers/instrument.h does).
//
// One question is in flight at a time, with a deadline. A response message carries nothing that
// says which question it answers, so after a time-out, an unsolicited byte or an answer that made
// no sense the conversation is out of step until it has proved the contrary: it drains the line,
// clears the instrument and asks for a number that it has just set and that changes every time. A
// stream keeps its order, so when that number comes back, all that was asked before has been
// answered or never will be. Twice, with two numbers: a late answer may happen to equal the first
// one, and a line between the two is one too many: it begins anew. Until then everything that
// arrives is discarded, and no question is asked (S3).
//
// A cut does not wait for any of this: urgent() goes out at once (S4); but not sooner behind
// another message than the instrument wants, since it might not hear it.

#include <array>
#include <cstdint>
#include <string_view>
#include <utility>

#include "drivers/dialect.h"
#include "drivers/instant.h"
#include "drivers/scpi/message.h"
#include "drivers/scpi/outbox.h"

namespace chargewright::drivers::scpi {

struct Answer {
  enum class Kind : std::uint8_t {
    line,
    garbled,    // not a line that a response can be, or more than one answer to one question
    timed_out,  // also: the conversation fell out of step before the answer came
  };
  Kind kind = Kind::timed_out;
  std::string_view line;  // valid until the conversation is next fed bytes
  Instant at{};
};

// What went wrong so far.
struct Troubles {
  std::uint32_t timed_out = 0;    // questions
  std::uint32_t unsolicited = 0;  // lines, or parts of one, that nobody asked for
  std::uint32_t discarded = 0;    // lines dropped while out of step
  std::uint32_t defective = 0;    // lines with garbage in them, or too long
  std::uint32_t recoveries = 0;   // times it fell out of step
};

class Conversation {
 public:
  // `dialect` outlives the conversation.
  explicit Conversation(const Dialect& dialect);

  void link_up(Instant now);
  void link_down();
  void receive(std::string_view bytes, Instant now);
  void turn(Instant now);
  [[nodiscard]] std::string_view to_write() const {
    if (dialect_.between == Duration::zero()) return outbox_.to_write();
    return may_leave_ ? outbox_.first() : std::string_view{};
  }
  void written(std::size_t count);
  [[nodiscard]] Instant wake() const;

  // The next message may be given: in step, nothing in flight or unwritten, pause over.
  [[nodiscard]] bool ready(Instant now) const;
  [[nodiscard]] Instant ready_from() const;  // never, if something else must happen first
  // Messages come without a terminator. Only when ready().
  void say(std::string_view message, Instant now);  // no answer comes
  void ask(std::string_view message, Instant now);
  // Past everything of which no byte has left yet; in any state but down. False: down, or so many
  // urgent messages wait already that there is no room.
  bool urgent(std::string_view message, Instant now);
  // Takes back the ordinary message, if no byte of it has left yet; a question is then not in
  // flight any more.
  bool recall();
  // What was said was dropped before it left, because the conversation fell out of step; told once.
  bool take_dropped() { return std::exchange(dropped_, false); }
  // An urgent message has not left yet, be it in part.
  [[nodiscard]] bool urgent_waits() const { return outbox_.holds_urgent(); }
  // The line was no answer to the question: what follows cannot be trusted either.
  void distrust(Instant now);

  [[nodiscard]] bool take(Answer& answer);

  [[nodiscard]] bool is_up() const { return state_ != State::down; }
  [[nodiscard]] bool in_step() const { return state_ == State::idle || state_ == State::awaiting; }
  [[nodiscard]] bool is_awaiting() const { return state_ == State::awaiting; }
  [[nodiscard]] Instant out_of_step_since() const { return out_of_step_since_; }
  [[nodiscard]] const Troubles& troubles() const { return troubles_; }
  // For instruments without resync: what the *IDN? answer must be to be taken as a sign of life.
  void remember_identity(std::string_view identity);

 private:
  enum class State : std::uint8_t {
    down,
    draining,    // waiting for the line to fall quiet
    restarting,  // sending clear, on-connect and resync messages, one by one
    listening,   // for the nonce, or the identity
    waiting,     // backing off before the next attempt
    idle,
    awaiting,  // the answer to a question
  };

  void fall_out_of_step(Instant now, bool drain);
  void give_up_question(Answer::Kind kind, Instant now);
  void see_line(const Line& line, Instant now, bool answered_before);
  void see_stray(Instant now);
  void see_resync_line(const Line& line, Instant now);
  void expire(Instant now);
  void attempt_failed(Instant now);
  void restart(Instant now);
  void continue_restart(Instant now);
  void window_closed(Instant now);
  bool send_step(Instant now);
  void send_template(const Template& message);
  [[nodiscard]] bool is_known_identity(std::string_view line) const;
  [[nodiscard]] Duration quiet_time() const;
  void let_leave(Instant now);
  bool take_back();

  const Dialect& dialect_;
  LineReader reader_;
  Outbox outbox_;
  State state_ = State::down;
  Instant deadline_ = never;       // of awaiting, listening and waiting; end of quiet when draining
  Instant drain_end_ = never;      // draining goes on no longer than this
  Instant not_before_{};           // the next message leaves, because of the pause between two
  bool may_leave_ = false;         // the first one that waits, where there are such pauses
  Instant said_deadline_ = never;  // the link must have taken what was said by then
  Instant out_of_step_since_{};
  std::size_t step_ = 0;  // of the restart
  int nonce_ = 15;
  int confirmations_ = 0;  // nonces that came back in this attempt
  int attempts_ = 0;
  int window_lines_ = 0;  // lines heard while listening for the identity
  bool window_good_ = false;
  bool dropped_ = false;
  bool has_answer_ = false;
  Answer answer_;
  Troubles troubles_;
  std::array<char, 256> identity_;
  std::size_t identity_size_ = 0;
};

}  // namespace chargewright::drivers::scpi

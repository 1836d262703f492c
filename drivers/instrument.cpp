#include "drivers/instrument.h"

#include <algorithm>
#include <array>
#include <cstring>
#include <regex>

#include "drivers/ring.h"
#include "drivers/scpi/conversation.h"
#include "drivers/scpi/message.h"
#include "drivers/scpi/reply.h"

namespace chargewright::drivers {
namespace {

using scpi::Answer;

// All that 16 channels may have under way with one instrument: of what is refused, the same
// questions would be refused in each cycle.
constexpr std::size_t orders_max = 256;
constexpr std::size_t urgent_max = 32;
constexpr int errors_max = 32;  // more than an error queue holds
constexpr std::size_t identification_max = 256;

// Polynomial: matches in bounded time whatever the pattern. A pattern like (a*)*b would otherwise
// keep the guard busy for hours. (An extension of libstdc++.)
constexpr auto pattern_syntax = std::regex::ECMAScript | std::regex_constants::__polynomial;

struct Job {
  enum class Stage : std::uint8_t {
    to_send,
    said,  // its command has no proof: done when the link has taken it
    to_ask,
    asking,
  };
  Order order;
  Stage stage = Stage::to_send;
  Instant ordered{};
  Instant ready_from{};  // settling time of the command before its proof
  Instant asked{};       // command, or question where there is no command
  int errors = 0;        // drained so far
  std::int32_t first_error = 0;
};

bool belongs_to_channel(Verb verb) { return verb != Verb::identify && verb != Verb::drain_errors; }

std::optional<std::regex> compile_pattern(std::string_view pattern) {
  if (pattern.size() > identification_max) return std::nullopt;
  try {
    return std::regex(pattern.begin(), pattern.end(), pattern_syntax);
  } catch (const std::regex_error&) {
    return std::nullopt;
  }
}

}  // namespace

Result<void> check_identity_pattern(std::string_view pattern) {
  if (pattern.size() > identification_max) {
    return Failure{.place = {}, .cause = "an identity of more than 256 characters", .advice = {}};
  }
  if (!compile_pattern(pattern)) {
    return Failure{.place = {},
                   .cause = "identity `" + std::string(pattern) + "` is not a regular expression",
                   .advice = "write it like \"Example,PS-20-20,.*\", without back references"};
  }
  return {};
}

struct Instrument::State {
  template <std::size_t capacity>
  using Lane = Ring<Job, capacity>;

  explicit State(InstrumentSpec given)
      : spec(std::move(given)),
        conversation(spec.dialect),
        pattern(compile_pattern(spec.identity)) {}

  InstrumentSpec spec;
  scpi::Conversation conversation;
  std::optional<std::regex> pattern;
  Lane<urgent_max> urgent;
  Lane<orders_max> ordinary;
  Ring<Outcome, 2 * orders_max> outcomes;
  bool urgent_asked_last = false;  // which lane's first job asks, or asked the question before
  Instant question_at{};
  Duration round_trip{};
  Duration round_trip_worst{};
  std::array<char, identification_max> identification;
  std::size_t identification_size = 0;
  bool matches = false;  // the identification, the pattern
  std::array<char, message_length_max> message;

  [[nodiscard]] const Spelling& spelling(const Job& job) const {
    return spec.dialect[job.order.verb];
  }
  [[nodiscard]] bool urgent_said() const {
    return !urgent.empty() && urgent.front().stage == Job::Stage::said;
  }
  // Whose first job has the next turn. Proofs that follow each other leave every second question to
  // the rest: of a slow instrument, repeated orders would else keep all that it says of their own
  // current, and of every other channel, from being asked.
  [[nodiscard]] bool urgent_is_next(Instant now) const {
    if (urgent.empty() || ordinary.empty()) return !urgent.empty();
    return !urgent_asked_last || ordinary.front().ready_from > now;
  }

  void report(const Outcome& outcome) { (void)outcomes.push(outcome); }
  void end_now(const Order& order, Ending ending, Instant now) {
    report({.order = order, .ending = ending, .asked = now, .answered = now});
  }
  void end(const Job& job, Ending ending, double value, Instant at) {
    report({.order = job.order,
            .ending = ending,
            .value = value,
            .device_error = job.first_error,
            .asked = job.asked,
            .answered = at});
  }
  template <std::size_t capacity>
  void end_first(Lane<capacity>& lane, Ending ending, double value, Instant at) {
    end(lane.front(), ending, value, at);
    lane.drop_front();
  }

  void accept(const Order& order, Instant now);
  void accept_urgent(const Order& order, Instant now);
  void take_back();
  void refuse_voided(const Order& order, Instant now);
  std::optional<std::string_view> compose(const Template& text, const Order& order);
  void advance(Instant now);
  template <std::size_t capacity>
  bool start(Lane<capacity>& lane, Instant now);
  template <std::size_t capacity>
  void conclude(Lane<capacity>& lane, const Answer& answer, Instant now);
  template <std::size_t capacity>
  void conclude_error(Lane<capacity>& lane, const Answer& answer, Instant now);
  scpi::Meaning identify(std::string_view line);
  [[nodiscard]] bool matches_pattern(std::string_view line) const;
  [[nodiscard]] Instant patience_end(const Job& job) const;
  void end_impatient(Instant now);
  [[nodiscard]] Instant wake() const;
};

void Instrument::State::accept(const Order& order, Instant now) {
  const Spelling& spelling = spec.dialect[order.verb];
  if (spelling.absent) return end_now(order, Ending::absent, now);
  if (!conversation.is_up()) return end_now(order, Ending::link_down, now);
  if (order.urgent) return accept_urgent(order, now);
  const Job job{.order = order,
                .stage = spelling.send.empty() ? Job::Stage::to_ask : Job::Stage::to_send,
                .ordered = now,
                .ready_from = now,
                .asked = now};
  if (!ordinary.push(job)) end_now(order, Ending::refused, now);
}

// S4: the command leaves now, whatever is going on; what has not left yet is sent anew behind it.
void Instrument::State::accept_urgent(const Order& order, Instant now) {
  const Spelling& spelling = spec.dialect[order.verb];
  Job job{
      .order = order, .stage = Job::Stage::to_ask, .ordered = now, .ready_from = now, .asked = now};
  if (!spelling.send.empty()) {
    take_back();
    refuse_voided(order, now);
    const std::optional<std::string_view> text = compose(spelling.send, order);
    if (!text || !conversation.urgent(*text, now)) return end_now(order, Ending::refused, now);
    if (!spelling.ask) job.stage = Job::Stage::said;
    // It may have to wait for a pause before it leaves.
    job.ready_from = later(now, spec.dialect.between + spec.dialect.settle);
  }
  if (!urgent.push(job)) end_now(order, Ending::refused, now);
}

// The message in hand may be what an urgent one makes void.
void Instrument::State::take_back() {
  const bool was_asking = conversation.is_awaiting();
  if (!conversation.recall()) return;
  if (was_asking) {
    (urgent_asked_last ? urgent.front() : ordinary.front()).stage = Job::Stage::to_ask;
    urgent_asked_last = false;  // it was not asked
  } else if (!ordinary.empty()) {
    ordinary.front().stage = Job::Stage::to_send;  // only ordinary commands wait in line
  }
}

void Instrument::State::refuse_voided(const Order& order, Instant now) {
  for (std::size_t left = ordinary.size(); left > 0; --left) {
    Job job;
    (void)ordinary.pop(job);
    const bool same_channel = order.channel == 0 || job.order.channel == order.channel;
    if (job.stage == Job::Stage::to_send && same_channel && voids(order.verb, job.order.verb)) {
      end(job, Ending::refused, 0, now);
    } else {
      (void)ordinary.push(job);
    }
  }
}

// The message, with the selection of its channel joined in front; always, since a hand at the panel
// or another program may have selected another one, whose output would then be read and switched.
std::optional<std::string_view> Instrument::State::compose(const Template& text,
                                                           const Order& order) {
  const Dialect& dialect = spec.dialect;
  char* const into = message.data();
  const Filling filling{.value = order.value, .channel = order.channel};
  std::size_t size = 0;
  const bool select =
      !dialect.select.empty() && order.channel != 0 && belongs_to_channel(order.verb);
  if (select) {
    constexpr std::size_t joint = 2;  // `;:`
    const auto selection = fill(dialect.select, filling, into, message.size() - joint);
    if (!selection) return std::nullopt;
    size = *selection;
    into[size++] = ';';
    const std::string& head = text.pieces.front().text;
    const bool from_root = !head.empty() && (head.front() == '*' || head.front() == ':');
    if (!from_root) into[size++] = ':';
  }
  const auto rest = fill(text, filling, into + size, message.size() - size);
  if (!rest) return std::nullopt;
  return std::string_view(into, size + *rest);
}

void Instrument::State::advance(Instant now) {
  // Each turn of the loop takes an answer, ends an order or fills the outbox: it cannot go on for
  // long, but a bound costs nothing.
  for (std::size_t i = 0; i < 4 * (orders_max + urgent_max); ++i) {
    Answer answer;
    if (conversation.take(answer)) {
      if (urgent_asked_last) {
        conclude(urgent, answer, now);
      } else {
        conclude(ordinary, answer, now);
      }
      continue;
    }
    if (conversation.take_dropped() && !ordinary.empty() &&
        ordinary.front().stage == Job::Stage::said) {
      end_first(ordinary, Ending::timed_out, 0, now);  // nobody may believe that it was said
    }
    if (urgent_said() && !conversation.urgent_waits()) {
      end_first(urgent, Ending::done, urgent.front().order.value, now);
      continue;
    }
    if (!conversation.in_step()) {
      end_impatient(now);
      return;
    }
    if ((urgent.empty() && ordinary.empty()) || !conversation.ready(now)) return;
    if (!ordinary.empty() && ordinary.front().stage == Job::Stage::said) {
      end_first(ordinary, Ending::done, ordinary.front().order.value, now);
      continue;
    }
    if (urgent_said()) return;  // the link has not taken it yet
    const bool of_urgent = urgent_is_next(now);
    if ((of_urgent ? urgent.front() : ordinary.front()).ready_from > now) return;
    const bool asks = of_urgent ? start(urgent, now) : start(ordinary, now);
    if (asks) urgent_asked_last = of_urgent;
  }
}

// Sends what is next of a lane's first job; true where that is its question.
template <std::size_t capacity>
bool Instrument::State::start(Lane<capacity>& lane, Instant now) {
  Job& job = lane.front();
  const Spelling& spells = spelling(job);
  const bool sends = job.stage == Job::Stage::to_send;
  const std::optional<std::string_view> text =
      compose(sends ? spells.send : spells.ask->message, job.order);
  if (!text) {
    end_first(lane, Ending::refused, 0, now);
    return false;
  }
  if (spells.send.empty() || sends) job.asked = now;
  if (sends) {
    conversation.say(*text, now);
    job.stage = spells.ask ? Job::Stage::to_ask : Job::Stage::said;
    if (spells.ask) job.ready_from = later(now, spec.dialect.settle);
    return false;
  }
  question_at = now;
  job.stage = Job::Stage::asking;
  conversation.ask(*text, now);
  return true;
}

template <std::size_t capacity>
void Instrument::State::conclude(Lane<capacity>& lane, const Answer& answer, Instant now) {
  if (answer.kind == Answer::Kind::timed_out) {
    return end_first(lane, Ending::timed_out, 0, answer.at);
  }
  if (answer.kind == Answer::Kind::garbled) {
    return end_first(lane, Ending::unparsable, 0, answer.at);
  }
  const Duration took = answer.at - question_at;
  round_trip_worst = std::max(round_trip_worst, took);
  round_trip = round_trip == Duration::zero() ? took : round_trip + (took - round_trip) / 8;
  const Job& job = lane.front();
  const Ask& ask = *spelling(job).ask;
  if (ask.expect == Expect::error) return conclude_error(lane, answer, now);
  const scpi::Meaning meaning = ask.expect == Expect::identity
                                    ? identify(answer.line)
                                    : scpi::interpret(ask, answer.line, job.order.value);
  end_first(lane, meaning.ending, meaning.value, answer.at);
  if (meaning.ending == Ending::unparsable) conversation.distrust(now);
}

// One entry of the error queue; the first number is kept, and the question repeated until it is
// empty.
template <std::size_t capacity>
void Instrument::State::conclude_error(Lane<capacity>& lane, const Answer& answer, Instant now) {
  Job& job = lane.front();
  const std::optional<scpi::ErrorEntry> entry = scpi::parse_error(answer.line);
  if (!entry) {
    end_first(lane, Ending::unparsable, 0, answer.at);
    conversation.distrust(now);
    return;
  }
  if (entry->number == 0) return end_first(lane, Ending::done, job.errors, answer.at);
  if (job.errors++ == 0) job.first_error = entry->number;
  if (job.errors == errors_max) {
    return end_first(lane, Ending::device_error, job.errors, answer.at);
  }
  // Whatever else waits has its turn between two entries: a queue may hold many, and a reading that
  // waits for all of them would be stale.
  Job next = job;
  next.stage = Job::Stage::to_ask;
  next.ordered = answer.at;
  lane.drop_front();
  (void)lane.push(next);
}

bool Instrument::State::matches_pattern(std::string_view line) const {
  try {
    return pattern && std::regex_match(line.begin(), line.end(), *pattern);
  } catch (const std::regex_error&) {
    return false;  // too complex for this text
  }
}

scpi::Meaning Instrument::State::identify(std::string_view line) {
  if (line.size() > identification.size() || !scpi::parse_identification(line)) {
    return {Ending::unparsable, 0};
  }
  // Matching allocates: the same text is not matched again.
  const bool known = line == std::string_view(identification.data(), identification_size);
  std::memcpy(identification.data(), line.data(), line.size());
  identification_size = line.size();
  conversation.remember_identity(line);
  if (spec.identity.empty()) return {Ending::done, 1};
  if (!known) matches = matches_pattern(line);
  return {Ending::done, matches ? 1.0 : 0.0};
}

// An order waits out a recovery, but not for ever.
Instant Instrument::State::patience_end(const Job& job) const {
  const Duration respond = spec.dialect.respond;
  // Without a nonce a recovery takes a silence and a window of `respond` each.
  const Duration patience = spec.dialect.resync ? respond : 3 * respond;
  return later(std::max(job.ordered, conversation.out_of_step_since()), patience);
}

void Instrument::State::end_impatient(Instant now) {
  while (!urgent.empty() && now >= patience_end(urgent.front())) {
    end_first(urgent, Ending::timed_out, 0, now);
  }
  while (!ordinary.empty() && now >= patience_end(ordinary.front())) {
    end_first(ordinary, Ending::timed_out, 0, now);
  }
}

Instant Instrument::State::wake() const {
  if (urgent_said() && !conversation.urgent_waits()) return Instant{};
  Instant soonest = conversation.wake();
  if (!conversation.in_step()) {
    if (!urgent.empty()) soonest = std::min(soonest, patience_end(urgent.front()));
    if (!ordinary.empty()) soonest = std::min(soonest, patience_end(ordinary.front()));
    return soonest;
  }
  // An urgent command that the link has not taken yet: time alone brings nothing.
  if (urgent_said()) return soonest;
  if (urgent.empty() && ordinary.empty()) return soonest;
  Instant next = urgent.empty() ? never : urgent.front().ready_from;
  if (!ordinary.empty() && (urgent.empty() || urgent_asked_last)) {
    next = std::min(next, ordinary.front().ready_from);
  }
  return std::min(soonest, std::max(conversation.ready_from(), next));
}

Instrument::Instrument(InstrumentSpec spec) : state_(std::make_unique<State>(std::move(spec))) {}
Instrument::~Instrument() = default;
Instrument::Instrument(Instrument&&) noexcept = default;
Instrument& Instrument::operator=(Instrument&&) noexcept = default;

void Instrument::order(const Order& order, Instant now) {
  state_->accept(order, now);
  state_->advance(now);
}

void Instrument::link_up(Instant now) {
  if (state_->conversation.is_up()) link_down(now);
  state_->conversation.link_up(now);
  state_->advance(now);
}

void Instrument::link_down(Instant now) {
  state_->conversation.link_down();
  while (!state_->urgent.empty()) state_->end_first(state_->urgent, Ending::link_down, 0, now);
  while (!state_->ordinary.empty()) state_->end_first(state_->ordinary, Ending::link_down, 0, now);
}

void Instrument::receive(std::string_view bytes, Instant now) {
  state_->conversation.receive(bytes, now);
  state_->advance(now);
}

void Instrument::turn(Instant now) {
  state_->conversation.turn(now);
  state_->advance(now);
}

std::string_view Instrument::to_write() const { return state_->conversation.to_write(); }
void Instrument::written(std::size_t bytes) { state_->conversation.written(bytes); }
bool Instrument::take(Outcome& outcome) { return state_->outcomes.pop(outcome); }
Instant Instrument::wake() const { return state_->wake(); }

const InstrumentSpec& Instrument::spec() const { return state_->spec; }

std::string_view Instrument::identification() const {
  return {state_->identification.data(), state_->identification_size};
}

bool Instrument::is_simulated() const {
  const auto fields = scpi::parse_identification(identification());
  return fields && fields->model.starts_with("Simulated");
}

bool Instrument::is_up() const { return state_->conversation.is_up(); }
bool Instrument::is_in_step() const { return state_->conversation.in_step(); }
Duration Instrument::round_trip() const { return state_->round_trip; }
Duration Instrument::round_trip_worst() const { return state_->round_trip_worst; }
const scpi::Troubles& Instrument::troubles() const { return state_->conversation.troubles(); }

}  // namespace chargewright::drivers

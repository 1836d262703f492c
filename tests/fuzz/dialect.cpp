// Dialect files: one that loads can speak, in messages of printable characters that fit where they
// are written, about every verb that it claims to have; one that does not says why and where.

#include "drivers/dialect.h"

#include <cmath>

#include "drivers/instrument.h"
#include "tests/fuzz/fuzz.h"
#include "tests/support/places.h"

namespace chargewright::fuzz {
namespace {

using namespace drivers;

void claim_printable(std::string_view bytes) {
  for (const char c : bytes) CLAIM(c == '\n' || c == '\r' || (c >= 0x20 && c < 0x7F));
}

void claim_fillable(const Template& message) {
  char room[message_length_max];
  const auto size = fill(message, {.value = 1.25, .channel = 1, .nonce = 16}, room, sizeof room);
  CLAIM(size.has_value());
  claim_printable({room, *size});
}

void claim_sound(const Dialect& dialect) {
  CLAIM(!dialect.terminator.empty());
  CLAIM(dialect.respond > Duration::zero());
  CLAIM(dialect.between >= Duration::zero() && dialect.settle >= Duration::zero());
  CLAIM(!dialect.files.empty());
  CLAIM(!dialect.resync || dialect.resync_send.has(Template::Piece::Hole::nonce));
  claim_fillable(dialect.select);
  claim_fillable(dialect.clear);
  claim_fillable(dialect.resync_send);
  for (const Template& message : dialect.on_connect) claim_fillable(message);
  for (const Spelling& spelling : dialect.verbs) {
    if (spelling.absent) continue;
    CLAIM(!spelling.send.empty() || spelling.ask.has_value());
    claim_fillable(spelling.send);
    if (!spelling.ask) continue;
    CLAIM(!spelling.ask->message.empty());
    claim_fillable(spelling.ask->message);
    CLAIM(std::isfinite(spelling.ask->scale) && std::isfinite(spelling.ask->offset));
    CLAIM(std::isfinite(spelling.ask->within) && spelling.ask->within >= 0);
    CLAIM(spelling.ask->expect != Expect::proof || !spelling.ask->parts.empty());
  }
}

// All its verbs, with an instrument that says "1" to everything.
void speak(const Dialect& dialect) {
  Instrument instrument({.name = "S1", .id = 0, .identity = {}, .dialect = dialect});
  Instant now{};
  instrument.link_up(now);
  for (std::uint8_t verb = 0; verb < verb_count; ++verb) {
    instrument.order({.ticket = verb,
                      .instrument = 0,
                      .channel = 1,
                      .verb = static_cast<Verb>(verb),
                      .urgent = verb % 3 == 0,
                      .value = 1},
                     now);
  }
  int outcomes = 0;
  for (int i = 0; i < 100'000 && outcomes < verb_count; ++i) {
    const std::string_view bytes = instrument.to_write();
    claim_printable(bytes);
    if (!bytes.empty()) {
      instrument.written(bytes.size());
      instrument.receive("1\n", now);
    } else {
      now = std::max(now, instrument.wake());
      instrument.turn(now);
    }
    Outcome outcome;
    while (instrument.take(outcome)) ++outcomes;
  }
  CLAIM(outcomes == verb_count);
}

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  static const std::string shipped = chargewright::test::in_source("drivers/dialects");
  const std::string_view text(reinterpret_cast<const char*>(data), size);
  write_file(folder() + "/fuzzed.yaml", text);
  const auto dialect = chargewright::drivers::load_dialect("fuzzed", {folder(), shipped});
  if (!dialect) {
    claim_explained(dialect.error());
    return 0;
  }
  CLAIM(dialect->files.front().text == text);
  claim_sound(*dialect);
  speak(*dialect);
  return 0;
}

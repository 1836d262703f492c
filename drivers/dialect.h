#pragma once
// How an instrument spells each verb: data, not code (drivers/dialects/*.yaml; format in
// docs/bench-and-dialects.md). A verb that the dialect lacks says `absent`. Loading compiles the
// templates, so that a running conversation formats numbers without allocating.

#include <array>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/document.h"
#include "drivers/failure.h"
#include "drivers/order.h"

namespace chargewright::drivers {

// A message with holes: "SOUR:VOLT {value:.4f}", "INST:NSEL {channel}", "*ESE {nonce}".
struct Template {
  struct Piece {
    enum class Hole : std::uint8_t { none, value, channel, nonce } hole = Hole::none;
    std::string text;  // for none
    int digits = 6;    // after the point, for value
    double scale = 1;  // value is multiplied by this before it is written
  };
  std::vector<Piece> pieces;
  [[nodiscard]] bool empty() const { return pieces.empty(); }
};

enum class Expect : std::uint8_t { number, boolean, integer, string, identity, bits, error };

struct Ask {
  Template message;
  Expect expect = Expect::number;
  double scale = 1;   // answer times this is in the verb's unit
  double within = 0;  // for a proof: allowed difference from what was written, verb's unit
  // For `bits`: answer & mask, looked up in the map in order; none fits -> 0.
  struct Bits {
    std::uint32_t mask = 0;
    std::uint32_t equals = 0;
    int means = 0;
  };
  std::vector<Bits> bits;
};

// One verb: what to send (maybe nothing), then what to ask (maybe nothing).
struct Spelling {
  bool absent = true;
  Template send;
  std::optional<Ask> ask;
};

struct Dialect {
  std::string name;
  std::string terminator = "\n";  // of what we send; answers end in NL, CR NL or CR
  bool cr_ends_answers = false;
  Duration respond = std::chrono::milliseconds(500);  // deadline for an answer
  Duration between = Duration::zero();                // least time between two messages
  Duration settle = Duration::zero();  // between a command and the question that proves it
  bool has_error_queue = true;
  Template select;                   // how a channel is selected before its verbs; may be empty
  Template clear;                    // *CLS
  std::optional<Ask> resync;         // question with a nonce, whose answer is the nonce
  Template resync_send;              // sent before it, holds the nonce: "*ESE {nonce}"
  std::vector<Template> on_connect;  // e.g. SYST:REM
  std::array<Spelling, verb_count> verbs;
  [[nodiscard]] const Spelling& operator[](Verb verb) const {
    return verbs[static_cast<std::size_t>(verb)];
  }
  [[nodiscard]] bool has(Verb verb) const { return !(*this)[verb].absent; }
};

// The key of a verb in a dialect file, e.g. "set-voltage".
std::string_view key_of(Verb verb);

// Looks for NAME.yaml in the given folders in turn; `extends:` is resolved the same way.
Checked<Dialect> load_dialect(std::string_view name, const std::vector<std::string>& folders);

}  // namespace chargewright::drivers

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
#include "drivers/message_template.h"
#include "drivers/order.h"

namespace chargewright::drivers {

enum class Expect : std::uint8_t {
  number,
  boolean,   // 1 or 0
  integer,   // looked up in `bits` where there are any
  list,      // booleans separated by `;`: the one at place i, from 0, is bit i of the value
  identity,  // four fields separated by commas
  error,     // -222,"Data out of range"
  proof,     // `parts`
};

struct Ask {
  Template message;
  Expect expect = Expect::number;
  double scale = 1;   // number * scale + offset is in the verb's unit
  double offset = 0;  // for thermometers that answer in another scale
  // integer: answer & mask, looked up in order; none fits -> 0.
  struct Bits {
    std::uint32_t mask = 0;
    std::uint32_t equals = 0;
    int means = 0;
  };
  std::vector<Bits> bits;
  int items = 0;  // list: how many
  // proof: the answers, separated by `;`, must be these: the value that was ordered, within
  // `within` (verb's unit), or exactly a number.
  struct Part {
    bool exact = false;
    double equals = 0;
  };
  std::vector<Part> parts;
  double within = 0;
};

// One verb: what to send (maybe nothing), then what to ask (maybe nothing). Where both are there,
// the question proves the command.
struct Spelling {
  bool absent = true;
  Template send;
  std::optional<Ask> ask;
};

struct Dialect {
  std::string name;
  std::string terminator = "\n";                      // of what we send; answers end in NL or CR NL
  bool cr_ends_answers = false;                       // or in a bare CR
  Duration respond = std::chrono::milliseconds(500);  // deadline for an answer
  Duration between = Duration::zero();                // least time between two messages
  Duration settle = Duration::zero();  // between a command and the question that proves it
  // How a channel is selected before its verbs: joined in front of their message, as
  // `INST:NSEL 2;:SOUR:VOLT 4.2`, so that nothing can come between the two. Empty: verbs name
  // their channel themselves, or the instrument has but one.
  Template select;
  Template clear;                    // empties buffers and error queue after a time-out: *CLS
  Template resync_send;              // holds the nonce: "*ESE {nonce}"
  std::optional<Template> resync;    // the question whose answer is the nonce; nothing: absent
  std::vector<Template> on_connect;  // e.g. SYST:REM
  std::array<Spelling, verb_count> verbs;

  struct File {
    std::string path;
    std::string text;
  };
  std::vector<File> files;  // exactly what was read, for the record; the most basic dialect last

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

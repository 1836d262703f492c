#include "drivers/dialect_clash.h"

#include <algorithm>

#include "drivers/dialect_words.h"

namespace chargewright::drivers {
namespace {

// But for digits and scale: `VOLT {V}` and `VOLT {mA:.0f}` both set the voltage.
bool same_message(const Template& one, const Template& other) {
  return std::ranges::equal(one.pieces, other.pieces,
                            [](const Template::Piece& a, const Template::Piece& b) {
                              return a.hole == b.hole && a.text == b.text;
                            });
}

bool same_proof(const Ask& one, const Ask& other) {
  return same_message(one.message, other.message) &&
         std::ranges::equal(one.parts, other.parts, [](const Ask::Part& a, const Ask::Part& b) {
           return a.exact == b.exact && a.equals == b.equals;
         });
}

}  // namespace

std::vector<Clash> clashes(const Dialect& dialect) {
  std::vector<Clash> found;
  // A protection may be cleared by switching off: only what is read back must be a command of its
  // own. What could not be read from its file is complained of already.
  const auto is_proved = [&](Verb verb) {
    const Spelling& spelling = dialect[verb];
    return verb_rows()[static_cast<std::size_t>(verb)].nature == Nature::proved &&
           !spelling.absent && !spelling.send.empty() && spelling.ask &&
           !spelling.ask->message.empty();
  };
  for (std::uint8_t k = 0; k < verb_count; ++k) {
    const auto verb = static_cast<Verb>(k);
    if (!is_proved(verb)) continue;
    for (std::uint8_t j = 0; j < k; ++j) {
      const auto other = static_cast<Verb>(j);
      if (!is_proved(other)) continue;
      if (same_message(dialect[verb].send, dialect[other].send)) {
        found.push_back({Clash::Of::command, verb, other});
      } else if (same_proof(*dialect[verb].ask, *dialect[other].ask)) {
        found.push_back({Clash::Of::proof, verb, other});
      }
    }
  }
  return found;
}

}  // namespace chargewright::drivers

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

constexpr Verb measurements[] = {Verb::measure_voltage, Verb::measure_current,
                                 Verb::measure_temperature};

// What is read there is not measured: it was set.
bool tells_what_was_set(Verb verb) {
  return verb == Verb::read_voltage_setpoint || verb == Verb::read_current_setpoint ||
         verb_rows()[static_cast<std::size_t>(verb)].nature == Nature::proved;
}

// One question for two quantities: one of them is not measured. A shunt's voltage, scaled, is its
// current.
bool is_earlier_measurement(const Dialect& dialect, Verb other, Verb verb) {
  if (other >= verb || std::ranges::count(measurements, other) == 0) return false;
  const Ask& one = *dialect[verb].ask;
  const Ask& two = *dialect[other].ask;
  return one.scale == two.scale && one.offset == two.offset;
}

// The first verb that makes `verb` no measurement.
void look_for_question(const Dialect& dialect, Verb verb, std::vector<Clash>& found) {
  const auto asks = [&](Verb v) {
    return !dialect[v].absent && dialect[v].ask && !dialect[v].ask->message.empty();
  };
  if (!asks(verb)) return;
  for (std::uint8_t k = 0; k < verb_count; ++k) {
    const auto other = static_cast<Verb>(k);
    if (!asks(other) || !same_message(dialect[verb].ask->message, dialect[other].ask->message)) {
      continue;
    }
    if (!tells_what_was_set(other) && !is_earlier_measurement(dialect, other, verb)) continue;
    found.push_back({Clash::Of::question, verb, other});
    return;
  }
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
  for (const Verb verb : measurements) look_for_question(dialect, verb, found);
  return found;
}

}  // namespace chargewright::drivers

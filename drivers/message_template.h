#pragma once
// A message with holes, as a dialect file writes it: `SOUR:VOLT {V:.4f}`, `INST:NSEL {channel}`,
// `*ESE {nonce}`. Compiled once, when the dialect is loaded; filled in without allocation, into the
// caller's buffer.

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/failure.h"

namespace chargewright::drivers {

struct Template {
  struct Piece {
    enum class Hole : std::uint8_t { none, value, channel, nonce } hole = Hole::none;
    std::string text;  // for none
    int digits = 6;    // after the point, for value
    double scale = 1;  // value is multiplied by this before it is written
  };
  std::vector<Piece> pieces;
  [[nodiscard]] bool empty() const { return pieces.empty(); }
  [[nodiscard]] bool has(Piece::Hole hole) const;
};

// A whole message, selection and terminator included, is never longer.
inline constexpr std::size_t message_length_max = 512;

// Holes: {value} in the verb's own unit; {V} {mV} {A} {mA}, which must be of the verb's dimension
// (`unit`: 'V', 'A' or 0 for none); each with an optional `:.4f`; {channel} or {n}; {nonce}.
// At most 200 printable ASCII characters. The failure has no place.
Result<Template> compile_template(std::string_view text, char unit);

struct Filling {
  double value = 0;
  int channel = 0;  // 0 is written as 1: an instrument that has but one input calls it 1
  int nonce = 0;
};

// Writes at `into`; nothing when a value is not finite or beyond what any instrument takes, or when
// the room does not suffice.
std::optional<std::size_t> fill(const Template& message, const Filling& with, char* into,
                                std::size_t room);

}  // namespace chargewright::drivers

#pragma once
// Numbers and strings of SCPI response data, and numbers of program messages. Sources: IEEE 488.2
// (NR1, NR2, NR3, NRf, non-decimal numeric, string and boolean data), SCPI-1999 volume 1 (9.9E37 is
// infinity, 9.91E37 is "not a number"). Pure, locale-free, no allocation, no exceptions.
//
// Strict about what a number is: trailing text, two numbers in one, or nothing at all is
// unparsable, never zero. Forgiving where the standard asks a listener to be (`5.`, `.5`, `+5`).

#include <cstdint>
#include <optional>
#include <string_view>

namespace chargewright::drivers::scpi {

enum class NumberKind : std::uint8_t { finite, not_a_number, infinite, unparsable };

struct Number {
  NumberKind kind = NumberKind::unparsable;
  double value = 0;  // for finite; +-1 gives the sign of infinite
};

// The whole text, but for spaces and tabs around it.
Number parse_number(std::string_view text);

// A finite number without a fraction, within 32 bits.
std::optional<std::int32_t> parse_integer(std::string_view text);

// 1 or 0 as the standard has it in answers; ON and OFF are forgiven. Anything else, 2 included, is
// nothing: unknown is not safe.
std::optional<bool> parse_boolean(std::string_view text);

// A string in single or double quotes, its own quote doubled inside. Writes what it means into
// `into` (never longer than `text`); nothing if `text` is not one whole quoted string or does not
// fit.
std::optional<std::string_view> parse_string(std::string_view text, char* into, std::size_t room);

// Fixed point with so many digits after the point. Never "-0.000"; nothing when the value is not
// finite, is 1e12 or more, or the text does not fit.
std::optional<std::string_view> format_fixed(double value, int digits, char* into,
                                             std::size_t room);

// Without spaces and tabs at both ends.
std::string_view trimmed(std::string_view text);

// Equal but for the case of ASCII letters.
bool same_word(std::string_view a, std::string_view b);

}  // namespace chargewright::drivers::scpi

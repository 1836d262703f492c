#include "drivers/scpi/number.h"

#include <charconv>
#include <cmath>
#include <limits>
#include <system_error>

namespace chargewright::drivers::scpi {
namespace {

constexpr bool is_digit(char c) { return c >= '0' && c <= '9'; }
constexpr char lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c + 32) : c; }

// SCPI-1999 vol. 1: 9.9E37 is infinity, 9.91E37 not a number. Nothing that a bench measures comes
// near, and instruments round (9.90000E+37, 9.91000016E37): everything beyond 9.0E37 is one of
// them.
Number classified(double value) {
  constexpr double special_from = 9.0e37;
  if (!(std::abs(value) > special_from)) return {NumberKind::finite, value};
  if (value > 9.905e37 && value < 9.95e37) return {NumberKind::not_a_number, 0};
  return {NumberKind::infinite, value > 0 ? 1.0 : -1.0};
}

// [sign] digits [. digits] [E [sign] digits], with at least one digit in the mantissa; what
// std::from_chars takes beyond that (inf, nan, trailing text) is not a number here.
bool is_decimal(std::string_view text, bool& small_exponent) {
  std::size_t at = 0;
  const auto digits = [&] {
    const std::size_t from = at;
    while (at < text.size() && is_digit(text[at])) ++at;
    return at - from;
  };
  if (at < text.size() && (text[at] == '+' || text[at] == '-')) ++at;
  std::size_t mantissa = digits();
  if (at < text.size() && text[at] == '.') {
    ++at;
    mantissa += digits();
  }
  if (mantissa == 0) return false;
  if (at < text.size() && lower(text[at]) == 'e') {
    ++at;
    if (at < text.size() && (text[at] == '+' || text[at] == '-'))
      small_exponent = text[at++] == '-';
    if (digits() == 0) return false;
  }
  return at == text.size();
}

// #H2F, #Q57, #B101111 (IEEE 488.2 non-decimal numeric): at most 53 bits, so that it is exact.
Number parse_non_decimal(std::string_view text) {
  if (text.size() < 3) return {};
  int base = 0;
  switch (lower(text[1])) {
    case 'h':
      base = 16;
      break;
    case 'q':
      base = 8;
      break;
    case 'b':
      base = 2;
      break;
    default:
      return {};
  }
  std::uint64_t value = 0;
  const char* const end = text.data() + text.size();
  const auto [stop, error] = std::from_chars(text.data() + 2, end, value, base);
  if (error != std::errc{} || stop != end || value >> 53 != 0) return {};
  return {NumberKind::finite, static_cast<double>(value)};
}

Number parse_word(std::string_view text) {
  if (same_word(text, "NAN")) return {NumberKind::not_a_number, 0};
  if (same_word(text, "INF") || same_word(text, "INFINITY")) return {NumberKind::infinite, 1};
  if (same_word(text, "NINF") || same_word(text, "NINFINITY")) return {NumberKind::infinite, -1};
  return {};
}

}  // namespace

std::string_view trimmed(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\t'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

bool same_word(std::string_view a, std::string_view b) {
  if (a.size() != b.size()) return false;
  for (std::size_t i = 0; i < a.size(); ++i) {
    if (lower(a[i]) != lower(b[i])) return false;
  }
  return true;
}

Number parse_number(std::string_view text) {
  text = trimmed(text);
  if (text.empty()) return {};
  if (text.front() == '#') return parse_non_decimal(text);
  bool small_exponent = false;
  if (!is_decimal(text, small_exponent)) return parse_word(text);
  if (text.front() == '+') text.remove_prefix(1);
  double value = 0;
  const auto [stop, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error == std::errc::result_out_of_range) {
    // IEEE 488.2 lets an exponent reach 32000; a double does not.
    if (small_exponent) return {NumberKind::finite, 0};
    return {NumberKind::infinite, text.front() == '-' ? -1.0 : 1.0};
  }
  if (error != std::errc{} || stop != text.data() + text.size()) return {};
  return classified(value);
}

std::optional<std::int32_t> parse_integer(std::string_view text) {
  const Number number = parse_number(text);
  if (number.kind != NumberKind::finite || std::trunc(number.value) != number.value) return {};
  if (number.value < std::numeric_limits<std::int32_t>::min()) return {};
  if (number.value > std::numeric_limits<std::int32_t>::max()) return {};
  return static_cast<std::int32_t>(number.value);
}

std::optional<bool> parse_boolean(std::string_view text) {
  text = trimmed(text);
  if (same_word(text, "ON")) return true;
  if (same_word(text, "OFF")) return false;
  const std::optional<std::int32_t> number = parse_integer(text);
  if (!number || (*number != 0 && *number != 1)) return {};
  return *number == 1;
}

std::optional<std::string_view> parse_string(std::string_view text, char* into, std::size_t room) {
  text = trimmed(text);
  if (text.size() < 2) return {};
  const char quote = text.front();
  if ((quote != '"' && quote != '\'') || text.back() != quote) return {};
  std::size_t size = 0;
  for (std::size_t at = 1; at + 1 < text.size(); ++at) {
    if (text[at] == quote) {
      ++at;  // must be a doubled one, and not the closing one
      if (at + 1 >= text.size() || text[at] != quote) return {};
    }
    if (size == room) return {};
    into[size++] = text[at];
  }
  return std::string_view(into, size);
}

std::optional<std::string_view> format_fixed(double value, int digits, char* into,
                                             std::size_t room) {
  constexpr double largest = 1e12;  // nothing on a bench is; bounds the length too
  if (!(std::abs(value) < largest)) return {};
  const auto [end, error] =
      std::to_chars(into, into + room, value, std::chars_format::fixed, digits);
  if (error != std::errc{}) return {};
  std::string_view text(into, static_cast<std::size_t>(end - into));
  if (text.front() == '-' && text.find_first_not_of("-0.") == std::string_view::npos) {
    text.remove_prefix(1);
  }
  return text;
}

}  // namespace chargewright::drivers::scpi

#include "drivers/simulated/scpi_parameter.h"

#include <charconv>
#include <cmath>
#include <optional>

namespace chargewright::drivers::simulated {
namespace {

char upper(char c) { return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c; }
bool is_digit(char c) { return c >= '0' && c <= '9'; }
bool is_letter(char c) { return upper(c) >= 'A' && upper(c) <= 'Z'; }

// The power of ten of `MV`, `KA`, `A` ... for the unit, as IEEE 488.2 spells multipliers. `MA` with
// the unit A is milliampere. nullopt: not a suffix of this unit.
std::optional<double> multiplier(std::string_view suffix, char unit) {
  if (unit == 0 || suffix.empty() || upper(suffix.back()) != unit) return {};
  suffix.remove_suffix(1);
  if (suffix.empty()) return 1;
  if (suffix.size() != 1) return {};
  switch (upper(suffix[0])) {
    case 'U':
      return 1e-6;
    case 'M':
      return 1e-3;
    case 'K':
      return 1e3;
    default:
      return {};
  }
}

// "#HA2F", "#Q62", "#B01011" (IEEE 488.2, 7.7.4).
int read_non_decimal(std::string_view text, double& value) {
  if (text.size() < 3) return -104;
  const int base = upper(text[1]) == 'H'   ? 16
                   : upper(text[1]) == 'Q' ? 8
                   : upper(text[1]) == 'B' ? 2
                                           : 0;
  if (base == 0) return -168;
  std::uint32_t whole = 0;
  const auto [end, error] =
      std::from_chars(text.data() + 2, text.data() + text.size(), whole, base);
  if (error != std::errc() || end != text.data() + text.size()) return -121;
  value = whole;
  return 0;
}

// NRf and its suffix; forgiving in what it takes: 5, 5., .5, +5.0e+0.
int read_decimal(std::string_view text, char unit, double& value) {
  if (text.front() == '+') text.remove_prefix(1);
  if (text.empty() || text.front() == '+') return -121;
  std::size_t digits = 0, leading = 0;
  bool seen = false;
  for (const char c : text) {
    if (is_letter(c)) break;
    if (!is_digit(c)) continue;
    seen = seen || c != '0';
    (seen ? digits : leading) += 1;
  }
  if (digits > 255) return -124;  // IEEE 488.2, 7.7.2.4.1
  if (digits + leading == 0) return -121;
  const char* const last = text.data() + text.size();
  const auto [end, error] = std::from_chars(text.data(), last, value);
  if (error == std::errc::result_out_of_range) return -123;
  if (error != std::errc()) return -121;
  std::string_view suffix(end, static_cast<std::size_t>(last - end));
  while (!suffix.empty() && is_space(suffix.front())) suffix.remove_prefix(1);
  if (suffix.empty()) return 0;
  if (!is_letter(suffix.front())) return -121;
  if (suffix.size() > 12) return -134;
  if (unit == 0) return -138;
  const auto scale = multiplier(suffix, unit);
  if (!scale) return -131;
  value *= *scale;
  return 0;
}

}  // namespace

bool is_space(char c) { return static_cast<unsigned char>(c) <= 0x20; }

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && is_space(text.front())) text.remove_prefix(1);
  while (!text.empty() && is_space(text.back())) text.remove_suffix(1);
  return text;
}

bool Parameters::has_more() const { return !trimmed(rest_).empty(); }

std::string_view Parameters::take() {
  int depth = 0;
  char quote = 0;
  std::size_t k = 0;
  for (; k < rest_.size(); ++k) {
    const char c = rest_[k];
    if (quote != 0) {
      if (c == quote) quote = 0;
    } else if (c == '"' || c == '\'') {
      quote = c;
    } else if (c == '(') {
      ++depth;
    } else if (c == ')') {
      --depth;
    } else if (c == ',' && depth <= 0) {
      break;
    }
  }
  const std::string_view taken = trimmed(rest_.substr(0, k));
  rest_ = k < rest_.size() ? rest_.substr(k + 1) : std::string_view{};
  return taken;
}

bool is_word(std::string_view word, std::string_view pattern) {
  std::size_t shortest = 0;
  while (shortest < pattern.size() && !(pattern[shortest] >= 'a' && pattern[shortest] <= 'z')) {
    ++shortest;
  }
  if (word.size() != pattern.size() && word.size() != shortest) return false;
  for (std::size_t k = 0; k < word.size(); ++k) {
    if (upper(word[k]) != upper(pattern[k])) return false;
  }
  return true;
}

int read_number(std::string_view text, const NumberBounds& bounds, double& value) {
  if (text.empty()) return -109;
  const char first = text.front();
  if (is_letter(first)) {
    if (text.size() > 12) return -144;
    if (is_word(text, "MINimum")) {
      value = bounds.least;
    } else if (is_word(text, "MAXimum")) {
      value = bounds.most;
    } else if (is_word(text, "DEFault")) {
      value = bounds.usual;
    } else {
      return -148;
    }
    return 0;
  }
  if (first == '"' || first == '\'') return -158;
  if (first == '(') return -104;
  double read = 0;
  const int error =
      first == '#' ? read_non_decimal(text, read) : read_decimal(text, bounds.unit, read);
  if (error != 0) return error;
  if (!std::isfinite(read) || read < bounds.least || read > bounds.most * (1 + 1e-12)) return -222;
  value = read;
  return 0;
}

int read_boolean(std::string_view text, bool& value) {
  if (text.empty()) return -109;
  if (is_word(text, "ON")) return value = true, 0;
  if (is_word(text, "OFF")) return value = false, 0;
  if (is_letter(text.front())) return -224;
  double number = 0;
  const int error = read_number(text, {-1e9, 1e9, 0, 0}, number);
  if (error != 0) return error;
  value = std::nearbyint(number) != 0;  // SCPI-1999: rounded to an integer, not zero is on
  return 0;
}

int read_integer(std::string_view text, int least, int most, int& value) {
  double number = 0;
  const NumberBounds bounds{static_cast<double>(least), static_cast<double>(most),
                            static_cast<double>(least), 0};
  const int error = read_number(text, bounds, number);
  if (error == 0) value = static_cast<int>(std::nearbyint(number));
  return error;
}

int read_channels(std::string_view text, int channels, std::uint32_t& bits) {
  if (text.size() < 4 || text[0] != '(' || text[1] != '@' || text.back() != ')') return -104;
  text = text.substr(2, text.size() - 3);
  bits = 0;
  Parameters list(text);
  while (list.has_more()) {
    const std::string_view item = list.take();
    const auto colon = item.find(':');
    int from = 0, to = 0;
    if (const int error = read_integer(trimmed(item.substr(0, colon)), 1, channels, from)) {
      return error;
    }
    to = from;
    if (colon != std::string_view::npos) {
      if (const int error = read_integer(trimmed(item.substr(colon + 1)), from, channels, to)) {
        return error;
      }
    }
    for (int c = from; c <= to; ++c) bits |= std::uint32_t{1} << (c - 1);
  }
  return bits == 0 ? -109 : 0;
}

}  // namespace chargewright::drivers::simulated

#include "daemon/cli/facts.h"

#include <array>
#include <boost/json.hpp>
#include <charconv>
#include <cmath>
#include <ctime>

namespace chargewright::daemon {

using boost::json::object;
using boost::json::value;

const object* object_in(const object& from, std::string_view key) {
  const value* found = from.if_contains(key);
  return found != nullptr ? found->if_object() : nullptr;
}

const boost::json::array* array_in(const object& from, std::string_view key) {
  const value* found = from.if_contains(key);
  return found != nullptr ? found->if_array() : nullptr;
}

std::optional<double> number_of(const value& from) {
  if (!from.is_number()) return {};
  const auto number = from.to_number<double>();
  if (!std::isfinite(number)) return {};  // 1e999 is read as infinite, 0e999 as not a number
  return number;
}

std::optional<double> number_in(const object& from, std::string_view key) {
  const value* found = from.if_contains(key);
  return found != nullptr ? number_of(*found) : std::nullopt;
}

namespace {

// Control characters, as ASCII (C0, DEL) and as UTF-8 (C1, 0xC2 0x80 to 0x9F): a terminal obeys
// them.
std::string harmless(std::string_view text) {
  std::string result{text};
  for (std::size_t i = 0; i < result.size(); ++i) {
    const auto c = static_cast<unsigned char>(result[i]);
    const bool c1 =
        c == 0xC2 && i + 1 < result.size() && static_cast<unsigned char>(result[i + 1]) < 0xA0;
    if (c < 0x20 || c == 0x7F || c1) result[i] = '?';
    if (c1) result[i + 1] = '?';
  }
  return result;
}

}  // namespace

std::string text_of(const value& from) {
  return from.is_string() ? harmless(from.get_string()) : std::string{};
}

std::string text_in(const object& from, std::string_view key) {
  const value* found = from.if_contains(key);
  return found != nullptr ? text_of(*found) : std::string{};
}

std::optional<std::size_t> count_in(const object& from, std::string_view key) {
  const auto number = number_in(from, key);
  if (!number || !(*number >= 0 && *number < 1e9)) return {};
  return static_cast<std::size_t>(*number);
}

bool flag_in(const object& from, std::string_view key) {
  const value* found = from.if_contains(key);
  return found != nullptr && found->is_bool() && found->get_bool();
}

std::string quantity_text(std::optional<double> value, int digits, std::string_view unit) {
  std::string text = "-";
  if (value && std::isfinite(*value) && std::abs(*value) < 1e12) {
    std::array<char, 64> digits_text;
    const auto end = std::to_chars(digits_text.data(), digits_text.data() + digits_text.size(),
                                   *value, std::chars_format::fixed, digits);
    text.assign(digits_text.data(), end.ptr);
    const bool nothing = text.find_first_not_of("-0.") == std::string::npos;
    if (nothing && text.front() == '-') text.erase(0, 1);  // no "-0"
  }
  return unit.empty() ? text : text + ' ' + std::string{unit};
}

std::string temperature_text(std::optional<double> celsius) {
  return quantity_text(celsius, 1, "°C");
}

std::string span_text(std::optional<double> seconds) {
  if (!seconds || !std::isfinite(*seconds) || *seconds < 0 || *seconds > 1e9) return "-";
  const auto whole = static_cast<long>(std::llround(*seconds));
  if (whole < 60) return std::to_string(whole) + " s";
  if (whole < 600) return std::to_string(whole / 60) + " min " + std::to_string(whole % 60) + " s";
  if (whole < 3600) return std::to_string((whole + 30) / 60) + " min";
  return std::to_string(whole / 3600) + " h " + std::to_string(whole % 3600 / 60) + " min";
}

std::string moment_text(std::optional<double> unix_time_s) {
  if (!unix_time_s || !(std::abs(*unix_time_s) <= 1e11)) return "-";
  const auto at = static_cast<std::time_t>(*unix_time_s);
  std::tm local{};
  std::array<char, 32> text{};
  if (::localtime_r(&at, &local) == nullptr) return "-";
  const auto size = std::strftime(text.data(), text.size(), "%Y-%m-%d %H:%M:%S", &local);
  return {text.data(), size};
}

}  // namespace chargewright::daemon

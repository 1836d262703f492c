#include "drivers/quantity_text.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <optional>
#include <span>

#include "drivers/time_longest.h"

namespace chargewright::drivers {
namespace {

using namespace std::string_view_literals;

struct Unit {
  std::string_view text;
  double factor;  // times this is the SI unit
};

// What a quantity is called, how it is written, and the units it is read in.
struct Kind {
  std::string_view noun;     // "a voltage"
  std::string_view units;    // "volts"
  std::string_view example;  // "4.2 V"
  std::span<const Unit> table;
};

// Both characters that look like a micro sign (U+00B5 and U+03BC), and both that look like an ohm
// sign (U+03A9 and U+2126), are in use.
constexpr std::array volt_units{Unit{"V"sv, 1},     Unit{"mV"sv, 1e-3}, Unit{"uV"sv, 1e-6},
                                Unit{"µV"sv, 1e-6}, Unit{"μV"sv, 1e-6}, Unit{"kV"sv, 1e3}};
constexpr std::array ampere_units{Unit{"A"sv, 1},     Unit{"mA"sv, 1e-3}, Unit{"uA"sv, 1e-6},
                                  Unit{"µA"sv, 1e-6}, Unit{"μA"sv, 1e-6}, Unit{"kA"sv, 1e3}};
constexpr std::array ohm_units{Unit{"ohm"sv, 1},       Unit{"mohm"sv, 1e-3}, Unit{"uohm"sv, 1e-6},
                               Unit{"µohm"sv, 1e-6},   Unit{"μohm"sv, 1e-6}, Unit{"kohm"sv, 1e3},
                               Unit{"Ω"sv, 1},         Unit{"mΩ"sv, 1e-3},   Unit{"µΩ"sv, 1e-6},
                               Unit{"μΩ"sv, 1e-6},     Unit{"kΩ"sv, 1e3},    Unit{"\u2126"sv, 1},
                               Unit{"m\u2126"sv, 1e-3}};
constexpr std::array watt_units{Unit{"W"sv, 1}, Unit{"mW"sv, 1e-3}, Unit{"uW"sv, 1e-6},
                                Unit{"kW"sv, 1e3}};
constexpr std::array joule_units{Unit{"Wh"sv, 3600}, Unit{"mWh"sv, 3.6}, Unit{"kWh"sv, 3.6e6},
                                 Unit{"J"sv, 1}, Unit{"kJ"sv, 1e3}};
constexpr std::array coulomb_units{Unit{"Ah"sv, 3600}, Unit{"mAh"sv, 3.6}, Unit{"As"sv, 1}};
constexpr std::array farad_units{Unit{"F"sv, 1},     Unit{"mF"sv, 1e-3}, Unit{"uF"sv, 1e-6},
                                 Unit{"µF"sv, 1e-6}, Unit{"μF"sv, 1e-6}, Unit{"kF"sv, 1e3}};
constexpr std::array metre_units{Unit{"m"sv, 1}, Unit{"cm"sv, 1e-2}, Unit{"mm"sv, 1e-3}};
constexpr std::array kilogram_units{Unit{"kg"sv, 1}, Unit{"g"sv, 1e-3}, Unit{"mg"sv, 1e-6}};
constexpr std::array cubic_metre_units{
    Unit{"mL"sv, 1e-6},  Unit{"ml"sv, 1e-6},  Unit{"L"sv, 1e-3},   Unit{"l"sv, 1e-3},
    Unit{"cm3"sv, 1e-6}, Unit{"cm³"sv, 1e-6}, Unit{"dm3"sv, 1e-3}, Unit{"dm³"sv, 1e-3},
    Unit{"m3"sv, 1},     Unit{"m³"sv, 1}};
constexpr std::array celsius_units{Unit{"degC"sv, 1}, Unit{"°C"sv, 1}};
constexpr std::array kelvin_units{Unit{"K"sv, 1}, Unit{"mK"sv, 1e-3}};
constexpr std::array kelvin_per_second_units{
    Unit{"K/min"sv, 1.0 / 60},  Unit{"degC/min"sv, 1.0 / 60}, Unit{"°C/min"sv, 1.0 / 60},
    Unit{"K/s"sv, 1},           Unit{"degC/s"sv, 1},          Unit{"°C/s"sv, 1},
    Unit{"K/h"sv, 1.0 / 3600.0}};
constexpr std::array joule_per_kelvin_units{Unit{"J/K"sv, 1}, Unit{"kJ/K"sv, 1e3}};
constexpr std::array watt_per_kelvin_units{Unit{"W/K"sv, 1}, Unit{"mW/K"sv, 1e-3}};
constexpr std::array duration_units{Unit{"s"sv, 1},     Unit{"ms"sv, 1e-3}, Unit{"us"sv, 1e-6},
                                    Unit{"µs"sv, 1e-6}, Unit{"μs"sv, 1e-6}, Unit{"min"sv, 60},
                                    Unit{"h"sv, 3600},  Unit{"d"sv, 86400}};
constexpr std::array area_units{Unit{"mm2"sv, 1e-6}, Unit{"mm²"sv, 1e-6}};

template <class T>
constexpr Kind kind_of;
template <>
constexpr Kind kind_of<Volts>{"a voltage", "volts", "4.2 V", volt_units};
template <>
constexpr Kind kind_of<Amperes>{"a current", "amperes", "1.5 A", ampere_units};
template <>
constexpr Kind kind_of<Ohms>{"a resistance", "ohms", "0.4 mohm", ohm_units};
template <>
constexpr Kind kind_of<Watts>{"a power", "watts", "60 W", watt_units};
template <>
constexpr Kind kind_of<Joules>{"an energy", "watt-hours", "8.6 Wh", joule_units};
template <>
constexpr Kind kind_of<Coulombs>{"a charge", "ampere-hours", "2.4 Ah", coulomb_units};
template <>
constexpr Kind kind_of<Farads>{"a capacitance", "farads", "100 F", farad_units};
template <>
constexpr Kind kind_of<Metres>{"a length", "metres", "0.6 m", metre_units};
template <>
constexpr Kind kind_of<Kilograms>{"a mass", "grams", "46 g", kilogram_units};
template <>
constexpr Kind kind_of<CubicMetres>{"a volume", "millilitres", "24 mL", cubic_metre_units};
template <>
constexpr Kind kind_of<Celsius>{"a temperature", "degrees Celsius", "45 degC", celsius_units};
template <>
constexpr Kind kind_of<Kelvins>{"a temperature difference", "kelvins", "2 K", kelvin_units};
template <>
constexpr Kind kind_of<KelvinsPerSecond>{"a rate of temperature rise", "kelvins per minute",
                                         "2 K/min", kelvin_per_second_units};
template <>
constexpr Kind kind_of<JoulesPerKelvin>{"a heat capacity", "joules per kelvin", "45 J/K",
                                        joule_per_kelvin_units};
template <>
constexpr Kind kind_of<WattsPerKelvin>{"a thermal conductance", "watts per kelvin", "0.05 W/K",
                                       watt_per_kelvin_units};
template <>
constexpr Kind kind_of<Duration>{"a time", "seconds, minutes or hours", "90 min", duration_units};
template <>
constexpr Kind kind_of<SquareMetres>{"a conductor cross-section", "AWG or mm2", "2.5 mm2",
                                     area_units};

const std::array kinds{kind_of<Volts>,
                       kind_of<Amperes>,
                       kind_of<Ohms>,
                       kind_of<Watts>,
                       kind_of<Joules>,
                       kind_of<Coulombs>,
                       kind_of<Farads>,
                       kind_of<Metres>,
                       kind_of<Kilograms>,
                       kind_of<CubicMetres>,
                       kind_of<Celsius>,
                       kind_of<Kelvins>,
                       kind_of<KelvinsPerSecond>,
                       kind_of<JoulesPerKelvin>,
                       kind_of<WattsPerKelvin>,
                       kind_of<Duration>,
                       kind_of<SquareMetres>};

constexpr bool is_blank(char c) { return c == ' ' || c == '\t'; }
constexpr char lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; }

std::string_view trim(std::string_view text) {
  while (!text.empty() && is_blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && is_blank(text.back())) text.remove_suffix(1);
  return text;
}

// Quoted for a message, cut where it is longer than anyone would write (never inside a character).
std::string quote(std::string_view text) {
  constexpr std::size_t longest = 40;
  if (text.size() <= longest) return '`' + std::string(text) + '`';
  std::size_t end = longest;
  while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xC0U) == 0x80U) --end;
  return '`' + std::string(text.substr(0, end)) + "...`";
}

Failure failure(std::string cause, std::string advice = {}) {
  return {.place = {}, .cause = std::move(cause), .advice = std::move(advice)};
}

std::string write_as(const Kind& kind) {
  return "write " + std::string(kind.units) + ", for example " + std::string(kind.example);
}

// Takes a finite number off the front of `text`. std::from_chars would take `inf` and `nan` too.
Result<double> take_number(std::string_view& text, const std::string& advice) {
  std::string_view rest = text;
  const bool plus = !rest.empty() && rest.front() == '+';
  if (plus) rest.remove_prefix(1);
  const std::string_view digits =
      !plus && !rest.empty() && rest.front() == '-' ? rest.substr(1) : rest;
  if (digits.empty()) return failure("nothing where a number is needed", advice);
  const bool starts_number =
      (digits[0] >= '0' && digits[0] <= '9') ||
      (digits[0] == '.' && digits.size() > 1 && digits[1] >= '0' && digits[1] <= '9');
  if (!starts_number) return failure(quote(text) + " does not begin with a number", advice);
  double value = 0;
  const auto [end, error] = std::from_chars(rest.data(), rest.data() + rest.size(), value);
  if (error != std::errc{} || !std::isfinite(value)) {
    return failure(quote(text) + " is out of the range of numbers", advice);
  }
  rest.remove_prefix(static_cast<std::size_t>(end - rest.data()));
  if (rest.size() > 1 && rest[0] == ',' && rest[1] >= '0' && rest[1] <= '9') {
    return failure(quote(text) + " has a comma in its number",
                   "the decimal mark is a point, and digits are not grouped");
  }
  text = rest;
  return value;
}

bool same_but_case(std::string_view a, std::string_view b) {
  return std::ranges::equal(a, b, [](char x, char y) { return lower(x) == lower(y); });
}

Failure wrong_unit(std::string_view unit, const Kind& kind) {
  if (unit == "C" && kind.noun == kind_of<Celsius>.noun) {
    return failure("`C` is a charge rate, not a temperature", write_as(kind));
  }
  for (const Kind& other : kinds) {
    if (std::ranges::find(other.table, unit, &Unit::text) != other.table.end()) {
      return failure(quote(unit) + " is a unit of " + std::string(other.noun) + ", but " +
                         std::string(kind.noun) + " is needed",
                     write_as(kind));
    }
  }
  for (const Unit& known : kind.table) {
    if (same_but_case(known.text, unit)) {
      return failure("unknown unit " + quote(unit),
                     "capitals matter: did you mean `" + std::string(known.text) + "`?");
    }
  }
  return failure("unknown unit " + quote(unit) + " for " + std::string(kind.noun), write_as(kind));
}

Result<double> in_si(double number, std::string_view unit, const Kind& kind) {
  if (unit.empty()) return failure("a bare number: a unit is needed", write_as(kind));
  const auto found = std::ranges::find(kind.table, unit, &Unit::text);
  if (found == kind.table.end()) return wrong_unit(unit, kind);
  const double value = number * found->factor;
  if (!std::isfinite(value)) return failure("the value is out of the range of numbers");
  return value;
}

Result<double> parse_si(std::string_view text, const Kind& kind) {
  text = trim(text);
  const Result<double> number = take_number(text, write_as(kind));
  if (!number) return number.error();
  return in_si(*number, trim(text), kind);
}

// `90 min`, and also `1 h 30 min`: parts, each unit smaller than the one before.
Result<Duration> parse_duration(std::string_view text) {
  const Kind& kind = kind_of<Duration>;
  text = trim(text);
  double sum = 0;
  double last_factor = INFINITY;
  do {
    const std::string_view part = text;
    const Result<double> number = take_number(text, write_as(kind));
    if (!number) return number.error();
    if (std::signbit(*number)) return failure(quote(part) + " is a negative time", write_as(kind));
    text = trim(text);
    std::size_t length = 0;
    while (length < text.size() && !is_blank(text[length]) &&
           !(text[length] >= '0' && text[length] <= '9')) {
      ++length;
    }
    const std::string_view unit = text.substr(0, length);
    const Result<double> value = in_si(*number, unit, kind);
    if (!value) return value.error();
    const double factor = std::ranges::find(kind.table, unit, &Unit::text)->factor;
    if (factor >= last_factor) {
      return failure(quote(part) + " does not follow from a larger unit to a smaller",
                     "write for example 1 h 30 min");
    }
    last_factor = factor;
    sum += *value;
    text = trim(text.substr(length));
  } while (!text.empty());
  if (sum > time_longest_s) return failure("the time is longer than a hundred years");
  return seconds(sum);
}

// At most `digits` after the point; never an exponent for values that people meet.
std::string fixed(double value, int digits) {
  std::array<char, 352> buffer{};  // the largest double has 309 digits before the point
  const auto [end, error] = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                          std::chars_format::fixed, digits);
  return error == std::errc{} ? std::string(buffer.data(), end) : exact(value);
}

std::string without_zeros(std::string text) {
  if (text.find('.') == std::string::npos) return text;
  while (text.back() == '0') text.pop_back();
  if (text.back() == '.') text.pop_back();
  return text == "-0" ? "0" : text;
}

std::optional<std::string> not_finite(double value) {
  if (std::isnan(value)) return "not a number";
  if (std::isinf(value)) return value > 0 ? "infinite" : "minus infinite";
  return std::nullopt;
}

// Digits after the point that make four significant ones.
int digits_for(double magnitude) {
  if (magnitude < 10) return 3;
  if (magnitude < 100) return 2;
  if (magnitude < 1000) return 1;
  return 0;
}

struct Scale {
  double of;  // the SI value divided by this is the number shown
  std::string_view unit;
};

// Four significant digits in the largest scale in which the value is at least one; scales run from
// large to small. `steady` keeps trailing zeros, for numbers that stand in columns.
std::string scaled(double value, std::span<const Scale> scales, bool steady = false) {
  if (auto words = not_finite(value)) return *words;
  const double magnitude = std::abs(value);
  for (const Scale& scale : scales) {
    const double shown = magnitude / scale.of;
    const bool last = &scale == &scales.back();
    if (shown < 0.99995 && !last) continue;  // would round to 1.000 at four digits
    const std::string text = fixed(value / scale.of, digits_for(shown));
    return (steady && !last ? text : without_zeros(text)) + ' ' + std::string(scale.unit);
  }
  return {};
}

}  // namespace

template <class T>
Result<T> parse(std::string_view text) {
  const Result<double> value = parse_si(text, kind_of<T>);
  if (!value) return value.error();
  return T::from_value(*value);
}

template <>
Result<Duration> parse<Duration>(std::string_view text) {
  return parse_duration(text);
}

template Result<Volts> parse<Volts>(std::string_view);
template Result<Amperes> parse<Amperes>(std::string_view);
template Result<Ohms> parse<Ohms>(std::string_view);
template Result<Watts> parse<Watts>(std::string_view);
template Result<Joules> parse<Joules>(std::string_view);
template Result<Coulombs> parse<Coulombs>(std::string_view);
template Result<Farads> parse<Farads>(std::string_view);
template Result<Metres> parse<Metres>(std::string_view);
template Result<Kilograms> parse<Kilograms>(std::string_view);
template Result<CubicMetres> parse<CubicMetres>(std::string_view);
template Result<Celsius> parse<Celsius>(std::string_view);
template Result<Kelvins> parse<Kelvins>(std::string_view);
template Result<KelvinsPerSecond> parse<KelvinsPerSecond>(std::string_view);
template Result<JoulesPerKelvin> parse<JoulesPerKelvin>(std::string_view);
template Result<WattsPerKelvin> parse<WattsPerKelvin>(std::string_view);

Result<double> parse_percent(std::string_view text) {
  const std::string advice = "write per cent, for example 110 %";
  text = trim(text);
  const Result<double> number = take_number(text, advice);
  if (!number) return number.error();
  text = trim(text);
  if (text.empty()) return failure("a bare number: a unit is needed", advice);
  if (text != "%") return failure(quote(text) + " where `%` is needed", advice);
  return *number / 100;
}

Result<double> parse_number(std::string_view text) {
  const std::string advice = "write a plain number, for example 3 or 0.5";
  text = trim(text);
  const Result<double> number = take_number(text, advice);
  if (!number) return number.error();
  if (!text.empty()) return failure(quote(trim(text)) + " after a plain number", advice);
  return *number;
}

Result<Rate> parse_rate(std::string_view text) {
  const std::string advice = "write a C-rate, for example C/20 or 0.5 C";
  text = trim(text);
  if (text.starts_with("C/")) {
    std::string_view rest = text.substr(2);
    const Result<double> hours = take_number(rest, advice);
    if (!hours) return hours.error();
    if (!trim(rest).empty()) return failure(quote(text) + " is not a C-rate", advice);
    const double per_hour = 1 / *hours;
    if (!(*hours > 0) || !std::isfinite(per_hour)) {
      return failure(quote(text) + " divides by nothing positive", advice);
    }
    return Rate{per_hour};
  }
  std::string_view rest = text;
  const Result<double> number = take_number(rest, advice);
  if (!number) return number.error();
  rest = trim(rest);
  if (rest.empty()) return failure("a bare number: a unit is needed", advice);
  if (rest != "C") return failure(quote(text) + " is not a C-rate", advice);
  return Rate{*number};
}

Result<CurrentText> parse_current_or_rate(std::string_view text) {
  const std::string_view trimmed = trim(text);
  if (trimmed.starts_with("C/") || trimmed.ends_with('C')) {
    const Result<Rate> rate = parse_rate(trimmed);
    if (!rate) return rate.error();
    return CurrentText{*rate};
  }
  const Result<Amperes> current = parse<Amperes>(trimmed);
  if (current) return CurrentText{*current};
  Failure why = current.error();
  if (why.advice == write_as(kind_of<Amperes>)) {
    why.advice = "write amperes or a C-rate, for example 1.5 A or C/20";
  }
  return why;
}

Result<SquareMetres> parse_gauge(std::string_view text) {
  const std::string advice = "write for example 8 AWG or 2.5 mm2";
  text = trim(text);
  std::string_view rest = text;
  const Result<double> number = take_number(rest, advice);
  if (!number) return number.error();
  rest = trim(rest);
  // 1/0 to 4/0 AWG are numbers 0 to -3.
  const bool aught = rest.starts_with("/0");
  if (aught) rest = trim(rest.substr(2));
  if (rest.empty()) return failure("a bare number: a unit is needed", advice);
  if (rest == "AWG") {
    const double gauge = aught ? 1 - *number : *number;
    if (gauge != std::floor(gauge) || gauge < -3 || gauge > 40 || (aught && *number < 1)) {
      return failure(quote(text) + " is not a wire gauge from 4/0 to 40 AWG", advice);
    }
    // ASTM B258: 36 AWG is 0.005 in, 4/0 AWG is 0.46 in, 39 equal ratios between them.
    const double diameter = 0.127e-3 * std::pow(92.0, (36 - gauge) / 39);
    return SquareMetres::from_value(M_PI / 4 * diameter * diameter);
  }
  if (aught) return failure(quote(text) + " is not a wire gauge", advice);
  const Result<double> area = in_si(*number, rest, kind_of<SquareMetres>);
  if (!area) {
    Failure why = area.error();
    why.advice = advice;
    return why;
  }
  if (!(*area > 0)) return failure(quote(text) + " is not a positive cross-section", advice);
  return SquareMetres::from_value(*area);
}

std::string to_text(Volts v) {
  constexpr std::array scales{Scale{1, "V"}, Scale{1e-3, "mV"}};
  if (v.value() == 0) return "0 V";
  return scaled(v.value(), scales, true);
}
std::string to_text(Amperes i) {
  constexpr std::array scales{Scale{1, "A"}, Scale{1e-3, "mA"}};
  if (i.value() == 0) return "0 A";
  return scaled(i.value(), scales);
}
std::string to_text(Ohms r) {
  constexpr std::array scales{Scale{1e3, "kohm"}, Scale{1, "ohm"}, Scale{1e-3, "mohm"}};
  if (r.value() == 0) return "0 ohm";
  return scaled(r.value(), scales);
}
std::string to_text(Watts p) {
  constexpr std::array scales{Scale{1e3, "kW"}, Scale{1, "W"}, Scale{1e-3, "mW"}};
  if (p.value() == 0) return "0 W";
  return scaled(p.value(), scales);
}
std::string to_text(Joules e) {
  constexpr std::array scales{Scale{3.6e6, "kWh"}, Scale{3600, "Wh"}, Scale{3.6, "mWh"}};
  if (e.value() == 0) return "0 Wh";
  return scaled(e.value(), scales);
}
std::string to_text(Coulombs q) {
  constexpr std::array scales{Scale{3600, "Ah"}, Scale{3.6, "mAh"}};
  if (q.value() == 0) return "0 Ah";
  return scaled(q.value(), scales);
}
std::string to_text(Celsius t) {
  if (auto words = not_finite(t.value())) return *words;
  return without_zeros(fixed(t.value(), 2)) + " °C";
}
std::string to_text(Kelvins d) {
  if (auto words = not_finite(d.value())) return *words;
  return without_zeros(fixed(d.value(), 2)) + " K";
}
std::string to_text(KelvinsPerSecond r) {
  if (auto words = not_finite(r.value())) return *words;
  return without_zeros(fixed(r.value() * 60, 2)) + " K/min";
}

std::string to_text(Duration d) {
  using namespace std::chrono_literals;
  if (d < Duration::zero()) {
    // The lowest Duration has no positive twin; the difference of a nanosecond is not shown.
    return '-' + to_text(d == Duration::min() ? Duration::max() : -d);
  }
  if (d == Duration::zero()) return "0 s";
  if (d < 1min) {
    if (d < 1us) return std::to_string(d.count()) + " ns";
    constexpr std::array scales{Scale{1, "s"}, Scale{1e-3, "ms"}, Scale{1e-6, "us"}};
    const std::string text = scaled(in_seconds(d), scales);
    return text == "60 s" ? "1 min" : text;
  }
  // Half a second more would overflow only near 292 years; whole seconds from here on.
  std::int64_t rest =
      d.count() / 1'000'000'000 + (d.count() % 1'000'000'000 >= 500'000'000 ? 1 : 0);
  std::string text;
  constexpr std::array<std::pair<std::int64_t, std::string_view>, 4> parts{
      {{86'400, " d"}, {3600, " h"}, {60, " min"}, {1, " s"}}};
  for (const auto& [length, unit] : parts) {
    if (rest < length) continue;
    if (!text.empty()) text += ' ';
    text += std::to_string(rest / length) + std::string(unit);
    rest %= length;
  }
  return text;
}

std::string exact(double value) {
  std::array<char, 32> buffer{};
  const auto [end, error] = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value);
  return {buffer.data(), error == std::errc{} ? end : buffer.data()};
}

}  // namespace chargewright::drivers

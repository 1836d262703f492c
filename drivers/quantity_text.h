#pragma once
// Text <-> quantity, the only place: `4.20 V`, `150 mA`, `C/20`, `2 C`, `45 degC`, `45 °C`,
// `110 %`, `90 min`, `8 AWG`. Independent of the locale (std::from_chars / std::to_chars).
// A bare number where a unit is needed is a failure that names the unit; so are a wrong unit, an
// unknown unit, trailing text, nan and inf. Failures carry no place: the caller adds it.

#include <string>
#include <string_view>
#include <variant>

#include "drivers/failure.h"
#include "drivers/quantity.h"

namespace chargewright::drivers {

// T is any alias of quantity.h but Seconds, or Duration. Optional space between number and unit;
// SI prefixes u (or µ), m, k where the trade uses them; Ah/mAh, Wh, s/ms/min/h/d, degC or °C for
// Celsius, K for Kelvins, K/min, °C/min, degC/min and K/s for KelvinsPerSecond, g/kg, mL/L/cm3.
template <class T>
Result<T> parse(std::string_view text);

// A number with `%` (`110 %` -> 1.10) .
Result<double> parse_percent(std::string_view text);

// A plain number without unit, whole text, finite.
Result<double> parse_number(std::string_view text);

// `C/20`, `2 C`, `0.5C`: a rate, as a multiple of capacity per hour (C/20 -> 0.05).
struct Rate {
  double per_hour = 0;
  [[nodiscard]] Amperes of(Coulombs capacity) const {
    return amperes(per_hour * in_ampere_hours(capacity));
  }
};
Result<Rate> parse_rate(std::string_view text);

// A current given in amperes or as a C-rate.
using CurrentText = std::variant<Amperes, Rate>;
Result<CurrentText> parse_current_or_rate(std::string_view text);

// Conductor cross-section: `8 AWG` or `2.5 mm2` (square metres).
using SquareMetres = Quantity<decltype(si::length{} * si::length{})>;
Result<SquareMetres> parse_gauge(std::string_view text);

// For people: 4 significant digits or so, with the fitting prefix: `4.200 V`, `150 mA`, `12 min 5
// s`.
std::string to_text(Volts v);
std::string to_text(Amperes i);
std::string to_text(Ohms r);
std::string to_text(Watts p);
std::string to_text(Joules e);    // Wh
std::string to_text(Coulombs q);  // Ah
std::string to_text(Celsius t);
std::string to_text(Kelvins d);
std::string to_text(KelvinsPerSecond r);  // K/min
std::string to_text(Duration d);

// The shortest text that parses back to the same double; for files and the wire.
std::string exact(double value);

}  // namespace chargewright::drivers

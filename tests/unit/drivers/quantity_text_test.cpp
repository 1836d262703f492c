#include "drivers/quantity_text.h"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <locale>

namespace chargewright::drivers {
namespace {

using namespace std::chrono_literals;

template <class T>
double si(std::string_view text) {
  const Result<T> result = parse<T>(text);
  EXPECT_TRUE(result.has_value()) << text << ": " << describe(result.error());
  return result ? result->value() : std::numeric_limits<double>::quiet_NaN();
}

template <class T>
std::string why_not(std::string_view text) {
  const Result<T> result = parse<T>(text);
  return result ? "accepted" : describe(result.error());
}

TEST(QuantityText, reads_units_and_prefixes_as_the_trade_writes_them) {
  EXPECT_DOUBLE_EQ(si<Volts>("4.20 V"), 4.20);
  EXPECT_DOUBLE_EQ(si<Volts>("4.20V"), 4.20);
  EXPECT_DOUBLE_EQ(si<Volts>("  30   mV "), 0.030);
  EXPECT_DOUBLE_EQ(si<Volts>("-1.5e3 µV"), -0.0015);
  EXPECT_DOUBLE_EQ(si<Amperes>("150 mA"), 0.150);
  EXPECT_DOUBLE_EQ(si<Amperes>("+2 A"), 2);
  EXPECT_DOUBLE_EQ(si<Ohms>("0.4 mohm"), 0.0004);
  EXPECT_DOUBLE_EQ(si<Ohms>("0.4 mΩ"), 0.0004);
  EXPECT_DOUBLE_EQ(si<Watts>("1.2 kW"), 1200);
  EXPECT_DOUBLE_EQ(si<Joules>("2 Wh"), 7200);
  EXPECT_DOUBLE_EQ(si<Coulombs>("2.4 Ah"), 8640);
  EXPECT_DOUBLE_EQ(si<Coulombs>("500 mAh"), 1800);
  EXPECT_DOUBLE_EQ(si<Farads>("100 F"), 100);
  EXPECT_DOUBLE_EQ(si<Metres>("60 cm"), 0.6);
  EXPECT_DOUBLE_EQ(si<Kilograms>("46 g"), 0.046);
  EXPECT_DOUBLE_EQ(si<CubicMetres>("24 mL"), 24e-6);
  EXPECT_DOUBLE_EQ(si<CubicMetres>("24 cm3"), 24e-6);
  EXPECT_DOUBLE_EQ(si<Celsius>("45 degC"), 45);
  EXPECT_DOUBLE_EQ(si<Celsius>("-20 °C"), -20);
  EXPECT_DOUBLE_EQ(si<Kelvins>("2 K"), 2);
  EXPECT_DOUBLE_EQ(si<KelvinsPerSecond>("2 °C/min"), 2.0 / 60);
  EXPECT_DOUBLE_EQ(si<KelvinsPerSecond>("0.1 K/s"), 0.1);
  EXPECT_DOUBLE_EQ(si<JoulesPerKelvin>("45 J/K"), 45);
  EXPECT_DOUBLE_EQ(si<WattsPerKelvin>("50 mW/K"), 0.05);
}

TEST(QuantityText, reads_times_also_in_parts) {
  EXPECT_EQ(parse<Duration>("90 min").value(), 90min);
  EXPECT_EQ(parse<Duration>("200ms").value(), 200ms);
  EXPECT_EQ(parse<Duration>("1 h 30 min").value(), 90min);
  EXPECT_EQ(parse<Duration>("1h30min5s").value(), 1h + 30min + 5s);
  EXPECT_EQ(parse<Duration>("0 s").value(), 0s);
  EXPECT_EQ(parse<Duration>("2 d").value(), 48h);
}

TEST(QuantityText, refuses_a_bare_number_naming_the_unit) {
  EXPECT_EQ(why_not<Volts>("4.2"),
            "a bare number: a unit is needed; write volts, for example 4.2 V");
  EXPECT_EQ(why_not<Celsius>("45"),
            "a bare number: a unit is needed; write degrees Celsius, for example 45 degC");
  EXPECT_EQ(why_not<Duration>("90"),
            "a bare number: a unit is needed; write seconds, minutes or hours, for example 90 min");
  EXPECT_EQ(why_not<Duration>("1 h 30"),
            "a bare number: a unit is needed; write seconds, minutes or hours, for example 90 min");
  EXPECT_FALSE(parse_percent("110").has_value());
  EXPECT_FALSE(parse_gauge("8").has_value());
}

TEST(QuantityText, refuses_a_wrong_or_unknown_unit_saying_what_is_needed) {
  EXPECT_EQ(why_not<Volts>("4.2 A"),
            "`A` is a unit of a current, but a voltage is needed; write volts, for example 4.2 V");
  EXPECT_EQ(why_not<Volts>("4.2 v"), "unknown unit `v`; capitals matter: did you mean `V`?");
  EXPECT_EQ(why_not<Amperes>("150 ma"), "unknown unit `ma`; capitals matter: did you mean `mA`?");
  EXPECT_EQ(why_not<Volts>("4.2 volts"),
            "unknown unit `volts` for a voltage; write volts, for example 4.2 V");
  EXPECT_EQ(why_not<Celsius>("45 C"),
            "`C` is a charge rate, not a temperature; write degrees Celsius, for example 45 degC");
  EXPECT_EQ(why_not<Celsius>("300 K"),
            "`K` is a unit of a temperature difference, but a temperature is needed; write degrees "
            "Celsius, for example 45 degC");
  EXPECT_EQ(why_not<Kelvins>("2 degC"),
            "`degC` is a unit of a temperature, but a temperature difference is needed; write "
            "kelvins, for example 2 K");
}

TEST(QuantityText, refuses_what_is_not_one_finite_number_and_one_unit) {
  for (const char* text :
       {"",         " ",        "V",      "nan V",   "inf V",   "-inf V", "NAN",    "1e999 V",
        "-1e999 V", "1e308 kV", "0x10 V", "4.2 V 3", "4.2 V V", "4..2 V", "--4 V",  "+-4 V",
        "1 2 V",    "4,2 V",    "4.2 V;", ". V",     "- V",     "e5 V",   "4.2\nV", "٤ V"}) {
    EXPECT_FALSE(parse<Volts>(text).has_value()) << text;
  }
  EXPECT_EQ(why_not<Volts>("4,2 V"),
            "`4,2 V` has a comma in its number; the decimal mark is a point, and digits are not "
            "grouped");
  EXPECT_EQ(why_not<Volts>("full"),
            "`full` does not begin with a number; write volts, for example 4.2 V");
}

TEST(QuantityText, refuses_impossible_times) {
  for (const char* text : {"-5 s", "-0 s", "1 min 2 h", "1 s 1 s", "40000 d", "1e300 s", "1e-9"}) {
    EXPECT_FALSE(parse<Duration>(text).has_value()) << text;
  }
  EXPECT_EQ(why_not<Duration>("5 min 1 h"),
            "`1 h` does not follow from a larger unit to a smaller; write for example 1 h 30 min");
}

TEST(QuantityText, never_quotes_a_long_text_whole) {
  const std::string text(100'000, 'x');
  EXPECT_LT(why_not<Volts>(text).size(), 200U);
  EXPECT_LT(why_not<Volts>("1 " + text).size(), 200U);
}

TEST(QuantityText, reads_percent_and_plain_numbers) {
  EXPECT_DOUBLE_EQ(parse_percent("110 %").value(), 1.10);
  EXPECT_DOUBLE_EQ(parse_percent("0.05%").value(), 0.0005);
  EXPECT_FALSE(parse_percent("110 % more").has_value());
  EXPECT_DOUBLE_EQ(parse_number("3").value(), 3);
  EXPECT_DOUBLE_EQ(parse_number(" -2.5e-3 ").value(), -0.0025);
  for (const char* text : {"3 V", "nan", "inf", "", "3 3", "0x1p4"}) {
    EXPECT_FALSE(parse_number(text).has_value()) << text;
  }
}

TEST(QuantityText, reads_c_rates) {
  EXPECT_DOUBLE_EQ(parse_rate("C/20").value().per_hour, 0.05);
  EXPECT_DOUBLE_EQ(parse_rate("2 C").value().per_hour, 2);
  EXPECT_DOUBLE_EQ(parse_rate("0.5C").value().per_hour, 0.5);
  EXPECT_DOUBLE_EQ(parse_rate("C/20").value().of(ampere_hours(2.4)).value(), 0.12);
  for (const char* text : {"C", "C/0", "C/-2", "C/", "C/20 h", "2", "2 A", "c/20", "2C/3",
                           "C/1e-320", "nan C", "45 degC"}) {
    EXPECT_FALSE(parse_rate(text).has_value()) << text;
  }
}

TEST(QuantityText, reads_a_current_in_amperes_or_as_a_rate) {
  EXPECT_DOUBLE_EQ(std::get<Amperes>(parse_current_or_rate("150 mA").value()).value(), 0.150);
  EXPECT_DOUBLE_EQ(std::get<Rate>(parse_current_or_rate("C/10").value()).per_hour, 0.1);
  EXPECT_DOUBLE_EQ(std::get<Rate>(parse_current_or_rate("3 C").value()).per_hour, 3);
  EXPECT_EQ(
      describe(parse_current_or_rate("3").error()),
      "a bare number: a unit is needed; write amperes or a C-rate, for example 1.5 A or C/20");
}

TEST(QuantityText, reads_wire_gauges) {
  // ASTM B258: areas of 10 AWG and 4/0 AWG; the common table, computed from the same formula.
  EXPECT_NEAR(parse_gauge("10 AWG").value().value() * 1e6, 5.2612, 5e-5);
  EXPECT_NEAR(parse_gauge("8 AWG").value().value() * 1e6, 8.3656, 5e-5);
  EXPECT_NEAR(parse_gauge("4/0 AWG").value().value() * 1e6, 107.22, 5e-3);
  EXPECT_DOUBLE_EQ(parse_gauge("2.5 mm2").value().value(), 2.5e-6);
  EXPECT_DOUBLE_EQ(parse_gauge("2.5 mm²").value().value(), 2.5e-6);
  for (const char* text : {"8", "8.5 AWG", "41 AWG", "5/0 AWG", "0/0 AWG", "-4 AWG", "8 awg",
                           "0 mm2", "-1 mm2", "8 mm", "1/0", "1/0 mm2"}) {
    EXPECT_FALSE(parse_gauge(text).has_value()) << text;
  }
}

TEST(QuantityText, writes_for_people) {
  EXPECT_EQ(to_text(4.2_V), "4.200 V");
  EXPECT_EQ(to_text(12.6_V), "12.60 V");
  EXPECT_EQ(to_text(0.05_V), "50 mV");
  EXPECT_EQ(to_text(volts(0.99999)), "1.000 V");
  EXPECT_EQ(to_text(volts(-4.2)), "-4.200 V");
  EXPECT_EQ(to_text(volts(0)), "0 V");
  EXPECT_EQ(to_text(150.0_mA), "150 mA");
  EXPECT_EQ(to_text(7.2_A), "7.2 A");
  EXPECT_EQ(to_text(0.4_mohm), "0.4 mohm");
  EXPECT_EQ(to_text(watts(1234)), "1.234 kW");
  EXPECT_EQ(to_text(watt_hours(8.64)), "8.64 Wh");
  EXPECT_EQ(to_text(2.4_Ah), "2.4 Ah");
  EXPECT_EQ(to_text(ampere_hours(0.0312)), "31.2 mAh");
  EXPECT_EQ(to_text(celsius(45)), "45 °C");
  EXPECT_EQ(to_text(celsius(-0.001)), "0 °C");
  EXPECT_EQ(to_text(2.0_K), "2 K");
  EXPECT_EQ(to_text(kelvins_per_second(2.0 / 60)), "2 K/min");
  EXPECT_EQ(to_text(volts(NAN)), "not a number");
  EXPECT_EQ(to_text(amperes(INFINITY)), "infinite");
}

TEST(QuantityText, writes_times_for_people) {
  EXPECT_EQ(to_text(Duration{0}), "0 s");
  EXPECT_EQ(to_text(Duration{725s}), "12 min 5 s");
  EXPECT_EQ(to_text(Duration{90min}), "1 h 30 min");
  EXPECT_EQ(to_text(Duration{50h}), "2 d 2 h");
  EXPECT_EQ(to_text(Duration{150ms}), "150 ms");
  EXPECT_EQ(to_text(Duration{5250ms}), "5.25 s");
  EXPECT_EQ(to_text(Duration{59'999'999us}), "1 min");
  EXPECT_EQ(to_text(Duration{3ns}), "3 ns");
  EXPECT_EQ(to_text(Duration{-90min}), "-1 h 30 min");
  EXPECT_FALSE(to_text(Duration::min()).empty());
  EXPECT_FALSE(to_text(Duration::max()).empty());
}

TEST(QuantityText, writes_exactly_what_reads_back) {
  for (const double value : {0.1, 4.2, 1.0 / 3, 1e-300, 1.7976931348623157e308, 5e-324, -0.05}) {
    EXPECT_EQ(parse_number(exact(value)).value(), value);
  }
  EXPECT_EQ(exact(0.1), "0.1");
}

struct CommaNumbers : std::numpunct<char> {
  char do_decimal_point() const override { return ','; }
  char do_thousands_sep() const override { return '.'; }
  std::string do_grouping() const override { return "\3"; }
};

TEST(QuantityText, does_not_depend_on_the_locale) {
  const std::locale before =
      std::locale::global(std::locale(std::locale::classic(), new CommaNumbers));
  EXPECT_DOUBLE_EQ(si<Volts>("1234.5 V"), 1234.5);
  EXPECT_FALSE(parse<Volts>("4,2 V").has_value());
  EXPECT_EQ(to_text(4.2_V), "4.200 V");
  EXPECT_EQ(to_text(watts(1'234'567)), "1235 kW");
  EXPECT_EQ(exact(1234.5), "1234.5");
  std::locale::global(before);
}

}  // namespace
}  // namespace chargewright::drivers

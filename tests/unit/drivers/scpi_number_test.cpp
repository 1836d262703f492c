#include "drivers/scpi/number.h"

#include <gtest/gtest.h>

#include <clocale>
#include <cmath>
#include <limits>
#include <random>
#include <string>

namespace chargewright::drivers::scpi {
namespace {

double finite(std::string_view text) {
  const Number number = parse_number(text);
  EXPECT_EQ(number.kind, NumberKind::finite) << text;
  return number.value;
}

std::string formatted(double value, int digits) {
  char text[64];
  const auto out = format_fixed(value, digits, text, sizeof text);
  return out ? std::string(*out) : "refused";
}

TEST(ScpiNumber, takes_padding_around_a_number) {
  EXPECT_DOUBLE_EQ(finite("  4.2"), 4.2);
  EXPECT_DOUBLE_EQ(finite("4.2 \t"), 4.2);
}

TEST(ScpiNumber, takes_nothing_but_a_whole_number) {
  for (const char* text :
       {"",       " ",       "+",     "-",      ".",     "e5",      "1e",
        "1e+",    "4.2V",    "4.2 V", "4,2",    "1.2.3", "1 2",     "--1",
        "+-1",    "0x10",    "1e5x",  "nan(1)", "-nan",  "infinit", "#",
        "#H",     "#HG",     "#Q8",   "#B2",    "#X1",   "#H-1",    "#H20000000000000",
        "4.2\r5", "4.21.05", "ON",    "\"4.2\""}) {
    EXPECT_EQ(parse_number(text).kind, NumberKind::unparsable) << text;
  }
}

TEST(ScpiNumber, everything_beyond_nine_e_thirty_seven_is_special) {  // S2
  struct Row {
    const char* text;
    NumberKind kind;
  };
  for (const Row& row :
       {Row{"9.0E37", NumberKind::finite}, Row{"9.0001E37", NumberKind::infinite},
        Row{"9.89999E37", NumberKind::infinite}, Row{"9.90000E+37", NumberKind::infinite},
        Row{"9.91000016E37", NumberKind::not_a_number}, Row{"9.9100E+37", NumberKind::not_a_number},
        Row{"1e38", NumberKind::infinite}, Row{"1e999", NumberKind::infinite},
        Row{"-1e32000", NumberKind::infinite}, Row{"-9.91E37", NumberKind::infinite},
        Row{"nan", NumberKind::not_a_number}, Row{"Inf", NumberKind::infinite},
        Row{"NINFinity", NumberKind::infinite}}) {
    EXPECT_EQ(parse_number(row.text).kind, row.kind) << row.text;
  }
  EXPECT_LT(parse_number("-9.9E37").value, 0);
  EXPECT_LT(parse_number("NINF").value, 0);
  EXPECT_LT(parse_number("-1e32000").value, 0);
  EXPECT_EQ(finite("1e-32000"), 0.0);
}

TEST(ScpiNumber, does_not_care_for_the_locale) {
  const std::string before = std::setlocale(LC_ALL, nullptr);
  for (const char* name : {"de_DE.UTF-8", "C.UTF-8"}) std::setlocale(LC_ALL, name);
  EXPECT_DOUBLE_EQ(finite("4.25"), 4.25);
  EXPECT_EQ(formatted(4.25, 3), "4.250");
  std::setlocale(LC_ALL, before.c_str());
}

TEST(ScpiNumber, an_integer_has_no_fraction_and_fits_in_32_bits) {
  EXPECT_EQ(parse_integer("-222"), -222);
  EXPECT_EQ(parse_integer("3.0"), 3);
  EXPECT_EQ(parse_integer("2147483647"), std::numeric_limits<std::int32_t>::max());
  EXPECT_FALSE(parse_integer("2147483648"));
  EXPECT_FALSE(parse_integer("0.5"));
  EXPECT_FALSE(parse_integer("9.91E37"));
  EXPECT_FALSE(parse_integer(""));
}

TEST(ScpiNumber, a_boolean_is_one_or_zero_and_two_is_unknown) {
  EXPECT_EQ(parse_boolean("1"), true);
  EXPECT_EQ(parse_boolean(" +0 "), false);
  EXPECT_EQ(parse_boolean("on"), true);
  EXPECT_EQ(parse_boolean("OFF"), false);
  for (const char* text : {"", "2", "-1", "0.4", "ONN", "TRUE", "9.91E37"}) {
    EXPECT_FALSE(parse_boolean(text)) << text;
  }
}

TEST(ScpiNumber, a_string_must_be_whole_and_fit) {
  char room[8];
  EXPECT_EQ(parse_string("\"abc\"", room, sizeof room), "abc");
  EXPECT_EQ(parse_string(" '' ", room, sizeof room), "");
  EXPECT_EQ(parse_string("'say \"a\"'", room, sizeof room), "say \"a\"");
  for (const char* text :
       {"", "\"", "abc", "\"abc'", "\"a\"b\"", "\"abc\" x", "\"a\"\"", "\"123456789\""}) {
    EXPECT_FALSE(parse_string(text, room, sizeof room)) << text;
  }
}

TEST(ScpiNumber, formats_fixed_digits_and_never_minus_zero) {
  EXPECT_EQ(formatted(4.2, 4), "4.2000");
  EXPECT_EQ(formatted(-0.00001, 4), "0.0000");
  EXPECT_EQ(formatted(-0.0, 0), "0");
  EXPECT_EQ(formatted(-0.00005001, 4), "-0.0001");
  EXPECT_EQ(formatted(1e11, 0), "100000000000");
}

TEST(ScpiNumber, refuses_to_format_what_no_instrument_takes) {
  EXPECT_EQ(formatted(std::nan(""), 3), "refused");
  EXPECT_EQ(formatted(std::numeric_limits<double>::infinity(), 3), "refused");
  EXPECT_EQ(formatted(-1e12, 3), "refused");
  char little[4];
  EXPECT_FALSE(format_fixed(123.456, 3, little, sizeof little));
}

TEST(ScpiNumber, reads_back_what_it_formats) {
  std::mt19937 random(7);
  std::uniform_real_distribution<double> any(-1000, 1000);
  for (int i = 0; i < 10'000; ++i) {
    const double value = any(random);
    EXPECT_NEAR(finite(formatted(value, 4)), value, 0.5001e-4);
  }
}

TEST(ScpiNumber, garbage_is_never_a_number_by_accident) {
  std::mt19937 random(11);
  const std::string alphabet = "0123456789+-.eE#HQBxn\0\xFF ,;\"";
  for (int i = 0; i < 100'000; ++i) {
    std::string text(random() % 12, ' ');
    for (char& c : text) c = alphabet[random() % alphabet.size()];
    const Number number = parse_number(text);
    if (number.kind == NumberKind::finite) {
      EXPECT_TRUE(std::isfinite(number.value)) << text;
      EXPECT_LE(std::abs(number.value), 9.0e37) << text;
      EXPECT_NE(text.find_first_of("0123456789ABCDEFabcdef"), std::string::npos) << text;
    }
  }
}

}  // namespace
}  // namespace chargewright::drivers::scpi

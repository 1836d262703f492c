// Response data and errors as the standards have them. IEEE 488.2 as restated in instrument
// programming manuals (secondary); SCPI-1999 volume 1 and volume 2 chapter 21 (error texts,
// verbatim copy), as marked. Each check names its source beside it.

#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "drivers/dialect.h"
#include "drivers/scpi/message.h"
#include "drivers/scpi/number.h"
#include "tests/support/places.h"

namespace chargewright::drivers::scpi {
namespace {

struct NumberRow {
  const char* text;
  double value;
};

TEST(ScpiStandard, numeric_response_data_is_read) {
  for (const NumberRow& row : {
           NumberRow{"0", 0}, NumberRow{"+5", 5}, NumberRow{"-123", -123},  // IEEE 488.2 NR1
           NumberRow{"4.200", 4.2}, NumberRow{"-0.05", -0.05},              // IEEE 488.2 NR2
           NumberRow{"+4.20000000E+00", 4.2}, NumberRow{"1.5E-3", 0.0015},  // IEEE 488.2 NR3
           NumberRow{"5", 5}, NumberRow{"5E0", 5},                          // IEEE 488.2 NRf
           NumberRow{"+5.0e+0", 5},                                         // IEEE 488.2 NRf
           NumberRow{"5.", 5}, NumberRow{".5", 0.5},  // NRf, from memory, unverified
       }) {
    const Number number = parse_number(row.text);
    EXPECT_EQ(number.kind, NumberKind::finite) << row.text;
    EXPECT_DOUBLE_EQ(number.value, row.value) << row.text;
  }
}

TEST(ScpiStandard, non_decimal_numeric_data_is_read) {
  // Forms: IEEE 488.2 non-decimal numeric; values by base conversion.
  EXPECT_EQ(parse_number("#HA2F").value, 2607);
  EXPECT_EQ(parse_number("#Q62").value, 50);
  EXPECT_EQ(parse_number("#B01011").value, 11);
}

TEST(ScpiStandard, special_values_are_not_numbers) {
  // SCPI-1999 volume 1: 9.9E37 infinity, -9.9E37 negative infinity, 9.91E37 not a number.
  for (const char* text : {"9.9E37", "9.90000000E+37"}) {
    EXPECT_EQ(parse_number(text).kind, NumberKind::infinite) << text;
    EXPECT_GT(parse_number(text).value, 0) << text;
  }
  EXPECT_EQ(parse_number("-9.9E37").kind, NumberKind::infinite);
  EXPECT_LT(parse_number("-9.9E37").value, 0);
  for (const char* text : {"9.91E37", "+9.91E+37"}) {
    EXPECT_EQ(parse_number(text).kind, NumberKind::not_a_number) << text;
  }
}

TEST(ScpiStandard, booleans_are_answered_as_numbers) {
  // SCPI-1999 volume 1: replies are 1 or 0, never words.
  EXPECT_EQ(parse_boolean("1"), true);
  EXPECT_EQ(parse_boolean("0"), false);
}

TEST(ScpiStandard, a_doubled_quote_stands_for_one) {
  // IEEE 488.2 string data; from memory, unverified.
  char room[16];
  EXPECT_EQ(parse_string("\"a\"\"b\"", room, sizeof room), "a\"b");
  EXPECT_EQ(parse_string("'a''b'", room, sizeof room), "a'b");
}

std::vector<std::string> lines_of(std::string_view bytes) {
  LineReader reader;
  std::vector<std::string> lines;
  while (const auto line = reader.next(bytes)) lines.emplace_back(line->text);
  return lines;
}

TEST(ScpiStandard, a_response_message_ends_at_nl) {
  // IEEE 488.2: NL (with END, which a byte stream has not). CR before it: common practice, no
  // source.
  EXPECT_EQ(lines_of("4.2\n5.0\r\n"), (std::vector<std::string>{"4.2", "5.0"}));
}

TEST(ScpiStandard, a_definite_block_may_hold_an_nl) {
  // IEEE 488.2 definite length arbitrary block: #<digits><length><bytes>; leading zeros are legal.
  EXPECT_EQ(lines_of("#15hello\n"), (std::vector<std::string>{"#15hello"}));
  EXPECT_EQ(lines_of("#3005hello\n"), (std::vector<std::string>{"#3005hello"}));
  EXPECT_EQ(lines_of("#12A\n\n1\n"), (std::vector<std::string>{"#12A\n", "1"}));
  EXPECT_EQ(lines_of("#10\n1\n"), (std::vector<std::string>{"#10", "1"}));
}

TEST(ScpiStandard, answers_to_several_questions_are_parted_by_semicolons) {
  // IEEE 488.2 response message unit separator.
  std::optional<std::string_view> rest = "4.2;1.5";
  EXPECT_EQ(next_unit(rest), "4.2");
  EXPECT_EQ(next_unit(rest), "1.5");
  EXPECT_FALSE(next_unit(rest));
}

TEST(ScpiStandard, error_queue_answers_are_read) {
  // SCPI-1999 volume 2 chapter 21.
  struct Row {
    const char* answer;
    int number;
    const char* text;
  };
  for (const Row& row :
       {Row{"0,\"No error\"", 0, "No error"},
        Row{"-113,\"Undefined header\"", -113, "Undefined header"},
        Row{"-222,\"Data out of range\"", -222, "Data out of range"},
        Row{"-350,\"Queue overflow\"", -350, "Queue overflow"},
        Row{"-410,\"Query INTERRUPTED\"", -410, "Query INTERRUPTED"},
        Row{"-161,\"Invalid block data;channel 1\"", -161, "Invalid block data;channel 1"},
        Row{"-32768,\"x\"", -32768, "x"}, Row{"32767,\"x\"", 32767, "x"}}) {
    const auto entry = parse_error(row.answer);
    ASSERT_TRUE(entry) << row.answer;
    EXPECT_EQ(entry->number, row.number);
    EXPECT_EQ(entry->text, row.text);
  }
  // Some instruments write a sign before the zero: instrument manuals, secondary.
  EXPECT_EQ(parse_error("+0,\"No error\"")->number, 0);
  // The string has at most 255 characters, which a line must hold.
  const std::string longest = "-300,\"" + std::string(255, 'x') + "\"";
  EXPECT_EQ(lines_of(longest + "\n"), std::vector<std::string>{longest});
}

TEST(ScpiStandard, identification_has_four_fields) {
  // IEEE 488.2: maker, model, serial, firmware; unknown ones are 0 (from memory, unverified).
  const auto fields = parse_identification("Example,PS-20-20,0,0");
  ASSERT_TRUE(fields);
  EXPECT_EQ(fields->maker, "Example");
  EXPECT_EQ(fields->model, "PS-20-20");
  EXPECT_EQ(fields->serial, "0");
  EXPECT_EQ(fields->firmware, "0");
}

// The short form that SCPI-1999 volume 1 makes of a keyword: four letters, or three where the
// fourth is a vowel; a keyword of four letters is never cut.
std::string short_form(std::string_view word) {
  if (word.size() <= 4) return std::string(word);
  const bool vowel = std::string_view("AEIOU").find(word[3]) != std::string_view::npos;
  return std::string(word.substr(0, vowel ? 3 : 4));
}

TEST(ScpiStandard, shipped_dialects_spell_keywords_in_short_form) {
  const std::vector<std::string_view> words = {
      "VOLTAGE", "CURRENT",     "MEASURE",    "OUTPUT",  "STATE",        "SYSTEM",
      "ERROR",   "PROTECTION",  "CLEAR",      "TRIPPED", "CONDITION",    "SOURCE",
      "STATUS",  "TEMPERATURE", "INSTRUMENT", "NSELECT", "QUESTIONABLE", "ROUTE",
      "CLOSE",   "OPEN",        "DC",         "ON",      "OFF"};
  for (const char* name : {"scpi-supply", "scpi-meter", "scpi-thermometer", "scpi-switch"}) {
    const Dialect dialect = load_dialect(name, {test::in_source("drivers/dialects")}).value();
    const auto check = [&](const Template& message) {
      for (const Template::Piece& piece : message.pieces) {
        std::string word;
        bool common = false;
        for (const char c : piece.text + " ") {
          if (c >= 'A' && c <= 'Z') {
            word += c;
            continue;
          }
          if (!word.empty() && !common) {
            const bool known = std::any_of(words.begin(), words.end(), [&](std::string_view w) {
              return short_form(w) == word;
            });
            EXPECT_TRUE(known) << name << ": " << word;
          }
          word.clear();
          common = c == '*';  // common commands have no short form
        }
      }
    };
    for (const Spelling& spelling : dialect.verbs) {
      check(spelling.send);
      if (spelling.ask) check(spelling.ask->message);
    }
  }
}

}  // namespace
}  // namespace chargewright::drivers::scpi

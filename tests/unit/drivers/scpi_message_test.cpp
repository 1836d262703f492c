#include "drivers/scpi/message.h"

#include <gtest/gtest.h>

#include <random>
#include <string>
#include <vector>

namespace chargewright::drivers::scpi {
namespace {

struct Read {
  std::string text;
  LineDefect defect = LineDefect::none;
  friend bool operator==(const Read&, const Read&) = default;
};

void feed(LineReader& reader, std::string_view bytes, std::vector<Read>& lines) {
  while (const auto line = reader.next(bytes)) {
    lines.push_back({std::string(line->text), line->defect});
  }
}

std::vector<Read> read_all(std::string_view bytes, bool cr_ends = false) {
  LineReader reader(cr_ends);
  std::vector<Read> lines;
  feed(reader, bytes, lines);
  return lines;
}

TEST(LineReader, ends_lines_at_nl_and_drops_cr_and_padding) {
  EXPECT_EQ(read_all("4.2\n"), (std::vector<Read>{{"4.2"}}));
  EXPECT_EQ(read_all(" 4.2 \r\n\t1;0\r\n"), (std::vector<Read>{{"4.2"}, {"1;0"}}));
  EXPECT_EQ(read_all("4.2\n\r1.0\n\r"), (std::vector<Read>{{"4.2"}, {"1.0"}}));
}

TEST(LineReader, blank_lines_say_nothing) { EXPECT_TRUE(read_all("\n\r\n \n\t\r\n").empty()); }

TEST(LineReader, a_bare_cr_ends_a_line_only_where_the_dialect_says_so) {
  EXPECT_TRUE(read_all("4.2\r1.0\r").empty());
  EXPECT_EQ(read_all("4.2\r1.0\r\n2.0\r", true), (std::vector<Read>{{"4.2"}, {"1.0"}, {"2.0"}}));
}

TEST(LineReader, gives_the_same_lines_wherever_the_stream_is_cut) {
  const std::string stream =
      "+4.20000000E+00\r\n-222,\"Data\nout; of \"\"range\"\"\"\n "
      "#3005a\nb\nc,'x'\n1;0\n\n9.91E37\n";
  const std::vector<Read> whole = read_all(stream);
  ASSERT_EQ(whole.size(), 5U);
  for (std::size_t first = 0; first <= stream.size(); ++first) {
    for (std::size_t second = first; second <= stream.size(); ++second) {
      LineReader reader;
      std::vector<Read> lines;
      feed(reader, std::string_view(stream).substr(0, first), lines);
      feed(reader, std::string_view(stream).substr(first, second - first), lines);
      feed(reader, std::string_view(stream).substr(second), lines);
      EXPECT_EQ(lines, whole) << first << ' ' << second;
    }
  }
}

TEST(LineReader, nl_within_quotes_is_data) {
  EXPECT_EQ(read_all("0,\"a\nb\"\n1\n"), (std::vector<Read>{{"0,\"a\nb\""}, {"1"}}));
  EXPECT_EQ(read_all("'a\"\n'\n"), (std::vector<Read>{{"'a\"\n'"}}));
}

TEST(LineReader, an_apostrophe_within_a_word_opens_nothing) {
  EXPECT_EQ(read_all("Hut's Own,PS\"20,0,1\n4.2\n"),
            (std::vector<Read>{{"Hut's Own,PS\"20,0,1"}, {"4.2"}}));
}

TEST(LineReader, what_only_looks_like_a_block_is_a_line) {
  EXPECT_EQ(read_all("#HFF\n#0abc\n#1x\n#\n#10\n"),
            (std::vector<Read>{{"#HFF"}, {"#0abc"}, {"#1x"}, {"#"}, {"#10"}}));
}

TEST(LineReader, names_bytes_that_no_response_holds) {
  using namespace std::string_literals;
  EXPECT_EQ(read_all("4.\0002\n"s)[0].defect, LineDefect::garbage);
  EXPECT_EQ(read_all("4.2\xFF\n")[0].defect, LineDefect::garbage);
  EXPECT_EQ(read_all("\x1B[2J\n")[0].defect, LineDefect::garbage);
  EXPECT_EQ(read_all("\0\n"s)[0].defect, LineDefect::garbage);
  EXPECT_EQ(read_all("#12\xFF\0\n"s)[0].defect, LineDefect::none);
}

TEST(LineReader, drops_a_line_that_is_too_long_and_names_it) {
  const std::string fits(line_length_max, '7');
  EXPECT_EQ(read_all(fits + "\n1\n"), (std::vector<Read>{{fits}, {"1"}}));
  EXPECT_EQ(read_all(fits + "7\n1\n"), (std::vector<Read>{{"", LineDefect::too_long}, {"1"}}));
  // A quote that is never closed, and a block that claims more than there is room for.
  EXPECT_EQ(read_all("\"" + fits + "7\n1\n"),
            (std::vector<Read>{{"", LineDefect::too_long}, {"1"}}));
  EXPECT_EQ(read_all("#9999999999" + fits + "7\n1\n"),
            (std::vector<Read>{{"", LineDefect::too_long}, {"1"}}));
}

TEST(LineReader, knows_that_part_of_a_line_has_come) {
  LineReader reader;
  std::string_view bytes = "\r\n 4";
  EXPECT_FALSE(reader.next(bytes));
  EXPECT_TRUE(reader.has_partial());
  reader.reset();
  EXPECT_FALSE(reader.has_partial());
  bytes = "2\n";
  EXPECT_EQ(reader.next(bytes)->text, "2");
  EXPECT_FALSE(reader.has_partial());
}

TEST(LineReader, survives_random_bytes_in_random_pieces) {
  std::mt19937 random(3);
  const std::string alphabet = "\"'#19\n\r,;4.2\xFF";
  for (int round = 0; round < 200; ++round) {
    std::string stream(3000, ' ');
    for (char& c : stream) {
      c = random() % 4 != 0 ? alphabet[random() % alphabet.size()] : static_cast<char>(random());
    }
    LineReader reader(round % 2 == 0);
    std::vector<Read> lines;
    for (std::size_t at = 0; at < stream.size();) {
      const std::size_t piece = 1 + random() % 50;
      feed(reader, std::string_view(stream).substr(at, piece), lines);
      at += piece;
    }
    EXPECT_EQ(lines, read_all(stream, round % 2 == 0));
    for (const Read& line : lines) EXPECT_LE(line.text.size(), line_length_max);
  }
}

TEST(NextUnit, splits_answers_outside_quotes_and_shows_an_empty_one) {
  const auto split = [](std::string_view text) {
    std::optional<std::string_view> rest = text;
    std::vector<std::string> units;
    while (const auto unit = next_unit(rest)) units.emplace_back(*unit);
    return units;
  };
  EXPECT_EQ(split("0;1"), (std::vector<std::string>{"0", "1"}));
  EXPECT_EQ(split("1;"), (std::vector<std::string>{"1", ""}));
  EXPECT_EQ(split("0,\"a;b\";2"), (std::vector<std::string>{"0,\"a;b\"", "2"}));
}

TEST(ParseError, takes_number_and_quoted_text_and_nothing_else) {
  const auto entry = parse_error("-222,\"Data out of range; channel 1\"");
  ASSERT_TRUE(entry);
  EXPECT_EQ(entry->number, -222);
  EXPECT_EQ(entry->text, "Data out of range; channel 1");
  EXPECT_EQ(parse_error("+0, \"No error\"")->number, 0);
  for (const char* text : {"", "0", "0,", "0,No error", "4.2", "x,\"y\"", "0,\"open",
                           "-40000,\"x\"", "40000,\"x\"", "0.5,\"x\""}) {
    EXPECT_FALSE(parse_error(text)) << text;
  }
}

TEST(ParseIdentification, needs_four_fields) {
  const auto fields = parse_identification("Example, PS-20-20,0,1.0,extra");
  ASSERT_TRUE(fields);
  EXPECT_EQ(fields->model, "PS-20-20");
  EXPECT_EQ(fields->firmware, "1.0,extra");
  EXPECT_FALSE(parse_identification("Example,PS-20-20,0"));
  EXPECT_FALSE(parse_identification(""));
}

}  // namespace
}  // namespace chargewright::drivers::scpi

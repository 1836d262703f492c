#include "drivers/document.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <cstdio>
#include <filesystem>
#include <fstream>
#include <random>

namespace chargewright::drivers {
namespace {

using ::testing::HasSubstr;

std::string why_not(std::string text, const DocumentBounds& bounds = {}) {
  const Checked<Document> document = parse_document(std::move(text), "f.yaml", bounds);
  return document ? "accepted" : describe(document.error());
}

TEST(Document, keeps_the_place_of_every_node_and_key) {
  const Document document =
      parse_document("cell: hut\nvoltage: {full: 4.2 V,\n  empty: 3 V}\nlist:\n  - a\n  - b\n",
                     "f.yaml")
          .value();
  ASSERT_EQ(document.root.kind, NodeKind::mapping);
  ASSERT_EQ(document.root.fields.size(), 3U);
  const auto& [key, voltage] = document.root.fields[1];
  EXPECT_EQ(key, "voltage");
  EXPECT_EQ(voltage.line, 2);
  EXPECT_EQ(voltage.column, 10);
  EXPECT_EQ(voltage.key_column, 1);
  EXPECT_EQ(voltage.fields[1].first, "empty");
  EXPECT_EQ(voltage.fields[1].second.key_line, 3);
  EXPECT_EQ(voltage.fields[1].second.key_column, 3);
  EXPECT_EQ(voltage.fields[1].second.column, 10);
  EXPECT_EQ(document.root.fields[2].second.items[1].scalar, "b");
  EXPECT_EQ(document.root.fields[2].second.items[1].line, 6);
  EXPECT_EQ(document.root.fields[2].second.items[1].column, 5);
}

TEST(Document, counts_columns_in_characters_not_bytes) {
  const Document document = parse_document("{°°: 1, b: 2}", "f.yaml").value();
  EXPECT_EQ(document.root.fields[1].second.key_column, 9);
}

TEST(Document, knows_an_absent_value_from_an_empty_text) {
  const Document document = parse_document("a:\nb: \"\"\nc: ~\n", "f.yaml").value();
  EXPECT_EQ(document.root.fields[0].second.kind, NodeKind::null);
  EXPECT_EQ(document.root.fields[0].second.line, 1);  // the place of its key
  EXPECT_EQ(document.root.fields[1].second.kind, NodeKind::scalar);
  EXPECT_EQ(document.root.fields[2].second.kind, NodeKind::null);
}

TEST(Document, keeps_the_exact_bytes_for_the_record) {
  const std::string text = "# why\r\na: 1\r\n";
  EXPECT_EQ(parse_document(text, "f.yaml").value().text, text);
}

// Shown on a terminal it would hide, or forge, what stands beside it.
TEST(Document, refuses_control_characters_in_a_value_or_key_and_shows_none) {
  for (const char* code : {"\\0", "\\a", "\\b", "\\t", "\\r", "\\e", "\\x1f", "\\x7f", "\\x80",
                           "\\N", "\\x9b", "\\x9f"}) {
    EXPECT_EQ(why_not("a: b\nname: \"fill" + std::string(code) + "[8m\"\n"),
              "f.yaml:2:7: a control character in a text; write plain text")
        << code;
    EXPECT_EQ(why_not("\"a" + std::string(code) + "\": 1\n"),
              "f.yaml:1:1: a control character in a text; write plain text")
        << code;
  }
  EXPECT_EQ(why_not("\"a\\e\": 1\n\"a\\e\": 1\n").find('\x1b'), std::string::npos);
  EXPECT_EQ(why_not("a: b  # \u009b8m\n"),
            "f.yaml:1:9: a control character, which has no place in a text file; remove it");
  EXPECT_EQ(why_not("a: \"\\u00a0 \\\" ~ °C µ\"\n"), "accepted");
  EXPECT_EQ(why_not("a: |\n  two\n  lines\n"), "accepted");
}

struct Bad {
  std::string text;
  std::string message;
};

TEST(Document, refuses_with_the_place_of_each_problem) {
  const std::vector<Bad> table{
      {"", "f.yaml:1:1: the file holds nothing"},
      {"# only a comment\n", "f.yaml:1:1: the file holds nothing"},
      {"a: 1\nb: 2\na: 3\n",
       "f.yaml:3:1: key `a` appears twice, first in line 1; keep one of them"},
      {"a: &x 1\nb: *x\n",
       "f.yaml:1:4: an anchor `&x`, which is not supported; write the value out where it is used\n"
       "f.yaml:2:4: an alias, which is not supported; write the value out"},
      {"a: 1\n---\nb: 2\n", "f.yaml:2:1: a second document begins; keep one document in each file"},
      {"a: !!int 1\n",
       "f.yaml:1:4: a tag `tag:yaml.org,2002:int`, which is not supported; leave the tag out"},
      {"? [a, b]\n: 1\n",
       "f.yaml:1:3: a key that is not plain text; write a mapping as `key: value`"},
      {"~: 1\n", "f.yaml:1:1: a key that is not plain text; write a mapping as `key: value`"},
      {"a: \xFF\n", "f.yaml:1:4: bytes that are not UTF-8; save the file as UTF-8"},
      {"a: \xC0\xAF\n", "f.yaml:1:4: bytes that are not UTF-8; save the file as UTF-8"},
      {"a: \xED\xA0\x80\n", "f.yaml:1:4: bytes that are not UTF-8; save the file as UTF-8"},
      {std::string("a: 1\nb\0: 2", 10),
       "f.yaml:2:2: a control character, which has no place in a text file; remove it"},
      {"a: 1\nb: \x1B[31m\n",
       "f.yaml:2:4: a control character, which has no place in a text file; remove it"},
  };
  for (const Bad& bad : table) EXPECT_EQ(why_not(bad.text), bad.message);
}

TEST(Document, reports_syntax_errors_and_tabs_with_their_place) {
  EXPECT_EQ(why_not("a:\n\tb: 1\n"),
            "f.yaml:2:3: not YAML: illegal map value; this line is indented by a tab: use spaces");
  EXPECT_THAT(why_not("a: [1, 2\n"), HasSubstr("not YAML: "));
  EXPECT_THAT(why_not("a: 1\n b: 2\n"), HasSubstr("f.yaml:2:"));
  EXPECT_THAT(why_not("%YAML 9.9\n---\na: 1\n"), HasSubstr("f.yaml:1:"));
}

TEST(Document, is_bounded_in_size_depth_and_number_of_values) {
  EXPECT_EQ(why_not(std::string(101, 'a'), {.bytes = 100}),
            "f.yaml: the file is larger than 100 bytes; split it or leave out what is not needed");
  EXPECT_EQ(why_not("a: 11\n", {.bytes = 6}), "accepted");
  EXPECT_EQ(why_not("[[[1]]]", {.depth = 3}), "accepted");
  EXPECT_EQ(why_not("[[[[1]]]]", {.depth = 3}),
            "f.yaml:1:4: nested deeper than 3 levels; flatten the file");
  EXPECT_EQ(why_not("[1, 2, 3]", {.nodes = 4}), "accepted");
  EXPECT_EQ(why_not("[1, 2, 3, 4]", {.nodes = 4}),
            "f.yaml:1:11: more than 4 values in one file; split the file or leave out what is not "
            "needed");
}

std::string repeated(std::string_view text, std::size_t times) {
  std::string all;
  for (std::size_t i = 0; i < times; ++i) all += text;
  return all;
}

TEST(Document, survives_nesting_made_to_exhaust_the_stack) {
  for (const char* piece :
       {"[",    "{",   "- ",  "? ",  "a: {",  "[{",    "[a: ", "{a: [", "[\n", ": ",
        "- - ", "!a ", "&a ", "?\n", "'[' [", "!!x [", "[? ",  "{? ",   "-\n", "[#\n"}) {
    const std::string text = repeated(piece, 200'000 / std::string_view(piece).size());
    EXPECT_NE(why_not(text), "accepted") << piece;
    EXPECT_NE(why_not("a: " + text), "accepted") << piece;
  }
  std::string stairs;
  for (std::size_t i = 0; i < 500; ++i) stairs += std::string(i, ' ') + "a:\n";
  EXPECT_THAT(why_not(stairs), HasSubstr("nested deeper than 32 levels"));
}

TEST(Document, does_not_take_brackets_in_comments_for_nesting) {
  EXPECT_EQ(why_not("# " + std::string(1000, '[') + "\na: 1 # {{{\n"), "accepted");
}

TEST(Document, survives_random_damage_to_a_valid_file) {
  const std::string valid =
      "cell: hut-radio-24\nvoltage: {empty: 3.00 V, full: '4.20 V'}\nsteps:\n  - name: wake\n"
      "    until:\n      any: [a >= 1, \"b\"]\n  - rest: 10 min # why\ntext: |\n  two\n  lines\n";
  const std::string alphabet = "[]{}:,-?&*!|>'\"%@`#\n\t \r~<=a1\xC2\xB0\x80\\";
  std::mt19937 random(20260101);  // NOLINT(bugprone-random-generator-seed): replayable
  for (int round = 0; round < 5000; ++round) {
    std::string text = valid;
    for (std::size_t damage = 1 + random() % 8; damage > 0; --damage) {
      const std::size_t at = random() % text.size();
      switch (random() % 4) {
        case 0:
          text[at] = alphabet[random() % alphabet.size()];
          break;
        case 1:
          text.insert(at, 1, alphabet[random() % alphabet.size()]);
          break;
        case 2:
          text.erase(at, 1 + random() % 5);
          break;
        default:
          text[at] = static_cast<char>(random() % 256);
      }
      if (text.empty()) text = "a";
    }
    const Checked<Document> document = parse_document(text, "f.yaml");
    if (!document) {
      ASSERT_FALSE(document.error().list.empty()) << text;
    }
  }
}

class Files : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string name = (std::filesystem::temp_directory_path() / "document-XXXXXX").string();
    ASSERT_NE(::mkdtemp(name.data()), nullptr);
    folder_ = name;
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  std::filesystem::path folder_;
};

TEST_F(Files, reads_a_regular_file_and_nothing_else) {
  const std::string path = (folder_ / "a.yaml").string();
  std::ofstream(path) << "a: 1\n";
  EXPECT_EQ(read_document(path).value().root.fields[0].second.scalar, "1");
  EXPECT_EQ(read_document(path).value().file, path);
  EXPECT_EQ(describe(read_document(folder_ / "b.yaml").error()),
            (folder_ / "b.yaml").string() + ": cannot be opened: No such file or directory");
  EXPECT_THAT(describe(read_document(folder_).error()), HasSubstr("is not a regular file"));
  const std::string pipe = (folder_ / "pipe").string();
  ASSERT_EQ(::mkfifo(pipe.c_str(), 0600), 0);
  EXPECT_THAT(describe(read_document(pipe).error()), HasSubstr("is not a regular file"));
}

TEST_F(Files, stops_reading_at_the_bound) {
  const std::string path = (folder_ / "big.yaml").string();
  std::ofstream(path) << std::string(300 * 1024, 'a');
  EXPECT_THAT(describe(read_document(path).error()), HasSubstr("larger than 262144 bytes"));
}

TEST(Mapping, reports_unknown_keys_with_the_nearest_known_name) {
  const Document document = parse_document("volatge: 1\nfull: 2\nwhatever: 3\n", "f.yaml").value();
  Failures problems;
  Mapping mapping(document, document.root, problems, "the cell");
  EXPECT_EQ(mapping.take("voltage"), nullptr);
  ASSERT_NE(mapping.take("full"), nullptr);
  mapping.finish();
  EXPECT_EQ(describe(problems),
            "f.yaml:1:1: unknown key `volatge` in the cell; did you mean `voltage`?\n"
            "f.yaml:3:1: unknown key `whatever` in the cell; known are voltage, full");
}

TEST(Mapping, reports_a_missing_key_and_a_node_that_is_no_mapping_once) {
  const Document document = parse_document("a: 1\nb: [1]\n", "f.yaml").value();
  Failures problems;
  Mapping root(document, document.root, problems, "the cell");
  EXPECT_EQ(root.need("c"), nullptr);
  Mapping sub(document, *root.need("b"), problems, "`b`");
  EXPECT_EQ(sub.need("x"), nullptr);
  EXPECT_EQ(sub.take("y"), nullptr);
  sub.finish();
  EXPECT_EQ(describe(problems),
            "f.yaml:1:1: the cell lacks the key `c`\n"
            "f.yaml:2:4: `b` must be a mapping; write `key: value`, one a line");
}

TEST(Mapping, gives_the_place_of_the_node_to_a_failed_quantity) {
  const Document document = parse_document("a: x\n", "f.yaml").value();
  Failures problems;
  int value = 7;
  EXPECT_FALSE(accept(document, document.root.fields[0].second,
                      Result<int>(Failure{{}, "no number", {}}), value, problems));
  EXPECT_EQ(value, 7);
  EXPECT_EQ(describe(problems), "f.yaml:1:4: no number");
}

TEST(NearestName, looks_within_a_third_of_the_length_in_edits) {
  const std::vector<std::string> names{"voltage", "current", "temperature", "every"};
  EXPECT_EQ(nearest_name("volage", names), "voltage");
  EXPECT_EQ(nearest_name("curent", names), "current");
  EXPECT_EQ(nearest_name("temprature", names), "temperature");
  EXPECT_EQ(nearest_name("power", names), "");
  EXPECT_EQ(nearest_name("", names), "");
  EXPECT_EQ(nearest_name(std::string(10'000, 'v'), names), "");
}

}  // namespace
}  // namespace chargewright::drivers

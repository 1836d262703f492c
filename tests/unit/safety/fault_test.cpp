#include "safety/fault.h"

#include <gtest/gtest.h>

#include <cmath>
#include <set>

#include "safety/guard.h"

namespace chargewright::safety {
namespace {

bool has(const std::string& text, std::string_view part) {
  return text.find(part) != std::string::npos;
}

TEST(Fault, has_a_key_of_its_own_for_every_cause) {
  std::set<std::string_view> keys;
  for (std::size_t k = 0; k <= cause_count; ++k) {
    EXPECT_TRUE(keys.insert(key_of(static_cast<Cause>(k))).second);
  }
  EXPECT_EQ(key_of(Cause::voltage_high), "voltage-high");
}

TEST(Fault, says_value_limit_unit_and_origin) {
  const Fault fault{.cause = Cause::voltage_high,
                    .sensor = static_cast<std::uint8_t>(Subject::cell_voltage),
                    .origin = 4,
                    .measured = 4.262,
                    .limit = 4.25};
  const std::string text = describe(fault);
  EXPECT_TRUE(has(text, "4.262 V")) << text;
  EXPECT_TRUE(has(text, "4.25")) << text;
  EXPECT_TRUE(has(text, "above")) << text;
  EXPECT_TRUE(has(text, "profile")) << text;
}

TEST(Fault, says_which_thermometer) {
  const std::string text = describe(
      {.cause = Cause::temperature_high, .sensor = 1, .origin = 0, .measured = 48.5, .limit = 48});
  EXPECT_TRUE(has(text, "thermometer 2")) << text;
  EXPECT_TRUE(has(text, "48.5")) << text;
}

TEST(Fault, describes_every_cause_even_with_impossible_values) {
  for (std::size_t k = 0; k <= cause_count; ++k) {
    for (const double value : {0.0, -1.5, 1e300, static_cast<double>(NAN), HUGE_VAL}) {
      for (const int sensor : {0, 7, 8, 12, 16, 17, 200, 255}) {
        const std::string text = describe({.cause = static_cast<Cause>(k),
                                           .sensor = static_cast<std::uint8_t>(sensor),
                                           .origin = 200,
                                           .measured = value,
                                           .limit = value});
        EXPECT_FALSE(text.empty());
      }
    }
  }
}

TEST(Refusal, has_a_key_and_a_sentence_of_its_own_for_every_kind) {
  std::set<std::string_view> keys;
  std::set<std::string_view> sentences;
  for (int k = 0; k <= static_cast<int>(Refusal::no_dead_man); ++k) {
    EXPECT_TRUE(keys.insert(key_of(static_cast<Refusal>(k))).second);
    EXPECT_TRUE(sentences.insert(describe(static_cast<Refusal>(k))).second);
  }
  EXPECT_FALSE(keys.contains("invalid"));
}

}  // namespace
}  // namespace chargewright::safety

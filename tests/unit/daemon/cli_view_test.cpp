// What `watch` shows: fits its width, and never shows as known what is not.

#include <gtest/gtest.h>

#include <boost/json.hpp>
#include <cmath>

#include "daemon/cli/facts.h"
#include "daemon/cli/watch_view.h"

namespace chargewright::daemon {
namespace {

boost::json::object channel() {
  return boost::json::parse(R"({
    "bench": "hut-bench", "channel": "left", "state": "energised", "output_on": true,
    "readings": {"voltage_v": 3.9821, "current_a": 6.41, "hottest_degc": 33.44},
    "tally": {"charge_in_ah": 1.2, "energy_in_wh": 4.53, "on_time_s": 700},
    "margins": [
      {"limit": "voltage-above", "unit": "V", "at": 4.24, "origin": "profile", "measured": 3.98, "used": 0.94},
      {"limit": "temperature-rising", "unit": "K/s", "at": 0.0333, "origin": "profile", "measured": null, "used": null}],
    "trip": null,
    "run": {"id": "r1", "profile": "refill-between-sorties", "cell": "hut-radio-24", "phase": "running",
      "over": false, "step": 1, "steps": 4, "step_in_file": 1, "step_name": "fill",
      "step_names": ["wake", "fill", "settle", "watch"], "cycle": 0, "binding": "step-current",
      "binding_description": "the step's current ceiling sets the current",
      "fraction": 0.43, "seconds_left": 1860, "elapsed_s": 900, "step_elapsed_s": 500}
  })")
      .as_object();
}

std::string joined(const std::vector<std::string>& lines) {
  std::string text;
  for (const auto& line : lines) text += line + '\n';
  return text;
}

TEST(WatchView, shows_readings_progress_limits_and_what_binds) {
  const std::string text = joined(watch_view(channel(), {.width = 80}));
  for (const char* part :
       {"hut-bench / left", "refill-between-sorties on hut-radio-24", "running, energised",
        "> fill", "43 %", "about 31 min left", "3.982 V", "6.410 A", "33.4 °C", "1.2000 Ah",
        "the step's current ceiling sets the current", "voltage at most", "4.240 V", "(profile)"}) {
    EXPECT_NE(text.find(part), std::string::npos) << part << " is not in\n" << text;
  }
}

TEST(WatchView, keeps_to_the_width_of_its_terminal) {
  for (const int width : {20, 40, 80, 200}) {
    for (const auto& line : watch_view(channel(), {.width = width})) {
      EXPECT_LE(cells_of(line), width) << line;
    }
  }
}

TEST(WatchView, keeps_to_its_width_whatever_the_state_is_called) {
  auto facts = channel();
  facts["state"] = std::string(300, 's');
  for (const auto& line : watch_view(facts, {.width = 40})) EXPECT_LE(cells_of(line), 40);
}

TEST(WatchView, lets_no_text_steer_the_terminal) {
  auto facts = channel();
  facts["state"] = "\x1b[2Joff\n";
  facts["run"].as_object()["step_names"] = {"wake\x07",
                                            "\xc2\x9b"
                                            "31mfill"};
  facts["run"].as_object()["step_name"] = "fill\x7f";
  for (const auto& line : watch_view(facts, {.colour = false})) {
    EXPECT_EQ(line.find_first_of("\x1b\x07\x7f\n"), std::string::npos) << line;
    EXPECT_EQ(line.find("\xc2\x9b"), std::string::npos) << line;
  }
  EXPECT_EQ(watch_line(facts).find_first_of("\x1b\x7f\n"), std::string::npos);
}

TEST(WatchView, has_no_escapes_where_colour_is_not_welcome) {
  EXPECT_EQ(joined(watch_view(channel(), {.colour = false})).find('\x1b'), std::string::npos);
  EXPECT_NE(joined(watch_view(channel(), {.colour = true})).find('\x1b'), std::string::npos);
}

TEST(WatchView, shows_a_dash_for_what_is_not_known) {
  auto facts = channel();
  facts["readings"].as_object()["voltage_v"] = nullptr;
  EXPECT_NE(joined(watch_view(facts, {})).find("- V"), std::string::npos);
  EXPECT_NE(watch_line(facts).find("- V"), std::string::npos);
}

TEST(WatchView, calls_no_output_off_that_nobody_has_proved) {  // S4 S6
  auto facts = channel();
  for (const int width : {40, 80}) {
    facts["output_on"] = nullptr;
    const auto shows = [&](const char* state, const char* words) {
      facts["state"] = state;
      const auto view = joined(watch_view(facts, {.width = width}));
      EXPECT_NE(view.find(words), std::string::npos) << view;
    };
    shows("cutting", "output NOT verified off");
    shows("unknown", "output NOT verified off");
    shows("energised", "output on, NOT read back");
    shows("off", "output was off, source is silent");
    shows("tripped", "output was off, source is silent");
    facts["output_on"] = false;
    const auto off = joined(watch_view(facts, {.width = width}));
    EXPECT_NE(off.find("output off"), std::string::npos) << off;
  }
}

TEST(WatchView, tells_of_an_alarm_whenever_one_begins_to_watch) {  // S4 S8
  auto facts = channel();
  facts["state"] = "off";
  const auto before = watch_signature(facts);
  EXPECT_EQ(watch_line(facts).find("ALARM"), std::string::npos);
  facts["alarm"] = true;
  EXPECT_TRUE(watch_line(facts).starts_with("ALARM  off")) << watch_line(facts);
  EXPECT_NE(joined(watch_view(facts, {})).find("ALARM"), std::string::npos);
  EXPECT_NE(watch_signature(facts), before);
  facts["alarm_description"] = "thermometer 1: too warm";
  EXPECT_NE(watch_line(facts).find("alarm: thermometer 1: too warm"), std::string::npos);
  EXPECT_NE(joined(watch_view(facts, {})).find("alarm: thermometer 1: too warm"),
            std::string::npos);
}

TEST(WatchView, tells_the_whole_of_a_trip_however_narrow_the_terminal) {  // S5
  auto facts = channel();
  const std::string what =
      "thermometer 1: temperature 40.06 °C is above the limit of 40 °C (profile)";
  const std::string advice = "keep away while it is warm, let it cool where it can burn";
  facts["trip"] = {{"description", what}, {"advice", advice}};
  for (const int width : {20, 40, 80}) {
    std::string words;
    for (const auto& line : watch_view(facts, {.width = width, .colour = false})) {
      EXPECT_LE(cells_of(line), width) << line;
      words += line.starts_with("   ") ? ' ' + line.substr(3) : line;
    }
    EXPECT_NE(words.find("tripped: " + what), std::string::npos) << words;
    EXPECT_NE(words.find(advice), std::string::npos) << words;
  }
}

TEST(WatchView, counts_no_time_left_of_a_run_that_is_over) {
  auto facts = channel();
  facts["run"].as_object()["over"] = true;
  EXPECT_EQ(joined(watch_view(facts, {})).find("31 min left"), std::string::npos);
}

TEST(WatchView, bears_any_json) {
  for (const char* text :
       {"{}", R"({"run": 1, "margins": {}, "readings": []})",
        R"({"run": {"step_names": [1, null], "step_in_file": 99, "cycle": "x"}})",
        R"({"margins": [1, {"limit": "no-such"}, {"limit": "voltage-above"}]})",
        R"({"run": {"step_names": ["a"], "step_in_file": -1e300, "cycle": 1e300}})",
        R"({"run": {"elapsed_s": 1e300, "seconds_left": -5, "fraction": 1e9}})"}) {
    const auto facts = boost::json::parse(text).as_object();
    EXPECT_FALSE(watch_view(facts, {}).empty()) << text;
    EXPECT_NO_THROW((void)watch_line(facts));
  }
}

TEST(WatchView, a_trip_changes_the_signature_and_a_reading_does_not) {
  auto facts = channel();
  const auto before = watch_signature(facts);
  facts["readings"].as_object()["voltage_v"] = 3.5;
  EXPECT_EQ(watch_signature(facts), before);
  facts["trip"] = boost::json::object{{"description", "voltage 4.251 V above 4.240 V"}};
  EXPECT_NE(watch_signature(facts), before);
  EXPECT_NE(watch_line(facts).find("tripped: voltage 4.251 V above 4.240 V"), std::string::npos);
}

TEST(WatchView, warns_that_a_run_resumes_by_itself_or_says_why_not) {  // S9
  auto facts = channel();
  const std::string before = watch_signature(facts);
  facts["resumption"] = {{"run", "r0"}, {"state", "warning"}, {"seconds_left", 24}};
  for (const std::string& text : {joined(watch_view(facts, {.width = 80})), watch_line(facts)}) {
    EXPECT_NE(text.find("RESUMES BY ITSELF in 24 s; `cut` prevents it"), std::string::npos) << text;
  }
  EXPECT_NE(watch_signature(facts), before);
  facts["resumption"] = {{"state", "waiting"}};
  EXPECT_NE(watch_line(facts).find("may resume BY ITSELF"), std::string::npos);
  facts["resumption"] = {{"state", "given-up"}, {"description", "another cell"}};
  EXPECT_NE(watch_line(facts).find("not resumed: another cell"), std::string::npos);
}

TEST(Look, wraps_at_blanks_and_breaks_a_word_only_where_it_must) {
  using Lines = std::vector<std::string>;
  EXPECT_EQ(wrapped("40 °C is warm", 5), (Lines{"40 °C", "is", "warm"}));
  EXPECT_EQ(wrapped("a °°°°°°° b", 3), (Lines{"a", "°°°", "°°°", "° b"}));
  EXPECT_EQ(wrapped("", 3), Lines{});
}

TEST(Look, tables_line_up_and_bars_are_bounded) {
  EXPECT_EQ(to_text(Table{{"a", "b"}, {"long", "c"}}), "a     b\nlong  c\n");
  EXPECT_EQ(bar(0.5, 4), "==··");
  EXPECT_EQ(bar(7, 4), "====");
  EXPECT_EQ(bar(std::nan(""), 4), "····");
  EXPECT_EQ(fitted("°C°C", 3), "°C°");
  EXPECT_EQ(fitted("ab", 4), "ab  ");
}

TEST(Facts, are_said_in_the_units_of_people) {
  EXPECT_EQ(span_text(8.4), "8 s");
  EXPECT_EQ(span_text(250), "4 min 10 s");
  EXPECT_EQ(span_text(1860), "31 min");
  EXPECT_EQ(span_text(3900), "1 h 5 min");
  EXPECT_EQ(span_text({}), "-");
  EXPECT_EQ(span_text(-1), "-");
  EXPECT_EQ(quantity_text(1.23456, 3, "V"), "1.235 V");
  EXPECT_EQ(quantity_text({}, 3, "V"), "- V");
  EXPECT_EQ(quantity_text(-0.3, 0, "s"), "0 s");
  EXPECT_EQ(quantity_text(-0.0004, 3, "A"), "0.000 A");
  EXPECT_EQ(quantity_text(-0.0006, 3, "A"), "-0.001 A");
}

// JSON's own grammar lets through what no double holds.
TEST(Facts, that_are_no_finite_number_are_not_known) {
  const auto facts = boost::json::parse(R"({"huge": 1e999, "none": 0e999, "deep": -0E99999})");
  for (const char* key : {"huge", "none", "deep"}) {
    EXPECT_EQ(number_in(facts.get_object(), key), std::nullopt) << key;
  }
  for (const double time : {std::nan(""), -std::nan(""), HUGE_VAL, 1e300}) {
    EXPECT_EQ(moment_text(time), "-");
    EXPECT_EQ(span_text(time), "-");
    EXPECT_EQ(quantity_text(time, 1, ""), "-");
  }
}

TEST(EventLine, tells_the_cut_with_its_times) {
  EXPECT_EQ(event_line({{"kind", "cut-stage"}, {"stage", "off-confirmed"}, {"after_ms", 12.34}}),
            "cut: off-confirmed after 12.3 ms");
  EXPECT_EQ(event_line({{"kind", "tripped"}, {"description", "too hot"}}), "tripped: too hot");
  EXPECT_EQ(event_line({{"kind", "setpoints-set"}}), "");
}

}  // namespace
}  // namespace chargewright::daemon

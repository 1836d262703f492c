#include "profiles/profile.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

namespace chargewright::profiles {
namespace {

using namespace drivers;
using namespace drivers::literals;
using namespace std::chrono_literals;

const std::string refill =
    "profile: refill\n"
    "cell: hut-radio-24\n"
    "steps:\n"
    "  - name: wake\n"
    "    charge: {current: C/10, voltage: 3.00 V}\n"
    "    until: voltage >= 2.95 V\n"
    "    within: 30 min\n"
    "  - charge: {current: 3 A, voltage: 4.20 V, power: 12 W, temperature: 43 °C}\n"
    "    until: {any: [current <= C/20 for 5 s, charge >= 105 %]}\n"
    "  - name: settle\n"
    "    rest: 10 min\n"
    "    until: temperature <= 25 °C\n"
    "limits:\n"
    "  voltage: {above: {limit: 4.24 V, for: 200 ms}, below: 2.50 V}\n"
    "  current: {above: 3.3 C, reverse: 100 mA}\n"
    "  power: {above: 40 W}\n"
    "  temperature: {above: 48 °C, below: 5 °C, rising: 2 °C/min}\n"
    "  charge: {above: 110 %}\n"
    "  energy: {above: 12 Wh}\n"
    "  time: {above: 90 min, step-above: 80 min}\n";

Checked<Profile> read(const std::string& text) {
  return read_profile(parse_document(text, "p.yaml").value());
}
std::string why_not(const std::string& text) {
  const Checked<Profile> profile = read(text);
  return profile ? "accepted" : describe(profile.error());
}
// A whole profile around these steps.
std::string with_steps(const std::string& steps) {
  return "profile: p\nsteps:\n" + steps + "limits: {time: {above: 1 h}}\n";
}
// ... around these limits, in line 3.
std::string with_limits(const std::string& limits) {
  return "profile: p\nsteps: [rest: 1 min]\nlimits: " + limits + "\n";
}

Cell radio() {
  Cell cell;
  cell.name = "hut-radio-24";
  cell.capacity = 2.4_Ah;
  return cell;
}

TEST(Profile, reads_what_its_file_says) {
  const Profile profile = read(refill).value();
  EXPECT_EQ(profile.name, "refill");
  EXPECT_EQ(profile.cell, "hut-radio-24");
  EXPECT_EQ(profile.cell_place.line, 2);
  ASSERT_EQ(profile.steps.size(), 3U);
  EXPECT_EQ(profile.steps[0].name, "wake");
  EXPECT_EQ(profile.steps[1].name, "step 2");
  EXPECT_EQ(profile.steps[0].within, 30min);
  EXPECT_EQ(profile.steps[1].charge.power, 12.0_W);
  EXPECT_EQ(profile.steps[1].charge.voltage_place.line, 8);
  EXPECT_EQ(profile.steps[2].verb, StepVerb::rest);
  EXPECT_EQ(profile.limits_place.line, 13);
  EXPECT_EQ(profile.limits.voltage_above->on_delay, 200ms);
  EXPECT_EQ(profile.limits.voltage_above->text, "4.24 V");
  EXPECT_EQ(profile.limits.current_above->relation, Relation::c_rate);
  EXPECT_EQ(profile.limits.temperature_rising->place.line, 17);
}

// On a line of its own it would look like a word of ours.
TEST(Profile, takes_more_than_one_line_for_its_description_only) {
  EXPECT_EQ(why_not(with_steps("  - {name: \"fill\\n\\nno problems\", rest: 1 min}\n")),
            "p.yaml:3:12: `name` must be on one line");
  EXPECT_EQ(read("profile: p\ndescription: \"two\\nlines\"\nsteps: [rest: 1 min]\n"
                 "limits: {time: {above: 1 h}}\n")
                .value()
                .description,
            "two\nlines");
}

TEST(Profile, stops_after_an_interruption_unless_it_says_otherwise) {  // S9
  EXPECT_FALSE(read(refill).value().resumption);
  EXPECT_FALSE(read(refill + "after-interruption: stop\n").value().resumption);
  const Profile resumes =
      read(refill + "after-interruption: {resume-within: 20 min, times: 2, warning: 1 min}\n")
          .value();
  EXPECT_EQ(resumes.resumption, (Resumption{.within = 20min, .times = 2, .warning = 1min}));
  EXPECT_GT(resumes.resumption_place.line, resumes.limits_place.line);
  const Profile usual =
      read(refill + "after-interruption: {resume-within: 24 h, times: 10}\n").value();
  EXPECT_EQ(usual.resumption, (Resumption{.within = 24h, .times = 10, .warning = 30s}));
}

TEST(Profile, is_never_made_to_resume_by_one_word_or_without_bounds) {  // S9
  const auto why_not = [](const std::string& value) {
    const auto profile = read(refill + "after-interruption: " + value + "\n");
    return profile ? "accepted" : profile.error().list.front().cause;
  };
  for (const char* word : {"resume", "yes", "true", "Stop", "''"}) {
    EXPECT_EQ(why_not(word), "`after-interruption` must be `stop`, or say how it resumes") << word;
  }
  EXPECT_EQ(why_not("{times: 1}"), "`after-interruption` lacks the key `resume-within`");
  EXPECT_EQ(why_not("{resume-within: 5 min}"), "`after-interruption` lacks the key `times`");
  EXPECT_EQ(why_not("{resume-within: 0 s, times: 1}"),
            "`resume-within` must be more than nothing, up to 1 d");
  EXPECT_EQ(why_not("{resume-within: 25 h, times: 1}"),
            "`resume-within` must be more than nothing, up to 1 d");
  EXPECT_EQ(why_not("{resume-within: 5 min, times: 0}"),
            "`times` must be a whole number from 1 to 10");
  EXPECT_EQ(why_not("{resume-within: 5 min, times: 11}"),
            "`times` must be a whole number from 1 to 10");
  EXPECT_EQ(why_not("{resume-within: 5 min, times: 1, warning: 9 s}"),
            "`warning` must be from 10 s to 10 min");
  EXPECT_EQ(why_not("{resume-within: 5 min, times: 1, warning: 11 min}"),
            "`warning` must be from 10 s to 10 min");
}

TEST(Profile, resolves_against_a_cell_into_plain_numbers) {
  const Procedure procedure = resolve(read(refill).value(), radio());
  ASSERT_EQ(procedure.steps.size(), 3U);
  EXPECT_DOUBLE_EQ(procedure.steps[0].ceilings.current.value(), 0.24);
  EXPECT_EQ(procedure.steps[0].ceilings.voltage, 3.0_V);
  EXPECT_FALSE(procedure.steps[0].ceilings.temperature.has_value());
  EXPECT_EQ(procedure.steps[1].ceilings.current, 3.0_A);
  EXPECT_EQ(procedure.steps[1].ceilings.temperature, celsius(43));
  EXPECT_EQ(describe(procedure.steps[1].until),
            "any of (current <= 120 mA for 5 s; charge >= 2.52 Ah)");
  EXPECT_EQ(procedure.steps[2].rest, 10min);
  EXPECT_EQ(describe(procedure.steps[2].until), "temperature <= 25 °C");
  ASSERT_EQ(procedure.order.size(), 3U);
  EXPECT_EQ(procedure.order[2].step, 2);

  const safety::Limits limits =
      resolve(read(refill).value().limits, 2.4_Ah, safety::Origin::profile);
  EXPECT_DOUBLE_EQ(limits.current_above->value.value(), 7.92);
  EXPECT_DOUBLE_EQ(in_ampere_hours(limits.charge_above->value), 2.64);
  EXPECT_EQ(limits.run_time->value, 90min);
  EXPECT_EQ(limits.step_time->value, 80min);
  EXPECT_EQ(limits.voltage_above->origin, safety::Origin::profile);
  EXPECT_EQ(limits.voltage_above->on_delay, 200ms);
}

TEST(Profile, lays_repeats_out_in_the_order_of_execution) {
  const Profile profile =
      read(with_steps("  - name: a\n"
                      "    rest: 1 s\n"
                      "  - repeat:\n"
                      "      times: 2\n"
                      "      steps:\n"
                      "        - name: b\n"
                      "          rest: 2 s\n"
                      "        - repeat: {times: 3, steps: [{name: c, rest: 3 s}]}\n"
                      "  - name: d\n"
                      "    rest: 4 s\n"))
          .value();
  const Procedure procedure = resolve(profile, radio());
  std::string order;
  for (const Procedure::Executed& executed : procedure.order) {
    order += procedure.steps[executed.step].name + std::to_string(executed.cycle);
  }
  EXPECT_EQ(procedure.steps.size(), 4U);
  EXPECT_EQ(order, "a0b0c0c1c2b1c0c1c2d0");
}

TEST(Profile, is_bounded_in_executed_steps_and_in_nesting) {
  const auto repeated = [](int times) {
    return with_steps("  - repeat: {times: " + std::to_string(times) +
                      ", steps: [rest: 1 s, rest: 1 s]}\n");
  };
  EXPECT_EQ(why_not(repeated(5000)), "accepted");
  EXPECT_EQ(why_not(repeated(5001)),
            "p.yaml:3:3: more than 10000 steps in all, counting repeats; repeat fewer times");
  std::string nested = "{rest: 1 s}";
  for (int level = 0; level < 4; ++level) {
    nested = "{repeat: {times: 10000, steps: [" + nested + "]}}";
  }
  EXPECT_EQ(why_not(with_steps("  - " + nested + "\n")),
            "p.yaml:3:3: more than 10000 steps in all, counting repeats; repeat fewer times");
  EXPECT_NE(why_not(with_steps("  - {repeat: {times: 1, steps: [" + nested + "]}}\n"))
                .find("repeats nested deeper than 4 levels"),
            std::string::npos);
}

struct Bad {
  std::string text;
  std::string message;
};

TEST(Profile, refuses_each_mistake_with_its_place_and_what_was_expected) {
  const std::vector<Bad> table{
      {with_steps("  - nmae: x\n    rest: 1 s\n"),
       "p.yaml:3:5: unknown key `nmae` in a step; did you mean `name`?"},
      {with_steps("  - name: x\n"),
       "p.yaml:3:5: a step without a verb; give it exactly one of `charge`, `rest`, `repeat`"},
      {with_steps("  - rest: 1 s\n    repeat: {times: 2, steps: [rest: 1 s]}\n"),
       "p.yaml:3:5: a step with more than one verb; give it exactly one of `charge`, `rest`, "
       "`repeat`"},
      {with_steps("  - rset: 1 s\n"),
       "p.yaml:3:5: a step without a verb; give it exactly one of `charge`, `rest`, `repeat`\n"
       "p.yaml:3:5: unknown key `rset` in a step; did you mean `rest`?"},
      {with_steps("  - rest: 10\n"),
       "p.yaml:3:11: a bare number: a unit is needed; write seconds, minutes or hours, for example "
       "90 min"},
      {with_steps("  - rest: 0 s\n"), "p.yaml:3:11: a rest of no time"},
      {with_steps("  - rest: 1 s\n    within: 1 s\n"),
       "p.yaml:4:13: `within` on a step that is not a charge; a rest ends by its own time"},
      {with_steps("  - charge: {current: 1 A, voltage: 4.2 V}\n"),
       "p.yaml:3:13: a charge without an end; give the step an `until`, for example `until: "
       "current <= C/20 for 5 s`"},
      {with_steps("  - charge: {current: 1, voltage: 4.2}\n    until: voltage >= 4 V\n"),
       "p.yaml:3:23: a bare number: a unit is needed; write amperes or a C-rate, for example 1.5 A "
       "or C/20\n"
       "p.yaml:3:35: a bare number: a unit is needed; write volts, for example 4.2 V"},
      {with_steps("  - charge: {current: -1 A, voltage: 0 V}\n    until: voltage >= 4 V\n"),
       "p.yaml:3:23: `current` must be more than nothing\n"
       "p.yaml:3:38: `voltage` must be more than nothing"},
      {with_steps("  - charge: {current: 1 A}\n    until: voltage >= 4 V\n"),
       "p.yaml:3:13: `charge` lacks the key `voltage`"},
      {with_steps("  - charge: 1 A\n    until: voltage >= 4 V\n"),
       "p.yaml:3:13: `charge` must be a mapping; write `key: value`, one a line"},
      {with_steps("  - charge: {current: 1 A, voltage: 4 V, cutoff: C/20}\n    until: voltage >= 4 "
                  "V\n"),
       "p.yaml:3:42: unknown key `cutoff` in `charge`; known are current, voltage, power, "
       "temperature"},
      {with_steps("  - repeat: {times: 0, steps: [rest: 1 s]}\n"),
       "p.yaml:3:21: `times` must be a whole number from 1 to 10000"},
      {with_steps("  - repeat: {times: 2.5, steps: []}\n"),
       "p.yaml:3:21: `times` must be a whole number from 1 to 10000\n"
       "p.yaml:3:33: `steps` must be a list of steps; write `- rest: 10 min` and the like, one "
       "below the other"},
      {with_steps("  - repeat: {times: 2, steps: [rest: 1 s]}\n    until: voltage >= 4 V\n"),
       "p.yaml:4:12: `until` on a repeat; it ends after its `times`"},
      {"profile: p\nsteps: x\n",
       "p.yaml:1:1: a profile lacks the key `limits`\n"
       "p.yaml:2:8: `steps` must be a list of steps; write `- rest: 10 min` and the like, one "
       "below "
       "the other"},
      {"- 1\n", "p.yaml:1:1: a profile must be a mapping; write `key: value`, one a line"},
      {with_limits("{voltage: {over: 4.2 V}}"),
       "p.yaml:3:20: unknown key `over` in `voltage`; known are above, below"},
      {with_limits("{voltage: {abov: 4.2 V}}"),
       "p.yaml:3:20: unknown key `abov` in `voltage`; did you mean `above`?"},
      {with_limits("{current: {above: 0 A}}"),
       "p.yaml:3:27: a limit of 0 A, which must be more than nothing"},
      {with_limits("{temperature: {above: 45}}"),
       "p.yaml:3:31: a bare number: a unit is needed; write degrees Celsius, for example 45 degC"},
      {with_limits("{voltage: {above: {limit: 4.2 V, for: 5 s}}}"),
       "p.yaml:3:47: an on-delay of more than 1 s; shorten it"},
      {with_limits("{time: {above: {limit: 1 h, for: 5 s}}}"),
       "p.yaml:3:42: this limit has no on-delay: what it counts does not bounce; leave `for` out"},
      {with_limits("{voltage: {above: {for: 200 ms}}}"),
       "p.yaml:3:27: a limit lacks the key `limit`"},
      {with_limits("{voltage: {above: [4.2 V]}}"), "p.yaml:3:27: `above` must be a single value"},
      {with_limits("{voltage: {above: }}"),
       "p.yaml:3:20: `above` must be a single value; write one, or leave the key out"},
  };
  for (const Bad& bad : table) EXPECT_EQ(why_not(bad.text), bad.message) << bad.text;
}

class Folders : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string name = (std::filesystem::temp_directory_path() / "profiles-XXXXXX").string();
    ASSERT_NE(::mkdtemp(name.data()), nullptr);
    folder_ = name;
    std::filesystem::create_directory(folder_ / "cells");
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  void write(const std::filesystem::path& path, const std::string& text) const {
    std::ofstream(folder_ / path) << text;
  }
  static std::string cell(const std::string& description) {
    return "cell: hut-radio-24\ndescription: " + description +
           "\nchemistry: li-ion-nmc\narrangement: 1s1p\ncapacity: 2.4 Ah\n"
           "voltage: {empty: 3 V, full: 4.2 V, never-above: 4.25 V, never-below: 2.5 V}\n"
           "current: {charge: 3 C}\ntemperature: {charge: 5 degC to 45 degC, never-above: 60 "
           "degC}\n";
  }
  std::filesystem::path folder_;
};

TEST_F(Folders, finds_the_cell_beside_the_profile_first_and_then_where_it_is_told) {
  write("p.yaml", refill);
  const Profile profile = load_profile(folder_ / "p.yaml").value();
  const std::vector<std::string> folders{(folder_ / "nowhere").string(),
                                         (folder_ / "cells").string()};
  const Checked<Cell> missing = load_cell_of(profile, folders);
  ASSERT_FALSE(missing.has_value());
  EXPECT_EQ(describe(missing.error()),
            (folder_ / "p.yaml").string() + ":2:7: no cell file `hut-radio-24.yaml`; looked in " +
                folder_.string() + ", " + folders[0] + ", " + folders[1]);
  write("cells/hut-radio-24.yaml", cell("far"));
  EXPECT_EQ(load_cell_of(profile, folders).value().file,
            (folder_ / "cells/hut-radio-24.yaml").string());
  write("hut-radio-24.yaml", cell("near"));
  EXPECT_EQ(load_cell_of(profile, folders).value().file, (folder_ / "hut-radio-24.yaml").string());
}

}  // namespace
}  // namespace chargewright::profiles

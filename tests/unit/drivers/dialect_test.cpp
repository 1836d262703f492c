#include "drivers/dialect.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <string>

#include "tests/support/places.h"

namespace chargewright::drivers {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;

const std::string shipped = test::in_source("drivers/dialects");

std::string filled(const Template& message, const Filling& with) {
  char text[message_length_max];
  const auto size = fill(message, with, text, sizeof text);
  return size ? std::string(text, *size) : "refused";
}

// A folder of dialect files, gone at the end of the test.
class DialectFiles : public testing::Test {
 protected:
  DialectFiles() {
    const auto* test = testing::UnitTest::GetInstance()->current_test_info();
    folder_ = std::filesystem::temp_directory_path() /
              ("dialects-" + std::to_string(::getpid()) + "-" + test->name());
    std::filesystem::create_directories(folder_);
  }
  ~DialectFiles() override { std::filesystem::remove_all(folder_); }

  void write(const std::string& name, const std::string& text) {
    std::ofstream(folder_ / (name + ".yaml")) << text;
  }
  // The problems of dialect `name`, or an empty text.
  std::string problems(const std::string& name) {
    const auto loaded = load_dialect(name, {folder_.string(), shipped});
    return loaded ? std::string() : describe(loaded.error());
  }
  // The problems of a dialect called d with these lines in it.
  std::string problems_of(const std::string& lines) {
    write("d", "dialect: d\nextends: ieee-488-2\n" + lines);
    return problems("d");
  }
  Dialect load(const std::string& lines) {
    write("d", "dialect: d\nextends: ieee-488-2\n" + lines);
    auto loaded = load_dialect("d", {folder_.string(), shipped});
    EXPECT_TRUE(loaded) << describe(loaded.error());
    return loaded ? std::move(*loaded) : Dialect{};
  }
  std::string path(const std::string& name) { return (folder_ / (name + ".yaml")).string(); }

  std::filesystem::path folder_;
};

TEST(ShippedDialects, all_load) {
  for (const auto& entry : std::filesystem::directory_iterator(shipped)) {
    const auto loaded = load_dialect(entry.path().stem().string(), {shipped});
    EXPECT_TRUE(loaded) << describe(loaded.error());
  }
}

TEST(ShippedDialects, supply_spells_every_verb_of_a_source) {
  const Dialect supply = load_dialect("scpi-supply", {shipped}).value();
  for (const Verb verb : {Verb::identify, Verb::drain_errors, Verb::set_voltage, Verb::set_current,
                          Verb::read_voltage_setpoint, Verb::read_current_setpoint, Verb::output_on,
                          Verb::output_off, Verb::read_output, Verb::set_over_voltage,
                          Verb::set_over_current, Verb::read_protection, Verb::clear_protection,
                          Verb::read_regulation, Verb::measure_voltage, Verb::measure_current}) {
    EXPECT_TRUE(supply.has(verb)) << key_of(verb);
  }
  EXPECT_FALSE(supply.has(Verb::measure_temperature));
  EXPECT_EQ(filled(supply[Verb::set_voltage].send, {.value = 4.2}), "SOUR:VOLT 4.2000");
  EXPECT_EQ(filled(supply.resync_send, {.nonce = 17}), "*ESE 17");
  EXPECT_EQ(supply.files.size(), 2U);
  EXPECT_THAT(supply.files[0].path, HasSubstr("scpi-supply.yaml"));
}

TEST(ShippedDialects, a_thermometer_with_one_input_calls_it_1) {
  const Dialect probe = load_dialect("scpi-thermometer", {shipped}).value();
  const Template& ask = probe[Verb::measure_temperature].ask->message;
  EXPECT_EQ(filled(ask, {.channel = 0}), "MEAS:TEMP? (@1)");
  EXPECT_EQ(filled(ask, {.channel = 12}), "MEAS:TEMP? (@12)");
}

TEST(Templates, fill_refuses_what_no_instrument_takes) {
  const Template message = compile_template("VOLT {V:.3f}", 'V').value();
  EXPECT_EQ(filled(message, {.value = 4.2}), "VOLT 4.200");
  EXPECT_EQ(filled(message, {.value = -0.0001}), "VOLT 0.000");
  EXPECT_EQ(filled(message, {.value = std::nan("")}), "refused");
  EXPECT_EQ(filled(message, {.value = 1e300}), "refused");
  char little[8];
  EXPECT_FALSE(fill(message, {.value = 4.2}, little, sizeof little));
}

TEST(Templates, scale_by_the_unit_in_the_hole) {
  EXPECT_EQ(filled(compile_template("VOLT {mV:.0f}mV", 'V').value(), {.value = 4.2}),
            "VOLT 4200mV");
  EXPECT_EQ(filled(compile_template("{value:.2f} {n}", 'A').value(), {.value = 1, .channel = 3}),
            "1.00 3");
}

TEST_F(DialectFiles, all_problems_come_at_once_and_each_with_its_place) {
  const std::string text = problems_of(
      "set-voltage: {send: \"VOLT {A:.4f}\", prove: {ask: \"VOLT?\", within: 5 mA}}\n"
      "output-onn: {send: \"OUTP ON\"}\n"
      "measure-voltage: {ask: \"\", expect: words}\n"
      "between: 5\n");
  EXPECT_THAT(text, HasSubstr(path("d") + ":3:21: hole {A:.4f}"));
  EXPECT_THAT(text, HasSubstr(":3:67: `mA` is a unit of a current"));
  EXPECT_THAT(text, HasSubstr(":4:1: unknown key `output-onn`"));
  EXPECT_THAT(text, HasSubstr("did you mean `output-on`?"));
  EXPECT_THAT(text, HasSubstr(":5:24: an empty message"));
  EXPECT_THAT(text, HasSubstr("cannot expect `words`"));
  EXPECT_THAT(text, HasSubstr(":6:10: "));
}

struct Bad {
  const char* lines;
  const char* says;
};
class BadDialects : public DialectFiles, public testing::WithParamInterface<Bad> {};
TEST_P(BadDialects, are_refused) {
  EXPECT_THAT(problems_of(GetParam().lines), HasSubstr(GetParam().says)) << GetParam().lines;
}
INSTANTIATE_TEST_SUITE_P(
    Each, BadDialects,
    testing::Values(
        Bad{"set-voltage: {send: \"VOLT {V}\"}", "lacks the key `prove`"},
        Bad{"set-voltage: {send: \"VOLT 1\", prove: {ask: \"VOLT?\", within: 1 V}}",
            "holds no value"},
        Bad{"set-voltage: {send: \"VOLT {V}\", prove: {ask: \"VOLT?\"}}", "lacks the key `within`"},
        Bad{"set-voltage: {send: \"VOLT {V}\", prove: {ask: \"VOLT?\", within: 1 V, expect: 1}}",
            "does not read back the value"},
        Bad{"output-on: {send: \"OUTP ON\", prove: {ask: \"OUTP?\"}}", "lacks the key `expect`"},
        Bad{"output-on: {send: \"OUTP ON\", prove: {ask: \"OUTP?\", expect: value}}",
            "cannot expect `value`"},
        Bad{"output-on: {send: \"OUTP {V}\", prove: {ask: \"OUTP?\", expect: 1}}",
            "no value is given"},
        Bad{"output-on: yes", "neither a mapping nor `absent`"},
        Bad{"measure-voltage: {ask: \"A?\", unit: A}", "unit `A` does not fit"},
        Bad{"measure-voltage: {ask: \"A?\", scale: 0}", "a scale of 0"},
        Bad{"measure-voltage: {ask: \"A?\", send: x}", "unknown key `send`"},
        Bad{"measure-voltage: {ask: [x]}", "single value"},
        Bad{"measure-voltage: {ask: \"A\\n?\"}", "not printable ASCII"},
        Bad{"measure-voltage: {ask: \"A? {x}\"}", "unknown hole"},
        Bad{"measure-voltage: {ask: \"A? {n\"}", "without `}`"},
        Bad{"measure-voltage: {ask: \"A? n}\"}", "without `{`"},
        Bad{"measure-voltage: {ask: \"A? {n:.1f}\"}", "is not understood"},
        Bad{"read-regulation: {ask: \"A?\"}", "does not say what the bits"},
        Bad{"read-regulation: {ask: \"A?\", bits: [{mask: 3, equals: 4, means: unknown}]}",
            "could never be true"},
        Bad{"read-regulation: {ask: \"A?\", bits: [{mask: 3, means: cv}]}", "unknown meaning `cv`"},
        Bad{"read-regulation: {ask: \"A?\", bits: [{mask: x, means: unknown}]}", "not a bit mask"},
        // A line that was copied and not changed to the end (S4).
        Bad{"output-on: {send: \"OUTP ON\", prove: {ask: \"OUTP?\", expect: 1}}\n"
            "output-off: {send: \"OUTP ON\", prove: {ask: \"OUTP?\", expect: 0}}",
            "d.yaml:4:13: `output-off` sends the same as `output-on`"},
        Bad{"output-on: {send: \"OUTP ON\", prove: {ask: \"OUTP?\", expect: 1}}\n"
            "output-off: {send: \"OUTP OFF\", prove: {ask: \"OUTP?\", expect: 1}}",
            "`output-off` is proved by the same answer as `output-on`"},
        Bad{"open-switch: {send: \"CLOS {n}\", prove: {ask: \"CLOS? {n}\", expect: 0}}\n"
            "close-switch: {send: \"CLOS {n}\", prove: {ask: \"CLOS? {n}\", expect: 1}}",
            "`close-switch` sends the same as `open-switch`"},
        Bad{"set-voltage: {send: \"SOUR:VOLT {V}\", prove: {ask: \"SOUR:VOLT?\", within: 1 V}}\n"
            "set-current: {send: \"SOUR:VOLT {mA:.0f}\", prove: {ask: \"CURR?\", within: 1 A}}",
            "`set-current` sends the same as `set-voltage`"},
        Bad{"set-voltage: {send: \"SOUR:VOLT {V}\", prove: {ask: \"SOUR:VOLT?\", within: 1 V}}\n"
            "set-current: {send: \"CURR {A}\", prove: {ask: \"SOUR:VOLT?\", within: 1 A}}",
            "`set-current` is proved by the same answer as `set-voltage`"},
        // A measurement that only repeats what was ordered (S2 S4).
        Bad{"read-current-setpoint: {ask: \"SOUR:CURR?\", unit: A}\n"
            "measure-current: {ask: \"SOUR:CURR?\", unit: mA}",
            "d.yaml:4:18: `measure-current` asks the same as `read-current-setpoint`"},
        Bad{"set-voltage: {send: \"SOUR:VOLT {V}\", prove: {ask: \"SOUR:VOLT?\", within: 1 V}}\n"
            "measure-voltage: {ask: \"SOUR:VOLT?\"}",
            "`measure-voltage` asks the same as `set-voltage`"},
        Bad{"measure-voltage: {ask: \"READ?\"}\nmeasure-current: {ask: \"READ?\"}",
            "`measure-current` asks the same as `measure-voltage`"},
        Bad{"role: kettle", "unknown role `kettle`"},
        Bad{"role: meter", "the role `meter` needs `measure-voltage`"},
        Bad{"select: \"INST\"", "names no channel"},
        Bad{"resync: {send: \"*ESE 1\", ask: \"*ESE?\"}", "sends no nonce"},
        Bad{"terminator: LF", "unknown terminator"}, Bad{"answers-end-in: LF", "unknown ending"},
        Bad{"deadlines: {respond: 0 s}", "below 1 ms"},
        Bad{"deadlines: {respond: 2 h}", "not from 0 to 60 s"},
        Bad{"on-connect: SYST:REM", "not a list"}));

// Over a shunt.
TEST_F(DialectFiles, a_current_may_be_measured_as_a_voltage_of_another_scale) {
  EXPECT_EQ(problems_of("measure-voltage: {ask: \"READ?\"}\n"
                        "measure-current: {ask: \"READ?\", scale: 1000}\n"),
            "");
}

TEST_F(DialectFiles, a_dialect_that_is_not_there_is_named_with_where_it_was_looked_for) {
  EXPECT_THAT(problems("nowhere"), HasSubstr("there is no dialect `nowhere`"));
  EXPECT_THAT(problems("nowhere"), HasSubstr(shipped));
  EXPECT_THAT(problems("../secret"), HasSubstr("is not a name of a dialect"));
  write("a", "dialect: a\nextends: b\n");
  EXPECT_THAT(problems("a"), HasSubstr(path("a") + ":2:10: there is no dialect `b`"));
}

TEST_F(DialectFiles, a_circle_of_extends_ends) {
  write("a", "dialect: a\nextends: b\n");
  write("b", "dialect: b\nextends: a\n");
  EXPECT_THAT(problems("a"), HasSubstr("look for a circle"));
}

TEST_F(DialectFiles, a_file_says_its_own_name) {
  write("a", "dialect: b\n");
  EXPECT_THAT(problems("a"), HasSubstr("says `b`"));
}

TEST_F(DialectFiles, a_protection_may_be_cleared_by_switching_off) {
  EXPECT_EQ(problems_of("output-off: {send: \"OUTP OFF\", prove: {ask: \"OUTP?\", expect: 0}}\n"
                        "clear-protection: {send: \"OUTP OFF\"}"),
            "");
}

TEST_F(DialectFiles, what_extends_overrides_and_absent_takes_away) {
  const Dialect d = load(
      "deadlines: {respond: 70 ms}\nresync: absent\ndrain-errors: absent\n"
      "terminator: CR NL\nanswers-end-in: CR\non-connect: [\"SYST:REM\"]\n");
  EXPECT_EQ(d.respond, std::chrono::milliseconds(70));
  EXPECT_FALSE(d.resync);
  EXPECT_TRUE(d.resync_send.empty());
  EXPECT_FALSE(d.has(Verb::drain_errors));
  EXPECT_TRUE(d.has(Verb::identify));
  EXPECT_EQ(d.terminator, "\r\n");
  EXPECT_TRUE(d.cr_ends_answers);
  EXPECT_EQ(d.on_connect.size(), 1U);
}

TEST_F(DialectFiles, a_role_may_be_met_by_saying_absent) {
  EXPECT_EQ(problems_of("role: [meter, thermometer]\nmeasure-voltage: {ask: \"A?\"}\n"
                        "measure-current: absent\nmeasure-temperature: {ask: \"T?\", unit: K}\n"),
            "");
}

TEST_F(DialectFiles, a_lamed_file_is_reported_not_crashed_on) {
  for (const char* text :
       {"", "[]", "dialect: [d]", "dialect: d\nextends: {a: b}", "dialect: d\nrole: {}",
        "dialect: d\nidentify: {ask: {a: b}}", "dialect: d\nresync: [1]", "a: &x b"}) {
    write("d", text);
    EXPECT_NE(problems("d"), "") << text;
  }
}

}  // namespace
}  // namespace chargewright::drivers

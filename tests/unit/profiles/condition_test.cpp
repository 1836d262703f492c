#include "profiles/condition.h"

#include <gtest/gtest.h>

#include <cmath>

namespace chargewright::profiles {
namespace {

using namespace drivers;
using namespace drivers::literals;
using namespace std::chrono_literals;

constexpr Instant at(Duration since_start) { return Instant{} + since_start; }

Checked<Condition> read(const std::string& text) {
  const Document document = parse_document("until: " + text + "\n", "p.yaml").value();
  Failures problems;
  auto condition = read_condition(document, document.root.fields[0].second, problems);
  if (!problems.list.empty()) return problems;
  return *condition;
}

ConditionState state(const std::string& text) {
  return ConditionState(resolve(read(text).value(), 2.4_Ah));
}

Measured voltage(double v) { return {.voltage = volts(v)}; }
Measured current(double a) { return {.current = amperes(a)}; }

TEST(Condition, meets_each_comparison_on_the_right_side_of_its_bound) {
  struct Case {
    const char* text;
    double inside;
    double on;
    double outside;
    bool on_is_met;
  };
  for (const Case& c : {Case{"voltage >= 2.95 V", 2.951, 2.95, 2.949, true},
                        Case{"voltage <= 2.95 V", 2.949, 2.95, 2.951, true},
                        Case{"voltage > 2.95 V", 2.951, 2.95, 2.949, false},
                        Case{"voltage<2950mV", 2.949, 2.95, 2.951, false}}) {
    EXPECT_TRUE(state(c.text).see(voltage(c.inside), at(0s))) << c.text;
    EXPECT_EQ(state(c.text).see(voltage(c.on), at(0s)), c.on_is_met) << c.text;
    EXPECT_FALSE(state(c.text).see(voltage(c.outside), at(0s))) << c.text;
  }
}

TEST(Condition, never_takes_the_unknown_for_met) {
  for (const char* text : {"voltage >= 0 V", "voltage <= 5 V"}) {
    EXPECT_FALSE(state(text).see({}, at(0s))) << text;
    EXPECT_FALSE(state(text).see(voltage(NAN), at(0s))) << text;
    EXPECT_FALSE(state(text).see(voltage(INFINITY), at(0s))) << text;
    EXPECT_FALSE(state(text).see(voltage(-INFINITY), at(0s))) << text;
  }
  EXPECT_FALSE(ConditionState().see(voltage(1), at(0s)));
}

TEST(Condition, reads_every_subject_in_its_units) {
  EXPECT_TRUE(state("current <= C/20").see(current(0.12), at(0s)));  // of 2.4 Ah
  EXPECT_FALSE(state("current <= C/20").see(current(0.1201), at(0s)));
  EXPECT_TRUE(state("temperature >= 40 degC").see({.temperature = 40.0_degC}, at(0s)));
  EXPECT_TRUE(state("charge >= 80 %").see({.charge = ampere_hours(1.92)}, at(0s)));
  EXPECT_FALSE(state("charge >= 80 %").see({.charge = ampere_hours(1.91)}, at(0s)));
  EXPECT_TRUE(state("charge >= 1.9 Ah").see({.charge = ampere_hours(1.9)}, at(0s)));
  EXPECT_TRUE(state("energy >= 8 Wh").see({.energy = watt_hours(8)}, at(0s)));
  EXPECT_TRUE(state("power < 10 W").see({.power = 9.9_W}, at(0s)));
  EXPECT_TRUE(state("step-time >= 10 min").see({.step_time = 10min}, at(0s)));
  EXPECT_TRUE(state("time >= 1 h").see({.run_time = 1h}, at(0s)));
  EXPECT_FALSE(state("time >= 1 h").see({.step_time = 1h, .run_time = 59min}, at(0s)));
}

TEST(Condition, holds_for_its_time_without_a_break) {
  ConditionState taper = state("current <= C/20 for 5 s");
  EXPECT_FALSE(taper.see(current(0.1), at(0s)));
  EXPECT_FALSE(taper.see(current(0.1), at(4999ms)));
  EXPECT_TRUE(taper.see(current(0.1), at(5s)));
  EXPECT_FALSE(taper.see(current(0.2), at(6s)));
  EXPECT_FALSE(taper.see(current(0.1), at(7s)));
  EXPECT_FALSE(taper.see(current(0.1), at(11999ms)));
  EXPECT_TRUE(taper.see(current(0.1), at(12s)));
}

TEST(Condition, begins_its_hold_anew_after_an_unknown_reading) {
  ConditionState taper = state("current <= C/20 for 5 s");
  EXPECT_FALSE(taper.see(current(0.1), at(0s)));
  EXPECT_FALSE(taper.see({}, at(3s)));
  EXPECT_FALSE(taper.see(current(0.1), at(6s)));
  EXPECT_TRUE(taper.see(current(0.1), at(11s)));
}

// It would end a waking step, and the full current go into a cell that is deeply discharged.
TEST(Condition, holds_for_no_time_by_one_reading_alone) {
  ConditionState woken = state("voltage >= 3 V for 5 s");
  const auto reading = [](double volts, Duration asked) {
    return Measured{.voltage = drivers::volts(volts), .voltage_asked = Asked{at(asked)}};
  };
  for (const Duration then : {0s, 5s, 9s}) EXPECT_FALSE(woken.see(reading(3.05, 0s), at(then)));
  EXPECT_FALSE(woken.see(reading(2.6, 10s), at(11s)));  // it was a wild one
  EXPECT_FALSE(woken.see(reading(3.05, 20s), at(21s)));
  EXPECT_TRUE(woken.see(reading(3.05, 30s), at(31s)));
}

// They are asked one after the other: what one of them says is not older than it.
TEST(Condition, holds_for_no_time_by_one_reading_of_several_sensors) {
  ConditionState cooled = state("temperature <= 25 degC for 5 s");
  const auto reading = [](double warmest, Duration one, Duration other) {
    return Measured{.temperature = celsius(warmest),
                    .temperature_asked = Asked{at(one)}.with(Asked{at(other)})};
  };
  EXPECT_FALSE(cooled.see(reading(24, 10s, 100ms), at(10s)));  // a wild one
  EXPECT_FALSE(cooled.see(reading(24, 10s, 10'100ms), at(10'100ms)));
  EXPECT_FALSE(cooled.see(reading(24, 20s, 10'100ms), at(20s)));
  EXPECT_TRUE(cooled.see(reading(24, 20s, 20'100ms), at(20'100ms)));
  ConditionState at_once = state("temperature <= 25 degC");
  EXPECT_TRUE(at_once.see(reading(24, 10s, 100ms), at(10s)));
}

TEST(Condition, combines_with_any_and_all_in_any_depth_it_allows) {
  const char* text = "{any: [{all: [voltage >= 4.19 V, current <= 0.5 A]}, time >= 1 h]}";
  Measured measured{.voltage = 4.2_V, .current = 1.0_A, .run_time = 10min};
  EXPECT_FALSE(state(text).see(measured, at(0s)));
  measured.current = 0.4_A;
  EXPECT_TRUE(state(text).see(measured, at(0s)));
  measured.voltage.reset();
  EXPECT_FALSE(state(text).see(measured, at(0s)));
  measured.run_time = 1h;
  EXPECT_TRUE(state(text).see(measured, at(0s)));
}

TEST(Condition, tracks_the_holds_of_a_group_that_is_decided_already) {
  ConditionState both = state("{any: [voltage >= 4 V, current <= 1 A for 5 s]}");
  EXPECT_TRUE(both.see({.voltage = 4.1_V, .current = 0.5_A}, at(0s)));
  EXPECT_TRUE(both.see({.voltage = 4.1_V, .current = 2.0_A}, at(1s)));  // breaks the hold
  EXPECT_FALSE(both.see({.voltage = 3.9_V, .current = 0.5_A}, at(2s)));
  EXPECT_FALSE(both.see({.voltage = 3.9_V, .current = 0.5_A}, at(6s)));
  EXPECT_TRUE(both.see({.voltage = 3.9_V, .current = 0.5_A}, at(7s)));
}

TEST(Condition, describes_itself) {
  const Condition condition =
      read("{any: [current <= C/20 for 5 s, {all: [voltage >= 4.2 V, charge >= 80 %]}]}").value();
  EXPECT_EQ(describe(condition),
            "any of (current <= 0.05 C for 5 s; all of (voltage >= 4.200 V; charge >= 80 %))");
  EXPECT_EQ(describe(resolve(condition, 2.4_Ah)),
            "any of (current <= 120 mA for 5 s; all of (voltage >= 4.200 V; charge >= 1.92 Ah))");
}

TEST(Condition, refuses_each_mistake_with_its_place_and_what_was_expected) {
  struct Bad {
    const char* text;
    const char* message;
  };
  for (const Bad& bad : {
           Bad{"voltage >= 2.95",
               "p.yaml:1:8: a bare number: a unit is needed; write volts, for example 4.2 V"},
           Bad{"voltage 2.95 V",
               "p.yaml:1:8: a condition needs one of `>=`, `<=`, `>`, `<` after what is read; "
               "write for example `voltage >= 2.95 V` or `current <= C/20 for 5 s`"},
           Bad{"voltage = 2.95 V",
               "p.yaml:1:8: a condition needs one of `>=`, `<=`, `>`, `<` after what is read; "
               "write for example `voltage >= 2.95 V` or `current <= C/20 for 5 s`"},
           Bad{"volatge >= 2.95 V",
               "p.yaml:1:8: nothing is read that is called `volatge`; did you mean `voltage`?"},
           Bad{"pressure >= 2 V",
               "p.yaml:1:8: nothing is read that is called `pressure`; known are voltage, current, "
               "temperature, charge, energy, power, step-time, time"},
           Bad{"temperature >= 45 C",
               "p.yaml:1:8: `C` is a charge rate, not a temperature; write degrees Celsius, for "
               "example 45 degC"},
           Bad{"charge >= 2",
               "p.yaml:1:8: a bare number: a unit is needed; write ampere-hours or per cent of the "
               "capacity, for example 2.4 Ah or 110 %"},
           Bad{"current <= C/20 for 5",
               "p.yaml:1:8: a bare number: a unit is needed; write seconds, minutes or hours, for "
               "example 90 min"},
           Bad{"{any: [voltage >= 3, power >= 1 V]}",
               "p.yaml:1:15: a bare number: a unit is needed; write volts, for example 4.2 V\n"
               "p.yaml:1:29: `V` is a unit of a voltage, but a power is needed; write watts, for "
               "example 60 W"},
           Bad{"{some: [voltage >= 3 V]}",
               "p.yaml:1:8: a condition is one comparison, or a mapping of one key, `any` or "
               "`all`, with a list; write for example `voltage >= 2.95 V` or `current <= C/20 for "
               "5 s`"},
           Bad{"{any: []}",
               "p.yaml:1:8: a condition is one comparison, or a mapping of one key, `any` or "
               "`all`, with a list; write for example `voltage >= 2.95 V` or `current <= C/20 for "
               "5 s`"},
       }) {
    const Checked<Condition> condition = read(bad.text);
    EXPECT_EQ(condition ? "accepted" : describe(condition.error()), bad.message);
  }
}

TEST(Condition, is_bounded_in_depth_and_number_of_parts) {
  std::string deep = "voltage >= 3 V";
  for (int level = 0; level < 7; ++level) deep = "{any: [" + deep + "]}";
  EXPECT_TRUE(read(deep).has_value());
  EXPECT_FALSE(read("{all: [" + deep + "]}").has_value());
  std::string wide;
  for (int part = 0; part < 31; ++part) wide += "voltage >= 3 V, ";
  EXPECT_TRUE(read("{any: [" + wide + "]}").has_value());
  EXPECT_FALSE(read("{any: [" + wide + "voltage >= 3 V]}").has_value());
}

}  // namespace
}  // namespace chargewright::profiles

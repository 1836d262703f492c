#include "profiles/check.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

namespace chargewright::profiles {
namespace {

using namespace drivers;
using namespace drivers::literals;
using namespace std::chrono_literals;
using ::testing::ElementsAre;

// Replaces one piece of a text; the piece must be there.
std::string with(std::string text, const std::string& piece, const std::string& by) {
  const std::size_t at = text.find(piece);
  EXPECT_NE(at, std::string::npos) << piece;
  return at == std::string::npos ? text : text.replace(at, piece.size(), by);
}

const std::string radio =
    "cell: radio\nchemistry: li-ion-nmc\narrangement: 1s1p\ncapacity: 2 Ah\n"
    "voltage: {empty: 3 V, full: 4.2 V, never-above: 4.25 V, never-below: 2.5 V}\n"
    "current: {charge: 2 C, discharge: 2 C}\n"
    "temperature: {charge: 5 degC to 45 degC, never-above: 60 degC}\n"
    "model: {r0: 30 mohm, heat-capacity: 40 J/K}\n";
const std::string hut =
    "bench: hut\n"
    "instruments:\n"
    "  supply:\n"
    "    {link: \"tcp://127.0.0.1:1\", dialect: s,\n"
    "     ratings: {voltage: 20 V, current: 20 A, power: 200 W}}\n"
    "  meter: {link: \"tcp://127.0.0.1:2\", dialect: m}\n"
    "  probe: {link: \"tcp://127.0.0.1:3\", dialect: t}\n"
    "channels:\n"
    "  left:\n"
    "    source: supply\n"
    "    voltage: meter\n"
    "    temperature: [probe]\n"
    "    wiring: {resistance: 10 mohm, rated: 40 A}\n";
const std::string refill =
    "profile: refill\n"
    "cell: radio\n"
    "steps:\n"
    "  - name: fill\n"
    "    charge: {current: 2 C, voltage: 4.2 V, temperature: 43 degC}\n"
    "    until: current <= C/20 for 5 s\n"
    "limits:\n"
    "  voltage: {above: 4.24 V}\n"
    "  current: {above: 4.3 A}\n"
    "  time: {above: 90 min}\n";

struct Files {
  std::string profile = refill;
  std::string cell = radio;
  std::string bench = hut;
  std::string policy = "limits: {}\n";
};

CheckReport check(const Files& files, const Basis& basis = {}) {
  return check(read_profile(parse_document(files.profile, "p.yaml").value()).value(),
               read_cell(parse_document(files.cell, "c.yaml").value()).value(),
               read_bench(parse_document(files.bench, "b.yaml").value()).value(), 0,
               read_policy(parse_document(files.policy, "policy.yaml").value()).value(), basis);
}
std::string problems(const Files& files) { return describe(Failures{check(files).problems}); }
std::string notes(const Files& files) { return describe(Failures{check(files).notes}); }

const LimitLine* line(const CheckReport& report, std::string_view quantity) {
  const auto found = std::ranges::find(report.lines, quantity, &LimitLine::quantity);
  return found == report.lines.end() ? nullptr : &*found;
}

TEST(Check, finds_nothing_wrong_with_a_sound_profile) {
  EXPECT_EQ(problems({}), "");
  EXPECT_EQ(notes({}), "");
}

// The limit on the time of a step counts in a rest, too: it would trip while nothing is wrong.
TEST(Check, refuses_a_rest_that_lasts_to_the_limit_on_a_step) {  // S2
  const auto resting = [](const std::string& rest) {
    return Files{.profile =
                     with(with(refill, "limits:\n", rest + "limits:\n"), "time: {above: 90 min",
                          "time: {above: 90 min, step-above: 30 min")};
  };
  const std::string trips =
      ": the rest of step `settle` takes 30 min, not below the limit 30 min (profile, p.yaml:";
  EXPECT_EQ(problems(resting("  - {name: settle, rest: 29 min}\n")), "");
  EXPECT_EQ(problems(resting("  - {name: settle, rest: 30 min}\n")),
            "p.yaml:7:5" + trips +
                "11); it would trip: shorten the rest, or raise the limit where it is written");
  EXPECT_EQ(problems(resting("  - repeat: {times: 2, steps: [{name: settle, rest: 30 min}]}\n")),
            "p.yaml:7:32" + trips +
                "11); it would trip: shorten the rest, or raise the limit where it is written");
  const Files sooner = resting("  - {name: settle, rest: 30 min, until: temperature <= 25 degC}\n");
  EXPECT_EQ(problems(sooner), "");
  EXPECT_EQ(notes(sooner),
            "p.yaml:7:5" + trips + "11); unless its `until` ends it sooner it would trip");
}

// The sound files with one of them changed.
Files profile_with(const std::string& piece, const std::string& by) {
  Files files;
  files.profile = with(files.profile, piece, by);
  return files;
}
Files cell_with(const std::string& piece, const std::string& by) {
  Files files;
  files.cell = with(files.cell, piece, by);
  return files;
}
Files bench_with(const std::string& piece, const std::string& by) {
  Files files;
  files.bench = with(files.bench, piece, by);
  return files;
}
Files policy_of(const std::string& text) {
  Files files;
  files.policy = text;
  return files;
}

TEST(Check, lets_the_tightest_origin_rule_each_limit_and_names_it) {  // S2
  const CheckReport report =
      check(policy_of("limits: {temperature: {above: 44 degC}, power: {above: 300 W}}\n"));
  const auto expect = [&](std::string_view quantity, const char* value, const char* origin,
                          const char* file, int at) {
    const LimitLine* found = line(report, quantity);
    ASSERT_NE(found, nullptr) << quantity;
    EXPECT_EQ(found->value, value);
    EXPECT_EQ(found->origin, origin);
    EXPECT_EQ(found->place.file, file);
    EXPECT_EQ(found->place.line, at);
  };
  expect("voltage-above", "4.240 V", "profile", "p.yaml", 8);
  expect("voltage-below", "2.500 V", "cell", "c.yaml", 5);
  expect("current-above", "4.3 A", "profile", "p.yaml", 9);
  expect("current-reverse", "4 A", "cell", "c.yaml", 6);
  expect("power-above", "200 W", "instrument", "b.yaml", 5);
  expect("temperature-above", "44 °C", "policy", "policy.yaml", 1);
  expect("temperature-below", "5 °C", "cell", "c.yaml", 7);
  expect("charge-above", "2.4 Ah", "cell", "c.yaml", 4);  // 120 % of capacity
  expect("run-time", "1 h 30 min", "profile", "p.yaml", 10);
  EXPECT_EQ(line(report, "step-time"), nullptr);
  EXPECT_THAT(line(report, "current-above")->tighter_than,
              ElementsAre("cell 4.4 A", "wiring 40 A", "instrument 20 A"));
  EXPECT_EQ(report.plan.limits.voltage_above->value, 4.24_V);
  EXPECT_EQ(report.plan.limits.temperature_above->origin, safety::Origin::policy);
}

TEST(Check, never_lets_a_profile_loosen_what_another_says) {  // S2
  const Files files = profile_with("above: 4.24 V", "above: 4.5 V, below: 1 V");
  const CheckReport report = check(files);
  EXPECT_EQ(report.plan.limits.voltage_above->value, 4.25_V);
  EXPECT_EQ(report.plan.limits.voltage_below->value, 2.5_V);
  EXPECT_EQ(problems(files), "");
  EXPECT_EQ(notes(files),
            "p.yaml:8:20: voltage-above 4.500 V has no effect: 4.250 V is tighter, and comes from "
            "the cell\n"
            "p.yaml:8:34: voltage-below 1.000 V has no effect: 2.500 V is tighter, and comes from "
            "the cell");
}

TEST(Check, plans_what_the_guard_is_asked_to_enforce) {  // S1 S2
  const CheckReport report = check(policy_of("unattended: {thermometers: 1}\n"));
  const safety::RunPlan& plan = report.plan;
  EXPECT_EQ(plan.full, 4.2_V);
  EXPECT_DOUBLE_EQ(plan.lead_compensation_max.value(), 0.040);  // 4 A through 10 mohm
  // 1 % of full above what the output may reach would be more than the cell bears.
  EXPECT_DOUBLE_EQ(plan.over_voltage_protection.value(), 4.25);
  EXPECT_EQ(plan.over_current_protection, 4.3_A);
  EXPECT_EQ(plan.open_circuit_min, 2.5_V);
  EXPECT_EQ(plan.open_circuit_max, 4.24_V);
  EXPECT_EQ(plan.thermometers_needed, 1);
  EXPECT_FALSE(plan.approved);  // a person's to say
  EXPECT_EQ(safety::defect(plan.limits), "");
}

// What a storage charge must not exceed is below what the cell is full at.
TEST(Check, steers_no_further_than_a_limit_on_the_voltage_below_full) {  // S1 S2
  Files files;
  files.profile = with(with(refill, "voltage: 4.2 V", "voltage: 4.1 V"), "4.24 V", "4.15 V");
  EXPECT_EQ(problems(files), "");
  EXPECT_EQ(check(files).plan.full, 4.15_V);
  EXPECT_EQ(check(Files{}).plan.full, 4.2_V);
}

TEST(Check, refuses_a_bench_whose_meters_may_differ_by_as_much_as_the_cell_holds) {  // S3
  const std::string wiring = "    wiring:";
  const auto may = [&](const std::string& differ) {
    return bench_with(wiring, "    disagree: {" + differ + "}\n" + wiring);
  };
  EXPECT_EQ(problems(may("voltage: 1.05 V")), "");
  EXPECT_EQ(problems(may("voltage: 1.06 V")),
            "b.yaml:9:3: on channel `left` source and meter may differ by 1.060 V before it cuts, "
            "more than a quarter of what the cell is full at, 4.200 V; state `disagree`, or how "
            "accurate the instruments are");
  EXPECT_EQ(notes(may("voltage: 0.42 V")), "");
  EXPECT_NE(notes(may("voltage: 0.43 V")).find("may differ by 430 mV"), std::string::npos)
      << notes(may("voltage: 0.43 V"));
}

TEST(Check, makes_up_no_lead_drop_without_a_voltmeter_at_the_cell) {  // S2
  EXPECT_EQ(check(bench_with("    voltage: meter\n", "")).plan.lead_compensation_max, volts(0));
}

TEST(Check, bounds_the_lead_compensation_whatever_the_leads_drop) {  // S2
  EXPECT_DOUBLE_EQ(check(bench_with("10 mohm", "500 mohm")).plan.lead_compensation_max.value(),
                   0.2);
}

TEST(Check, arms_the_protections_just_above_what_is_steered_to_where_the_cell_bears_it) {  // S2
  const Files files{.cell = with(radio, "full: 4.2 V", "full: 4.1 V")};
  // 1 % of full, which is more than 30 mV.
  EXPECT_DOUBLE_EQ(check(files).plan.over_voltage_protection.value(), 4.1 + 0.040 + 0.041);
}

TEST(Check, arms_the_protections_no_higher_than_the_cell_bears_with_their_inaccuracy) {  // S2 S7
  Files files = bench_with("power: 200 W}}",
                           "power: 200 W},\n     accuracy: {voltage: 4 mV, "
                           "current: 20 mA}}");
  files.profile = with(refill, "  current: {above: 4.3 A}\n", "");  // the cell's own 4.4 A
  EXPECT_DOUBLE_EQ(check(files).plan.over_voltage_protection.value(), 4.24 + 0.004 + 0.005);
  EXPECT_DOUBLE_EQ(check(files).plan.over_current_protection.value(), 4.4 - 0.020);
  files.bench = with(files.bench, "voltage: 4 mV", "voltage: 1 mV");
  EXPECT_DOUBLE_EQ(check(files).plan.over_voltage_protection.value(), 4.25 - 0.001);
}

// Armed anywhere within what its proof lets pass, it must bear what is steered to.
TEST(Check, arms_the_protections_beyond_what_their_proof_lets_pass_where_the_cell_bears_it) {  // S2
  Basis basis;
  basis.proved_within.over_voltage = volts(0.1);
  const auto plan = check(cell_with("full: 4.2 V", "full: 3.9 V"), basis).plan;
  const double reach = (plan.full + plan.lead_compensation_max).value();
  EXPECT_DOUBLE_EQ(reach, 3.94);
  EXPECT_DOUBLE_EQ(plan.over_voltage_protection.value(), reach + 0.1 + 0.005);
}

TEST(Check, keeps_the_protection_of_the_source_within_its_rating) {
  const Files files = bench_with("voltage: 20 V", "voltage: 4.245 V");
  EXPECT_EQ(check(files).plan.over_voltage_protection, 4.245_V);
  EXPECT_EQ(notes(files),
            "b.yaml:5:15: the source is rated 4.245 V: its over-voltage protection is armed at "
            "that, closer than usual to the 4.240 V that it may reach");
}

struct Case {
  Files files;
  const char* message;
};

TEST(Check, finds_each_problem_with_its_place_and_the_limit_it_meets) {
  const std::vector<Case> table{
      {profile_with("  time: {above: 90 min}\n", ""),
       "p.yaml:7:1: no limit on the run time; add for example `time: {above: 90 min}` to `limits`"},
      {profile_with("current: 2 C", "current: 4.1 A"),
       "p.yaml:5:23: the current ceiling of step `fill` is 4.1 A, but the cell takes 4 A "
       "(c.yaml:6); lower it"},
      {profile_with("above: 4.3 A", "above: 4 A"),
       "p.yaml:5:23: the current ceiling of step `fill` is 4 A, not below the limit 4 A (profile, "
       "p.yaml:9); it would trip: lower the ceiling, or raise the limit where it is written"},
      {bench_with("rated: 40 A", "rated: 3 A"),
       "p.yaml:5:23: the current ceiling of step `fill` is 4 A, not below the limit 3 A (wiring, "
       "b.yaml:13); it would trip: lower the ceiling, or raise the limit where it is written"},
      {bench_with("current: 20 A", "current: 3 A"),
       "p.yaml:5:23: the current ceiling of step `fill` is 4 A, not below the limit 3 A "
       "(instrument, b.yaml:5); it would trip: lower the ceiling, or raise the limit where it is "
       "written"},
      {profile_with("voltage: 4.2 V", "voltage: 4.21 V"),
       "p.yaml:5:37: the voltage ceiling of step `fill` is 4.210 V, but the cell is full at 4.200 "
       "V "
       "(c.yaml:5); lower it"},
      {profile_with("above: 4.24 V", "above: 4.2 V"),
       "p.yaml:5:37: the voltage ceiling of step `fill` is 4.200 V, not below the limit 4.200 V "
       "(profile, p.yaml:8); it would trip: lower the ceiling, or raise the limit where it is "
       "written"},
      {profile_with("voltage: 4.2 V", "voltage: 2.4 V"),
       "p.yaml:5:37: the voltage ceiling of step `fill` is 2.400 V, not above the limit 2.500 V "
       "(cell, c.yaml:5)"},
      {profile_with("voltage: 4.2 V", "voltage: 4.2 V, power: 200 W"),
       "p.yaml:5:51: the power ceiling of step `fill` is 200 W, not below the limit 200 W "
       "(instrument, b.yaml:5); it would trip: lower the ceiling, or raise the limit where it is "
       "written"},
      {profile_with("temperature: 43 degC", "temperature: 45 degC"),
       "p.yaml:5:57: the temperature ceiling of step `fill` is 45 °C, not below the limit 45 °C "
       "(cell, c.yaml:7); it would trip: lower the ceiling, or raise the limit where it is "
       "written"},
      {profile_with("above: 4.24 V", "above: 4.24 V, below: 4.24 V"),
       "p.yaml:8:35: reversed limits: voltage-below 4.240 V (profile, p.yaml:8) is not below 4.240 "
       "V (profile, p.yaml:8)\n"
       "p.yaml:5:37: the voltage ceiling of step `fill` is 4.200 V, not above the limit 4.240 V "
       "(profile, p.yaml:8)"},
      {policy_of("limits: {temperature: {below: 50 degC}}\n"),
       "policy.yaml:1:31: reversed limits: temperature-below 50 °C (policy, policy.yaml:1) is not "
       "below 45 °C (cell, c.yaml:7)\n"
       "p.yaml:5:57: the temperature ceiling of step `fill` is 43 °C, not above the limit 50 °C "
       "(policy, policy.yaml:1)"},
      {policy_of("unattended: {thermometers: 2}\n"),
       "b.yaml:9:3: the policy wants 2 thermometers at the cell, but channel `left` has 1; add "
       "`temperature: [INSTRUMENT/INPUT]` to the channel"},
      {bench_with("    temperature: [probe]\n", ""),
       "p.yaml:5:57: a ceiling on temperature, but channel `left` has no thermometer; add "
       "`temperature: [INSTRUMENT/INPUT]` to the channel"},
      {profile_with("current <= C/20 for 5 s", "voltage >= 4.21 V"),
       "p.yaml:6:12: `voltage >= 4.210 V` of step `fill` is never met: its voltage ceiling is "
       "4.200 "
       "V"},
      {profile_with("current <= C/20 for 5 s", "charge >= 2.4 Ah"),
       "p.yaml:6:12: `charge >= 2.4 Ah` of step `fill` is never met: the limit 2.4 Ah (cell, "
       "c.yaml:4) cuts first"},
      {profile_with("current <= C/20 for 5 s", "time >= 2 h"),
       "p.yaml:6:12: `time >= 2 h` of step `fill` is never met: the limit 1 h 30 min (profile, "
       "p.yaml:10) cuts first"},
      {profile_with("current <= C/20 for 5 s", "current >= 5 A"),
       "p.yaml:6:12: `current >= 5 A` of step `fill` is never met: its current ceiling is 4 A"},
      {profile_with("current <= C/20 for 5 s", "temperature >= 44 degC"),
       "p.yaml:6:12: `temperature >= 44 °C` of step `fill` is never met: its temperature ceiling "
       "is 43 °C"},
      {profile_with("current <= C/20 for 5 s", "power >= 17 W"),
       "p.yaml:6:12: `power >= 17 W` of step `fill` is never met: its ceilings allow 16.8 W at "
       "most"},
      {profile_with("temperature: 43 degC}\n    until: current <= C/20 for 5 s",
                    "power: 10 W}\n    until: power >= 11 W"),
       "p.yaml:6:12: `power >= 11 W` of step `fill` is never met: its ceilings allow 10 W at most"},
      {profile_with("current <= C/20 for 5 s", "step-time >= 2 h"),
       "p.yaml:6:12: `step-time >= 2 h` of step `fill` is never met: the limit 1 h 30 min "
       "(profile, p.yaml:10) cuts first"},
      {profile_with("current <= C/20 for 5 s", "step-time >= 31 min\n    within: 30 min"),
       "p.yaml:6:12: `step-time >= 31 min` of step `fill` is never met: it fails after 30 min, its "
       "`within`"},
      {profile_with("current <= C/20 for 5 s", "step-time >= 30 min\n    within: 30 min"), ""},
      {profile_with("current <= C/20 for 5 s", "power >= 16.8 W"), ""},
      {profile_with("current <= C/20 for 5 s", "step-time >= 199 ms"),
       "p.yaml:6:12: step `fill` may end after 199 ms, before anything was read in it: its charge "
       "would be in no limit; let it charge for 200 ms at least, or read channel `left` more "
       "often"},
      {profile_with("current <= C/20 for 5 s", "step-time >= 200 ms"), ""},
      {profile_with("current <= C/20 for 5 s", "{any: [current <= C/20, step-time >= 150 ms]}"),
       "p.yaml:6:12: step `fill` may end after 150 ms, before anything was read in it: its charge "
       "would be in no limit; let it charge for 200 ms at least, or read channel `left` more "
       "often"},
      {profile_with("current <= C/20 for 5 s", "{all: [current <= C/20, step-time >= 150 ms]}"),
       ""},
      {profile_with("current <= C/20 for 5 s", "step-time < 1 min for 2 s"), ""},
      {profile_with("current <= C/20 for 5 s", "temperature >= 43 degC"), ""},
  };
  for (const Case& c : table) EXPECT_EQ(problems(c.files), c.message);
}

TEST(Check, looks_into_repeats) {
  const Files files = profile_with(
      "  - name: fill\n    charge: {current: 2 C, voltage: 4.2 V, temperature: 43 "
      "degC}\n    until: current <= C/20 for 5 s\n",
      "  - repeat:\n      times: 2\n      steps:\n        - name: deep\n          "
      "charge: {current: 5 A, voltage: 4.2 V}\n          until: voltage >= 4 V\n");
  EXPECT_EQ(problems(files),
            "p.yaml:8:29: the current ceiling of step `deep` is 5 A, but the cell takes 4 A "
            "(c.yaml:6); lower it");
}

TEST(Check, takes_temperature_limits_out_of_the_plan_aloud_where_nothing_measures_it) {
  Files files = bench_with("    temperature: [probe]\n", "");
  files.profile = with(files.profile, ", temperature: 43 degC", "");
  EXPECT_EQ(problems(files), "");
  EXPECT_EQ(notes(files),
            "b.yaml:9:3: channel `left` has no thermometer: nothing watches the "
            "cell's temperature");
  EXPECT_FALSE(check(files).plan.limits.temperature_above.has_value());
  files.profile = with(files.profile, "limits:\n", "limits:\n  temperature: {above: 40 degC}\n");
  EXPECT_EQ(problems(files),
            "p.yaml:8:24: a limit on temperature, but channel `left` has no thermometer; add "
            "`temperature: [INSTRUMENT/INPUT]` to the channel");
}

TEST(Check, lets_no_on_delay_stand_before_the_limit_of_another) {  // S2
  const Files files = profile_with("above: 4.24 V", "above: {limit: 4.24 V, for: 200 ms}");
  EXPECT_EQ(notes(files), "");
  const auto limit = check(files).plan.limits.voltage_above;
  ASSERT_TRUE(limit && limit->at_once);
  EXPECT_EQ(limit->value, 4.24_V);
  EXPECT_EQ(limit->on_delay, 200ms);
  EXPECT_EQ(limit->at_once->value, 4.25_V);
  EXPECT_EQ(limit->at_once->origin, safety::Origin::cell);
}

TEST(Check, notes_an_end_that_is_met_at_once_and_wiring_without_a_rating) {
  EXPECT_EQ(notes(profile_with("current <= C/20 for 5 s", "current <= 4 A")),
            "p.yaml:6:12: `current <= 4 A` of step `fill` is met at once: its current ceiling is 4 "
            "A");
  EXPECT_EQ(notes(bench_with(", rated: 40 A", "")),
            "b.yaml:13:13: the wiring has no `rated` current: nothing protects the leads");
}

TEST(Check, notes_ceilings_that_meet_beyond_a_limit_on_power) {
  Files files;  // 4 A at 4.2 V
  const std::string limits = "limits:\n";
  files.profile = with(files.profile, limits, limits + "  power: {above: 16.9 W}\n");
  EXPECT_EQ(notes(files), "");
  files.profile = with(files.profile, "16.9 W", "16.5 W");
  EXPECT_EQ(problems(files), "");
  EXPECT_EQ(notes(files),
            "p.yaml:5:23: the current ceiling of step `fill` is 4 A: at 4.200 V that is 16.8 W, "
            "not below the limit 16.5 W (profile, p.yaml:8); unless the cell never takes both at "
            "once it would trip: give the step a `power` ceiling");
  files.profile = with(files.profile, "voltage: 4.2 V", "voltage: 4.2 V, power: 16 W");
  EXPECT_EQ(notes(files), "");
}

// The gate would, halfway through the run.
TEST(Check, refuses_a_current_that_is_beyond_a_limit_on_power_at_any_voltage) {  // S2
  Files files;  // 4 A, down to 2.5 V
  const std::string limits = "limits:\n";
  files.profile = with(files.profile, limits, limits + "  power: {above: 10 W}\n");
  EXPECT_EQ(problems(files), "");
  files.profile = with(files.profile, "10 W", "9.9 W");
  EXPECT_EQ(problems(files),
            "p.yaml:5:23: the current ceiling of step `fill` is 4 A: at 2.500 V that is 10 W, not "
            "below the limit 9.9 W (profile, p.yaml:8); even the emptiest cell would take more: "
            "lower it, or give the step a `power` ceiling");
  files.profile = with(files.profile, "voltage: 4.2 V", "voltage: 4.2 V, power: 9 W");
  EXPECT_EQ(problems(files), "");
}

// No more than that is asked of it, which the gate lets pass.
TEST(Check, refuses_no_current_for_its_power_that_the_source_is_not_rated_for) {
  const Files files = bench_with("power: 200 W", "power: 9 W");  // 4 A, down to 2.5 V
  EXPECT_EQ(problems(files), "");
  EXPECT_NE(notes(files).find("that is 16.8 W, not below the limit 9 W"), std::string::npos);
}

TEST(Check, notes_a_bench_that_looks_away_for_long) {
  Files files;
  files.bench += "    every: 5 s\n    heartbeat: 1 min\n";
  EXPECT_EQ(notes(files),
            "b.yaml:9:3: channel `left` may go unread for 25 s before the cut; shorten `every` and "
            "`allowed-age`, unless the bench is a simulated one at speed\n"
            "b.yaml:9:3: channel `left` lets the sequencer be silent for 1 min before the cut; "
            "shorten `heartbeat`, unless the bench is a simulated one at speed");
}

// A limit that cannot be judged is no limit.
TEST(Check, refuses_a_limit_on_the_rise_where_readings_are_too_rare_to_tell_it) {  // S2
  Files files;
  files.profile += "  temperature: {rising: 2 degC/min}\n";
  files.bench += "    every: 10 s\n";
  EXPECT_EQ(problems(files), "");
  files.bench = with(files.bench, "every: 10 s", "every: 11 s");
  EXPECT_EQ(problems(files),
            "b.yaml:9:3: the channel is read every 11 s, too rarely to tell how fast a temperature "
            "rises; read it at least every 10 s, or leave `rising` out");
}

TEST(Check, notes_a_ceiling_closer_to_its_limit_than_the_source_is_accurate) {
  EXPECT_EQ(notes(bench_with("power: 200 W}", "power: 200 W}, accuracy: {current: 1 % + 300 mA}")),
            "p.yaml:5:23: the current ceiling of step `fill` is 4 A, closer to the limit 4.3 A "
            "(profile, p.yaml:9) than the source is accurate");
}

TEST(Check, notes_a_cell_of_another_name_than_the_profiles) {
  const Files files = cell_with("cell: radio", "cell: lamp");
  EXPECT_EQ(problems(files), "");
  EXPECT_EQ(notes(files),
            "p.yaml:2:7: the profile is written for cell `radio`, but the file that is used calls "
            "its cell `lamp`");
  EXPECT_EQ(notes({.profile = with(refill, "cell: radio\n", "")}), "");
}

// 20 A for 20 mA, and a source that ignores off would be proved off with the whole current flowing.
TEST(Check, refuses_a_channel_that_takes_the_charge_for_no_current) {  // S4
  const auto off_at = [](const std::string& current) {
    return bench_with("    wiring:", "    off-current: " + current + "\n    wiring:");
  };
  EXPECT_EQ(problems(off_at("2 A")), "");
  EXPECT_EQ(
      problems(off_at("2.001 A")),
      "b.yaml:9:3: channel `left` takes up to 2.001 A for no current, but no step charges with "
      "more than 4 A: nothing would show that a cut has stopped it; lower its `off-current`");
  Files resting = off_at("20 A");
  resting.profile = with(with(resting.profile,
                              "charge: {current: 2 C, voltage: 4.2 V, temperature: "
                              "43 degC}",
                              "rest: 1 h"),
                         "current <= C/20 for 5 s", "temperature <= 25 degC");
  EXPECT_EQ(problems(resting), "");
}

// A looser limit stands behind the on-delay of a tighter one, or shortens it.
TEST(Check, calls_no_limit_of_a_profile_without_effect_that_has_one) {  // S2
  const auto under = [](const std::string& above) {
    return Files{.profile = with(refill, "above: 4.24 V", "above: " + above),
                 .policy = "limits: {voltage: {above: {limit: 4.23 V, for: 1 s}}}\n"};
  };
  const auto voltage = [](const CheckReport& report) {
    return line(report, "voltage-above")->value;
  };
  const Files behind = under("4.24 V");
  EXPECT_EQ(voltage(check(behind)), "4.230 V for 1 s, 4.240 V at once");
  EXPECT_EQ(notes(behind), "");
  const Files sooner = under("{limit: 4.24 V, for: 100 ms}");
  EXPECT_EQ(voltage(check(sooner)), "4.230 V for 100 ms, 4.250 V at once");
  EXPECT_EQ(notes(sooner), "");
  const Files in_vain = under("{limit: 4.24 V, for: 1 s}");
  EXPECT_EQ(voltage(check(in_vain)), "4.230 V for 1 s, 4.250 V at once");
  EXPECT_EQ(notes(in_vain),
            "p.yaml:8:20: voltage-above 4.240 V for 1 s has no effect: 4.230 V for 1 s, 4.250 V at "
            "once is tighter, and comes from the policy");
}

TEST(Check, lets_a_cell_say_how_much_may_flow_into_it) {  // S2
  Files files;
  files.cell += "charge: {never-above: 110 %}\n";
  const CheckReport report = check(files);
  EXPECT_EQ(line(report, "charge-above")->value, "2.2 Ah");
  EXPECT_EQ(line(report, "charge-above")->place.line, 9);
}

TEST(Check, cuts_at_what_the_cell_must_never_see_where_its_file_says_so) {  // S2
  const Files files = cell_with("charge: 2 C,", "charge: 2 C, never-above: 4.1 A,");
  EXPECT_EQ(check(files).plan.limits.current_above->value, 4.1_A);
  EXPECT_EQ(check(files).plan.limits.current_above->origin, safety::Origin::cell);
  EXPECT_EQ(notes(files),
            "p.yaml:9:20: current-above 4.3 A has no effect: 4.1 A is tighter, and comes from the "
            "cell");
}

TEST(Check, takes_a_limit_equal_to_the_cells_for_the_same) {
  // 110 % of 2 C of 2 Ah is not quite 4.4 in binary.
  EXPECT_EQ(notes(profile_with("above: 4.3 A", "above: 4.4 A")), "");
  EXPECT_EQ(notes(profile_with("above: 4.3 A", "above: 2.2 C")), "");
}

TEST(Check, refuses_a_channel_that_is_not_there) {
  EXPECT_EQ(check(read_profile(parse_document(refill, "p.yaml").value()).value(),
                  read_cell(parse_document(radio, "c.yaml").value()).value(),
                  read_bench(parse_document(hut, "b.yaml").value()).value(), 1, Policy{})
                .problems.size(),
            1U);
}

Files cell_of(const std::string& chemistry, const std::string& size, const std::string& more) {
  Files files;
  files.cell = "cell: x\nchemistry: " + chemistry + "\narrangement: 1s1p\n" + size +
               "\nvoltage: {empty: 2.5 V, full: 3.8 V, never-above: 3.9 V, never-below: 2.2 V}\n" +
               "current: {charge: 5 A}\n" +
               "temperature: {charge: 0 degC to 45 degC, never-above: 60 degC}\n" + more;
  if (chemistry == "lic") files.cell = with(with(files.cell, "3.8", "3.7"), "3.9", "3.8");
  return files;
}
safety::Body body_of(const std::string& chemistry, const std::string& more) {
  return check(cell_of(chemistry, "capacity: 50 Ah", more)).plan.body;
}

// What the thermometer is held against. 30 mohm and 45 J/K would have 50 A warm any cell by 2 K in
// a second.
TEST(Check, knows_no_body_of_a_cell_of_unknown_chemistry_but_what_its_file_states) {  // S3
  EXPECT_FALSE(body_of("other", "").known());
  EXPECT_FALSE(body_of("other", "mass: 1 kg\n").known());
  EXPECT_FALSE(body_of("other", "model: {r0: 2 mohm}\n").known());
  EXPECT_FALSE(body_of("other", "model: {heat-capacity: 900 J/K}\n").known());
  const safety::Body weighed = body_of("other", "mass: 1 kg\nmodel: {r0: 2 mohm}\n");
  EXPECT_EQ(weighed.resistance_least, 2.0_mohm);
  EXPECT_DOUBLE_EQ(weighed.heat_capacity_most.value(), 1500);
  const safety::Body stated =
      body_of("other", "mass: 1 kg\nmodel: {r0: 2 mohm, heat-capacity: 1700 J/K}\n");
  EXPECT_DOUBLE_EQ(stated.heat_capacity_most.value(), 1700);
  EXPECT_TRUE(body_of("li-ion-nmc", "").known());
}

// 500 C fill a bank of 100 F from nothing to 5 V, wherever its `empty` stands.
TEST(Check, lets_a_capacitor_be_filled_from_the_least_voltage_it_may_be_found_at) {  // S2
  const auto coulombs_most = [](const std::string& empty, const std::string& never_below) {
    Files files = cell_of("edlc", "capacitance: 100 F", "");
    files.cell = with(with(with(files.cell, "1s1p", "2s1p"), "full: 3.8 V, never-above: 3.9 V",
                           "full: 5 V, never-above: 5.4 V"),
                      "empty: 2.5 V", "empty: " + empty);
    files.cell = with(files.cell, "never-below: 2.2 V", "never-below: " + never_below);
    return check(files).plan.limits.charge_above->value.value();
  };
  EXPECT_NEAR(coulombs_most("2.5 V", "-100 mV"), 1.5 * 500, 1e-9);
  EXPECT_NEAR(coulombs_most("2.5 V", "2.0 V"), 1.5 * 300, 1e-9);
  EXPECT_NEAR(coulombs_most("2.5 V", "2.5 V"), 1.5 * 250, 1e-9);
  EXPECT_NEAR(coulombs_most("0 V", "-100 mV"), 1.5 * 500, 1e-9);
}

// 30 mAh, 108 C, are what fills it from 2.5 V to 5 V; from nothing that is twice as much.
TEST(Check, lets_a_capacitor_of_a_stated_capacity_be_filled_from_there_too) {  // S2
  const auto coulombs_most = [](const std::string& chemistry, const std::string& never_below,
                                const std::string& more) {
    Files files = cell_of(chemistry, "capacity: 30 mAh", more);
    files.cell = with(with(files.cell, "1s1p", "2s1p"), "full: 3.8 V, never-above: 3.9 V",
                      "full: 5 V, never-above: 5.4 V");
    files.cell = with(files.cell, "never-below: 2.2 V", "never-below: " + never_below);
    return check(files).plan.limits.charge_above->value.value();
  };
  const std::string straight = "model: {kind: capacitor}\n";
  EXPECT_NEAR(coulombs_most("edlc", "-100 mV", ""), 1.5 * 216, 1e-9);
  EXPECT_NEAR(coulombs_most("edlc", "2 V", ""), 1.5 * 129.6, 1e-9);
  EXPECT_NEAR(coulombs_most("other", "0 V", straight), 1.5 * 216, 1e-9);
  // What may be a battery is not filled beyond its capacity, nor is what surely is one.
  EXPECT_NEAR(coulombs_most("other", "0 V", ""), 1.2 * 108, 1e-9);
  EXPECT_NEAR(coulombs_most("li-ion-nmc", "0 V", straight), 1.2 * 108, 1e-9);
}

// A current that falls faster than this is taken for a lead that came off.
TEST(Check, says_how_fast_the_current_of_any_capacitor_may_fall) {  // S3
  const auto files = [](const std::string& chemistry, const std::string& model) {
    Files of = cell_of(chemistry, "capacitance: 100 F", model);
    of.bench = with(of.bench, "    voltage: meter\n", "    every: 900 ms\n");
    return of;
  };
  const auto fall_time = [&](const std::string& chemistry, const std::string& model) {
    return check(files(chemistry, model)).plan.body.fall_time;
  };
  const std::string stated = "model: {r0: 8 mohm}\n";
  EXPECT_EQ(fall_time("other", stated), 800ms);
  EXPECT_EQ(fall_time("lic", stated), 800ms);
  EXPECT_NE(notes(files("lic", stated)).find("a full capacitor of 800 ms cannot be told"),
            std::string::npos);
  EXPECT_EQ(fall_time("other", ""), 1us);
  EXPECT_NE(notes(files("other", "")).find("a full capacitor of unknown resistance cannot be told"),
            std::string::npos);
  EXPECT_EQ(check({}).plan.body.fall_time, 0s);
}

TEST(Check, tells_that_a_run_resumes_by_itself_and_lets_the_policy_forbid_it) {  // S9
  EXPECT_FALSE(check(Files{}).resumption);
  Files files;
  files.profile += "after-interruption: {resume-within: 10 min, times: 2}\n";
  const CheckReport report = check(files);
  EXPECT_EQ(report.resumption,
            (Resumption{.within = 10min, .times = 2, .warning = resume_warning_usual}));
  EXPECT_TRUE(notes(files).starts_with("p.yaml:11:21: CAUTION: after a power loss or a crash"))
      << notes(files);
  EXPECT_NE(notes(files).find("up to 10 min later, 2 times in a row"), std::string::npos);
  files.policy = "unattended: {resume: never}\n";
  EXPECT_FALSE(check(files).resumption);
  EXPECT_NE(notes(files).find("the policy forbids"), std::string::npos);
}

}  // namespace
}  // namespace chargewright::profiles

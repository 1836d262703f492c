// Which limits a bench can enforce (S7), what is refused, and what each advice says in numbers.

#include "profiles/enforcement.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

#include "profiles/check.h"
#include "profiles/slopes.h"

namespace chargewright::profiles {
namespace {

using namespace drivers;
using namespace std::chrono_literals;
using safety::Cause;
using ::testing::HasSubstr;

std::string with(std::string text, const std::string& piece, const std::string& by) {
  const std::size_t at = text.find(piece);
  EXPECT_NE(at, std::string::npos) << piece;
  return at == std::string::npos ? text : text.replace(at, piece.size(), by);
}

// A small capacitor: 10 F, 10 mohm, straight; 5 A climb by 0.5 V/s.
struct Files {
  std::string cell =
      "cell: bank\nchemistry: edlc\narrangement: 1s1p\ncapacitance: 10 F\n"
      "voltage: {empty: 0 V, full: 2.5 V, never-above: 2.7 V, never-below: -100 mV}\n"
      "current: {charge: 5 A, never-above: 6 A, discharge: 20 A}\n"
      "temperature: {charge: -40 degC to 60 degC, never-above: 65 degC}\n"
      "model: {kind: capacitor, capacitance: 10 F, r0: 10 mohm, heat-capacity: 5 J/K}\n";
  std::string bench =
      "bench: hut\n"
      "instruments:\n"
      "  supply:\n"
      "    link: tcp://127.0.0.1:1\n"
      "    dialect: s\n"
      "    ratings: {voltage: 20 V, current: 20 A, power: 200 W}\n"
      "    response: {round-trip: 5 ms, settling: 20 ms}\n"
      "  meter:\n"
      "    link: tcp://127.0.0.1:2\n"
      "    dialect: m\n"
      "    response: {round-trip: 10 ms}\n"
      "  probe:\n"
      "    link: serial:///dev/ttyUSB0?baud=9600\n"
      "    dialect: t\n"
      "    response: {lag: 5 s}\n"
      "channels:\n"
      "  left:\n"
      "    source: supply\n"
      "    voltage: meter\n"
      "    temperature: [probe]\n"
      "    wiring: {resistance: 10 mohm, rated: 40 A}\n"
      "    every: 200 ms\n";
  std::string profile =
      "profile: fill\n"
      "cell: bank\n"
      "steps:\n"
      "  - name: fill\n"
      "    charge: {current: 4 A, voltage: 2.4 V}\n"
      "    until: current <= 0.5 A for 1 s\n"
      "limits:\n"
      "  voltage: {above: 2.6 V}\n"
      "  current: {above: 5 A}\n"
      "  time: {above: 3 min}\n";

  CheckReport check(const Basis& basis = {}) const {
    return profiles::check(read_profile(parse_document(profile, "p.yaml").value()).value(),
                           read_cell(parse_document(cell, "c.yaml").value()).value(),
                           read_bench(parse_document(bench, "b.yaml").value()).value(), 0, Policy{},
                           basis);
  }
  std::string problems(const Basis& basis = {}) const {
    return describe(Failures{check(basis).problems});
  }
};

const BudgetRow& row(const CheckReport& report, std::string_view quantity) {
  const auto found = std::ranges::find(report.enforcement.rows, quantity, &BudgetRow::quantity);
  EXPECT_NE(found, report.enforcement.rows.end());
  return *found;
}

Basis without_over_voltage_protection() {
  Basis basis;
  basis.abilities.over_voltage_protection = false;
  return basis;
}

TEST(Enforcement, says_for_each_limit_time_overshoot_margin_and_verdict) {  // S7
  const CheckReport report = Files{}.check();
  EXPECT_EQ(describe(Failures{report.problems}), "");
  EXPECT_EQ(report.enforcement.rows.size(), report.lines.size());
  const BudgetRow& voltage = row(report, "voltage-above");
  // 200 ms between readings, 10 ms for the answer, 5 ms to judge, 10 ms and 20 ms to off.
  EXPECT_EQ(voltage.line.source.time, 245ms);
  EXPECT_NEAR(*voltage.margin, 0.1, 1e-12);
  EXPECT_EQ(voltage.verdict, Verdict::holds);
  EXPECT_EQ(row(report, "charge-above").verdict, Verdict::no_bound);
}

// 5 A for 245 ms on 10 F, and 5 A in 10 mohm: 172.5 mV, of which the cell bears 100 mV.
TEST(Enforcement, refuses_a_limit_that_the_bench_cannot_enforce_and_says_what_would_help) {  // S7
  const CheckReport report = Files{}.check(without_over_voltage_protection());
  ASSERT_EQ(report.problems.size(), 1U);
  const Failure& problem = report.problems[0];
  EXPECT_EQ(problem.place.file, "p.yaml");
  EXPECT_EQ(problem.place.line, 8);
  EXPECT_EQ(problem.place.column, 20);
  EXPECT_EQ(problem.cause,
            "this bench cannot enforce voltage-above 2.600 V (profile, p.yaml:8): the cell may go "
            "172.5 mV beyond it in the 245 ms until its current has stopped, but bears only 100 mV "
            "more");
  EXPECT_EQ(problem.advice,
            "read it every 55 ms; or set the limit at 2.527 V or below; or set the limit on "
            "current at 2.89 A and the currents of the steps at 2.31 A, or below");
}

// What is advised holds, and only just.
TEST(Enforcement, gives_advice_that_helps) {  // S7
  const Basis basis = without_over_voltage_protection();
  const auto helps = [&](const std::string& bench, const std::string& profile) {
    Files files;
    if (!bench.empty()) files.bench = with(files.bench, "every: 200 ms", bench);
    if (!profile.empty()) files.profile = with(files.profile, "above: 2.6 V", profile);
    return files.problems(basis).empty();
  };
  EXPECT_TRUE(helps("every: 55 ms", ""));
  EXPECT_FALSE(helps("every: 57 ms", ""));
  EXPECT_TRUE(helps("", "above: 2.527 V"));
  EXPECT_FALSE(helps("", "above: 2.529 V"));
  Files files;
  files.profile = with(files.profile, "current: {above: 5 A}", "current: {above: 2.89 A}");
  files.profile = with(files.profile, "current: 4 A", "current: 2.31 A");
  EXPECT_EQ(files.problems(basis), "");
}

// The source's own over-voltage protection stands above what the leads drop at the ceiling.
TEST(Enforcement, gives_advice_on_the_ceilings_too) {  // S7
  const auto problems = [](const std::string& limit, const std::string& ceiling) {
    Files files;
    files.bench = with(files.bench, "10 mohm, rated", "60 mohm, rated");
    files.profile = with(files.profile, "above: 2.6 V", "above: 2.699 V");
    files.profile = with(files.profile, "above: 5 A", "above: " + limit);
    files.profile = with(files.profile, "current: 4 A", "current: " + ceiling);
    return files.problems();
  };
  EXPECT_THAT(problems("5 A", "4 A"),
              HasSubstr("at 4.06 A and the currents of the steps at 3.25 A, or below"));
  EXPECT_EQ(problems("4.06 A", "3.25 A"), "");
  EXPECT_NE(problems("4.06 A", "3.9 A"), "");
}

// Of 26.8275 V 26.83 V would be shown, which is too much.
TEST(Enforcement, gives_advice_that_helps_as_it_is_shown) {  // S7
  const auto problems = [](const std::string& limit) {
    Files files;
    files.cell = with(files.cell, "1s1p", "10s1p");
    files.cell =
        with(files.cell, "full: 2.5 V, never-above: 2.7 V", "full: 25 V, never-above: 27 V");
    files.bench = with(files.bench, "voltage: 20 V, current: 20 A, power: 200 W",
                       "voltage: 60 V, current: 20 A, power: 1200 W");
    files.profile = with(files.profile, "voltage: 2.4 V", "voltage: 24 V");
    files.profile = with(files.profile, "above: 2.6 V", "above: " + limit);
    return files.problems(without_over_voltage_protection());
  };
  EXPECT_THAT(problems("26.9 V"), HasSubstr("set the limit at 26.82 V or below"));
  EXPECT_EQ(problems("26.82 V"), "");
}

// Ratings that reach little, and a protection that is armed, hold by themselves.
TEST(Enforcement, holds_where_the_source_cannot_do_harm) {  // S7 S2
  Files files;
  files.bench = with(files.bench, "voltage: 20 V", "voltage: 2.7 V");
  EXPECT_EQ(files.problems(without_over_voltage_protection()), "");
}

TEST(Enforcement, refuses_a_limit_on_current_that_only_a_hand_at_the_panel_keeps) {  // S7
  Basis basis;
  basis.abilities.over_current_protection = false;
  const std::string said = Files{}.problems(basis);
  EXPECT_THAT(said, HasSubstr("p.yaml:9:20: this bench cannot enforce current-above 5 A"));
  EXPECT_THAT(said, HasSubstr("15 A beyond it"));
  EXPECT_THAT(said, HasSubstr("over-current protection can be armed"));
}

// Armed at 2.57 V and 5 A, as far as the dialect of the source can tell.
TEST(Enforcement, counts_what_a_dialect_lets_pass_for_an_armed_protection) {  // S7 S2
  Basis basis;
  basis.proved_within = {.over_voltage = volts(0.001), .over_current = amperes(0.001)};
  EXPECT_EQ(Files{}.problems(basis), "");
  basis.proved_within.over_voltage = volts(0.5);
  EXPECT_THAT(Files{}.problems(basis), HasSubstr("p.yaml:8:20: this bench cannot enforce voltage"));
  Files files;
  files.cell = with(files.cell, "never-above: 6 A", "never-above: 5.5 A");
  basis.proved_within = {.over_current = amperes(0.7)};  // armed at 4.8 A
  EXPECT_EQ(files.problems(basis), "");
  basis.proved_within.over_current = amperes(0.8);
  EXPECT_THAT(files.problems(basis), HasSubstr("the cell may go 605 mA beyond it"));
}

// Where the cell bears no more than its limit: below what it bears by what the proof of the level
// lets pass, and above the ceiling by that and by what the proof of the setpoint does.
TEST(Enforcement, arms_a_protection_as_far_off_as_its_proofs_are_coarse) {  // S2 S7
  Files files;
  files.cell = with(files.cell, "charge: 5 A, never-above: 6 A", "charge: 4.5 A, never-above: 5 A");
  const auto armed = [&](double setpoint, double level) {
    Basis basis;
    basis.proved_within = {.current = amperes(setpoint), .over_current = amperes(level)};
    return files.check(basis).plan.over_current_protection.value();
  };
  EXPECT_DOUBLE_EQ(armed(0, 0), 5);
  EXPECT_DOUBLE_EQ(armed(0, 0.2), 4.8);
  EXPECT_DOUBLE_EQ(armed(0, 0.6), 4.605);
  EXPECT_DOUBLE_EQ(armed(0.1, 0.6), 4.7);
}

// At that nothing is proved: it would let 1 V pass for 5 mV.
TEST(Enforcement, refuses_a_source_whose_proofs_let_almost_anything_pass) {  // S1 S7
  for (auto of : {&ProvedWithin::voltage, &ProvedWithin::over_voltage}) {
    Basis basis;
    basis.proved_within.*of = volts(1.001);
    EXPECT_THAT(Files{}.problems(basis), HasSubstr("more than 5 % of what `supply` is rated"));
    basis.proved_within.*of = volts(1.0);
    EXPECT_THAT(Files{}.problems(basis), Not(HasSubstr("5 %")));
  }
  for (auto of : {&ProvedWithin::current, &ProvedWithin::over_current}) {
    Basis basis;
    basis.proved_within.*of = amperes(1.001);
    EXPECT_THAT(Files{}.problems(basis), HasSubstr("more than 5 % of what `supply` is rated"));
    basis.proved_within.*of = amperes(1.0);
    EXPECT_THAT(Files{}.problems(basis), Not(HasSubstr("5 %")));
  }
}

TEST(Check, says_what_of_its_source_the_dialect_does_not_reach) {  // S1 S3
  const auto notes = [](bool safety::SourceAbilities::*lacking) {
    Basis basis;
    basis.abilities.*lacking = false;
    Files files;  // where none of it makes a limit unenforceable
    files.bench = with(files.bench, "voltage: 20 V, current: 20 A", "voltage: 2.6 V, current: 5 A");
    return describe(Failures{files.check(basis).notes});
  };
  using Can = safety::SourceAbilities;
  EXPECT_THAT(
      notes(&Can::over_voltage_protection),
      HasSubstr("b.yaml:3:3: the own over-voltage protection of `supply` is not reached: its "
                "dialect `s` has no `set-over-voltage`"));
  EXPECT_THAT(notes(&Can::over_current_protection),
              HasSubstr("the own over-current protection of `supply` is not reached: its dialect "
                        "`s` has no `set-over-current`"));
  EXPECT_THAT(notes(&Can::reads_protection), HasSubstr("has no `read-protection`"));
  EXPECT_THAT(notes(&Can::reads_setpoints), HasSubstr("has no `read-voltage-setpoint` and"));
  EXPECT_THAT(notes(&Can::reads_output), HasSubstr("has no `read-output`"));
  EXPECT_EQ(notes(&Can::reads_regulation), "");  // shown, never trusted
}

// 5 s behind at 0.05 K/s for what is steered to, 0.25 K; a minute behind, 3 K.
TEST(Enforcement, reckons_with_the_lag_of_a_thermometer) {  // S7
  Files files;
  files.profile += "  temperature: {above: 60 degC}\n";
  files.cell = with(files.cell, "never-above: 65 degC", "never-above: 62 degC");
  const CheckReport report = files.check();
  EXPECT_EQ(describe(Failures{report.problems}), "");
  EXPECT_NEAR(row(report, "temperature-above").line.source.overshoot, 0.05 * 5.4, 0.02);
  files.bench = with(files.bench, "{lag: 5 s}", "{lag: 60 s}");
  EXPECT_THAT(files.problems(), HasSubstr("cannot enforce temperature-above 60 °C"));
  EXPECT_THAT(files.problems(), HasSubstr("set the limit at 58.9 °C or below"));
  files.bench = with(files.bench, "    response: {lag: 60 s}\n", "");  // assumed: a minute
  EXPECT_THAT(files.problems(), HasSubstr("cannot enforce temperature-above 60 °C"));
}

TEST(Enforcement, knows_no_bound_that_the_cell_does_not_state) {  // S7
  Files files;
  files.profile += "  energy: {above: 1 Wh}\n  power: {above: 20 W}\n";
  const CheckReport report = files.check();
  for (const char* quantity : {"power-above", "energy-above", "run-time", "voltage-below"}) {
    EXPECT_EQ(row(report, quantity).verdict, Verdict::no_bound) << quantity;
    EXPECT_FALSE(row(report, quantity).margin.has_value()) << quantity;
  }
}

TEST(Enforcement, notes_an_instrument_that_cannot_answer_all_that_it_is_asked) {  // S7 S3
  Files files;
  files.bench = with(files.bench, "round-trip: 5 ms", "round-trip: 200 ms");
  EXPECT_THAT(describe(Failures{files.check().notes}), HasSubstr("`supply` may take so long"));
}

// ---- what it rests on ---------------------------------------------------------------------------

std::string all(const std::vector<std::string>& lines) {
  std::string text;
  for (const auto& line : lines) text += line + '\n';
  return text;
}

TEST(Enforcement, says_what_is_measured_what_is_stated_and_what_is_assumed) {  // S7
  Basis basis;
  basis.instruments.resize(3);
  basis.instruments[1].measured = 12ms;
  EXPECT_EQ(all(Files{}.check(basis).enforcement.rests_on),
            "supply: answers within 5 ms (stated), stops within 20 ms (stated)\n"
            "meter: answers within 12 ms (measured)\n"
            // 10 bits for each of 64 bytes at 9600 baud, and 15 ms.
            "probe: answers within 81.67 ms (assumed), is behind its cell by 5 s (stated)\n"
            "cell bank: as its `model` says\n");
}

TEST(Enforcement, believes_the_slower_of_what_is_stated_and_what_was_measured) {  // S7
  const Bench bench = read_bench(parse_document(Files{}.bench, "b.yaml").value()).value();
  const auto answers = [&](std::optional<Duration> measured) {
    return times_of(bench.instruments[1], {.measured = measured}).round_trip;
  };
  EXPECT_EQ(answers({}), 10ms);
  EXPECT_EQ(answers(4ms), 10ms);
  EXPECT_EQ(answers(40ms), 40ms);
}

TEST(Enforcement, assumes_the_worse_of_a_cell_whose_model_is_not_stated) {  // S7
  Files files;
  files.cell = with(files.cell,
                    "model: {kind: capacitor, capacitance: 10 F, r0: 10 mohm, "
                    "heat-capacity: 5 J/K}\n",
                    "");
  const Cell cell = read_cell(parse_document(files.cell, "c.yaml").value()).value();
  const safety::CellSlopes slopes =
      slopes_of(cell, {.voltage = volts(2.6), .coldest = celsius(25), .hottest = celsius(25)});
  EXPECT_DOUBLE_EQ(slopes.differential.value(), 8);  // 0.8 of what is marked
  EXPECT_DOUBLE_EQ(slopes.cold.series.value(), 2 * cell.model.r0.value());
  EXPECT_DOUBLE_EQ(slopes.heat_capacity.value(), 0.5 * cell.model.heat_capacity.value());
  EXPECT_EQ(assumed_of(cell),
            "0.8 of the marked capacitance, twice the typical resistance, half "
            "the typical heat capacity");
  Cell unknown = cell;
  unknown.chemistry = "other";
  EXPECT_EQ(assumed_of(unknown),
            "0.8 of the marked capacitance, twice the most resistance of any known chemistry, half "
            "the least heat capacity of any known chemistry");
  Cell weighed = cell;
  weighed.mass = kilograms(0.010);
  EXPECT_DOUBLE_EQ(slopes_of(weighed, {}).heat_capacity.value(), 9);
}

// Of a chemistry that nobody knows, no less resistance and no more heat capacity than of those that
// are known, whatever the size and however many in series.
TEST(Enforcement, assumes_the_worst_known_cell_where_the_chemistry_is_not_known) {  // S7
  const auto slopes = [](int series, const std::string& capacity, const std::string& model = {}) {
    const std::string n = std::to_string(series);
    const std::string text =
        "cell: x\nchemistry: other\narrangement: " + n + "s1p\n" + capacity +
        "\nvoltage: {empty: 0 V, full: " + exact(2.7 * series) +
        " V, never-above: 30 V, never-below: -100 mV}\ncurrent: {charge: 1 A}\n" +
        "temperature: {charge: 0 degC to 45 degC, never-above: 60 degC}\n" + model;
    return slopes_of(read_cell(parse_document(text, "c.yaml").value()).value(),
                     {.coldest = celsius(25), .hottest = celsius(25)});
  };
  const auto no_better = [&](const safety::CellSlopes& unknown, const char* known, double ah,
                             int series) {
    const auto typical = simulated::typical_model(known, ampere_hours(ah)).value();
    const double ohms = (typical.r0 + typical.rc[0].r + typical.rc[1].r).value();
    EXPECT_GE(unknown.cold.series.value(), 2 * series * ohms * (1 - 1e-9)) << known << ' ' << ah;
    EXPECT_GE(unknown.warm.series.value(), 2 * series * ohms * (1 - 1e-9)) << known << ' ' << ah;
    EXPECT_LE(unknown.heat_capacity.value(),
              0.5 * series * typical.heat_capacity.value() * (1 + 1e-9))
        << known << ' ' << ah;
  };
  for (const double ah : {0.04, 2.4, 100.0}) {
    for (const int series : {1, 8}) {
      const auto battery = slopes(series, "capacity: " + exact(ah) + " Ah");
      for (const char* known :
           {"li-ion-nmc", "li-ion-hv", "li-ion-lfp", "lto", "nimh", "lead-acid"}) {
        no_better(battery, known, ah, series);
      }
      const double farads = ah * 3600 / 2.7;  // of each
      const auto capacitor = slopes(series, "capacitance: " + exact(farads / series) + " F");
      for (const char* known : {"edlc", "lic"}) no_better(capacitor, known, ah, series);
    }
  }
  // What its file states is believed, and not made worse.
  const auto stated =
      slopes(8, "capacity: 0.04 Ah", "model: {r0: 1 mohm, heat-capacity: 500 J/K}\n");
  EXPECT_DOUBLE_EQ(stated.cold.series.value(), 0.001);
  EXPECT_DOUBLE_EQ(stated.heat_capacity.value(), 500);
}

// 37.5 C at most, each read 100 mV too low.
TEST(Enforcement, counts_the_energy_that_a_voltmeters_offset_hides) {  // S7
  Files files;
  files.profile += "  energy: {above: 1 Wh}\n";
  const auto joules_beyond = [&] {
    return row(files.check(), "energy-above").line.source.overshoot;
  };
  const double accurate = joules_beyond();
  files.bench = with(files.bench, "round-trip: 10 ms}",
                     "round-trip: 10 ms}\n    accuracy: {voltage: 100 mV}");
  EXPECT_NEAR(joules_beyond() - accurate, 3.75, 1e-9);
}

// Full, it turns its 1.5 V and 2 A into heat, 0.12 K/s, and the thermometer is a minute behind.
TEST(Enforcement, reckons_with_the_heat_of_a_cell_that_is_charged_beyond_full) {  // S7
  Files files;
  files.bench = with(files.bench, "lag: 5 s", "lag: 60 s");
  files.profile = with(with(with(files.profile, "4 A, voltage: 2.4 V", "1.8 A, voltage: 1.5 V"),
                            "above: 2.6 V", "above: 1.6 V"),
                       "above: 5 A", "above: 2 A");
  const auto checked = [&](const std::string& chemistry, const std::string& charge = "") {
    files.cell = "cell: bank\nchemistry: " + chemistry + "\narrangement: 1s1p\ncapacity: 2 Ah\n" +
                 "voltage: {empty: 1 V, full: 1.5 V, never-above: 1.7 V, never-below: 0.8 V}\n" +
                 "current: {charge: 1 C, never-above: 3 A}\n" +
                 "temperature: {charge: 0 degC to 45 degC, never-above: 52 degC}\n" +
                 "model: {r0: 20 mohm, rc: [], heat-capacity: 25 J/K, arrhenius: 0 K}\n" + charge;
    return files.check();
  };
  const CheckReport beyond = checked("nimh");
  EXPECT_GT(row(beyond, "temperature-above").line.source.overshoot, 60 * 2 * 1.5 / 25);
  EXPECT_LT(row(beyond, "temperature-above").line.source.overshoot, 9);
  EXPECT_EQ(row(beyond, "temperature-above").verdict, Verdict::exceeds);
  EXPECT_EQ(row(checked("lead-acid"), "temperature-above").verdict, Verdict::exceeds);
  EXPECT_EQ(row(checked("lto"), "temperature-above").verdict, Verdict::holds);
  // Nobody says what it is, but that it is charged well beyond full.
  EXPECT_EQ(row(checked("other"), "temperature-above").verdict, Verdict::holds);
  EXPECT_EQ(row(checked("other", "charge: {never-above: 160 %}\n"), "temperature-above").verdict,
            Verdict::exceeds);
}

// From 80 % on the line climbs by 0.6 V over a fifth of 1 Ah, below it by 0.1 V over four fifths.
TEST(Enforcement, takes_the_steepest_of_the_open_circuit_line_about_the_limit) {  // S7
  Cell cell;
  cell.voltage = {volts(3.0), volts(3.7), volts(3.8), volts(2.5)};
  cell.model.capacity = ampere_hours(1);
  cell.model.ocv = {{0, volts(2.9)}, {0.05, volts(3.0)}, {0.8, volts(3.1)}, {1, volts(3.7)}};
  cell.model.r0 = ohms(0.01);
  cell.model_states = {.charge_curve = true, .resistance = true, .heat_capacity = true};
  const auto at = [&](double volts_limit, double amperes_most) {
    return slopes_of(cell, {.voltage = volts(volts_limit), .most = amperes(amperes_most)})
        .differential.value();
  };
  EXPECT_NEAR(at(3.6, 1), 720 / 0.6, 1e-9);
  // A table that ends flat is taken to climb as it does on the whole.
  cell.model.ocv = {{0, volts(3.0)}, {0.5, volts(3.6)}, {1, volts(3.6)}};
  EXPECT_NEAR(at(3.65, 1), 3600 / 0.7, 1e-9);
}

}  // namespace
}  // namespace chargewright::profiles

#include "profiles/cell.h"

#include <gtest/gtest.h>

#include "drivers/quantity_text.h"

namespace chargewright::profiles {
namespace {

using namespace drivers;
using namespace drivers::literals;

// Line by line, so that a case can put another line in its place.
std::string cell_with(int line, const std::string& text) {
  std::vector<std::string> lines{
      "cell: hut-radio-24",
      "chemistry: li-ion-nmc",
      "arrangement: 1s1p",
      "capacity: 2.4 Ah",
      "voltage: {empty: 3.00 V, full: 4.20 V, never-above: 4.25 V, never-below: 2.50 V}",
      "current: {charge: 3 C, discharge: 2 C}",
      "temperature: {charge: 5 °C to 45 °C, never-above: 60 °C}",
      "mass: 46 g",
      "volume: 24 mL",
  };
  if (line > 0) lines.at(static_cast<std::size_t>(line) - 1) = text;
  std::string all;
  for (const std::string& each : lines) all += each + '\n';
  return all;
}

Checked<Cell> read(const std::string& text) {
  return read_cell(parse_document(text, "c.yaml").value());
}
std::string why_not(const std::string& text) {
  const Checked<Cell> cell = read(text);
  return cell ? "accepted" : describe(cell.error());
}

TEST(Cell, reads_what_its_file_says) {
  const Cell cell = read(cell_with(0, "")).value();
  EXPECT_EQ(cell.name, "hut-radio-24");
  EXPECT_EQ(cell.chemistry, "li-ion-nmc");
  EXPECT_DOUBLE_EQ(in_ampere_hours(cell.capacity), 2.4);
  EXPECT_EQ(cell.voltage.empty, 3.0_V);
  EXPECT_EQ(cell.voltage.full, 4.2_V);
  EXPECT_EQ(cell.voltage.never_above, 4.25_V);
  EXPECT_EQ(cell.voltage.never_below, 2.5_V);
  EXPECT_DOUBLE_EQ(cell.current.charge.value(), 7.2);
  EXPECT_DOUBLE_EQ(cell.current.never_above.value(), 7.92);  // 10 % above, unless written
  EXPECT_DOUBLE_EQ(cell.current.discharge->value(), 4.8);
  EXPECT_EQ(cell.temperature.charge_min, celsius(5));
  EXPECT_EQ(cell.temperature.charge_max, celsius(45));
  EXPECT_EQ(cell.temperature.never_above, celsius(60));
  EXPECT_DOUBLE_EQ(cell.mass->value(), 0.046);
  EXPECT_DOUBLE_EQ(cell.volume->value(), 24e-6);
  EXPECT_EQ(cell.places.never_above.line, 5);
  EXPECT_EQ(cell.text, cell_with(0, ""));
}

TEST(Cell, counts_cells_in_series_and_parallel) {
  const Cell cell =
      read(
          "cell: pack\nchemistry: li-ion-lfp\narrangement: 4s2p\ncapacity: 10 Ah\n"
          "voltage: {empty: 10 V, full: 14.4 V, never-above: 15.2 V, never-below: 8 V}\n"
          "current: {charge: 10 A, never-above: 12 A}\n"
          "temperature: {charge: 0 degC to 45 degC, never-above: 60 degC}\n")
          .value();
  EXPECT_EQ(cell.series, 4);
  EXPECT_EQ(cell.parallel, 2);
  EXPECT_EQ(cell.current.never_above, 12.0_A);
  // The rehearsal's model is of the whole pack: its open-circuit voltage lies in the pack's window.
  EXPECT_GT(cell.model.ocv.front().voltage, 8.0_V);
  EXPECT_LT(cell.model.ocv.back().voltage, 15.2_V);
}

TEST(Cell, knows_a_capacitor_by_its_capacitance) {
  const Cell cell =
      read(
          "cell: buffer\nchemistry: edlc\narrangement: 2s1p\ncapacitance: 50 F\n"
          "voltage: {empty: 0 V, full: 5.0 V, never-above: 5.4 V, never-below: -100 mV}\n"
          "current: {charge: 12 A}\n"
          "temperature: {charge: -40 degC to 60 degC, never-above: 65 degC}\n")
          .value();
  EXPECT_DOUBLE_EQ(cell.capacity.value(), 250);  // C (full - empty)
  EXPECT_DOUBLE_EQ(cell.capacitance->value(), 50);
  EXPECT_DOUBLE_EQ(cell.model.capacitance.value(), 50);
  EXPECT_EQ(cell.model.kind, simulated::CellModel::Kind::capacitor);
}

// 2.4 Ah between 3 V and 4.2 V, and 30 mAh between 2.5 V and 5 V.
TEST(Cell, knows_the_capacitance_of_a_capacitor_by_its_capacity) {  // S7
  const auto farads_of = [](const std::string& more) {
    return read(cell_with(0, "") + more).value().model.capacitance.value();
  };
  EXPECT_DOUBLE_EQ(farads_of("model: {kind: capacitor}\n"), 7200);
  EXPECT_DOUBLE_EQ(farads_of("model: {kind: capacitor, capacitance: 50 F}\n"), 50);
  for (const char* model :
       {"edlc\n", "edlc\nmodel: {kind: capacitor}\n", "other\nmodel: {kind: capacitor}\n"}) {
    const Cell cell =
        read(
            "cell: buffer\narrangement: 2s1p\ncapacity: 30 mAh\n"
            "voltage: {empty: 2.5 V, full: 5.0 V, never-above: 5.4 V, never-below: 0 V}\n"
            "current: {charge: 12 A}\n"
            "temperature: {charge: -40 degC to 60 degC, never-above: 65 degC}\n"
            "chemistry: " +
            std::string(model))
            .value();
    EXPECT_EQ(cell.model.kind, simulated::CellModel::Kind::capacitor) << model;
    EXPECT_NEAR(cell.model.capacitance.value(), 43.2, 1e-9) << model;
  }
}

TEST(Cell, takes_parameters_for_rehearsal_from_its_model) {
  const Cell cell = read(cell_with(0, "") + "model: {r0: 30 mohm, ambient: -10 degC}\n").value();
  EXPECT_EQ(cell.model.r0, 30.0_mohm);
  EXPECT_EQ(cell.model.ambient, celsius(-10));
  EXPECT_DOUBLE_EQ(in_ampere_hours(cell.model.capacity), 2.4);
}

struct Bad {
  int line;
  const char* text;
  const char* message;
};

TEST(Cell, refuses_each_mistake_with_its_place_and_what_was_expected) {
  for (
      const Bad& bad : {
          Bad{1, "cell: ../radio",
              "c.yaml:1:7: `cell` is not a name; use letters, digits, `-`, `_` and `.`, at most "
              "64, a letter or digit first"},
          Bad{2, "chemistry: li-ion-ncm",
              "c.yaml:2:12: unknown chemistry `li-ion-ncm`; did you mean `li-ion-nmc`?"},
          Bad{2, "chemistry: soup",
              "c.yaml:2:12: unknown chemistry `soup`; known are li-ion-nmc, li-ion-nca, "
              "li-ion-lco, li-ion-hv, li-ion-lfp, lto, lic, edlc, nimh, lead-acid, other"},
          Bad{3, "arrangement: 1p1s",
              "c.yaml:3:14: `1p1s` is not an arrangement; write cells in series and strings in "
              "parallel, for example 8s2p"},
          Bad{3, "arrangement: 0s1p",
              "c.yaml:3:14: `0s1p` is not an arrangement; write cells in series and strings in "
              "parallel, for example 8s2p"},
          Bad{4, "capacity: 2.4",
              "c.yaml:4:11: a bare number: a unit is needed; write ampere-hours, for example 2.4 "
              "Ah"},
          Bad{4, "capacity: -2.4 Ah", "c.yaml:4:11: `capacity` must be more than nothing"},
          Bad{4, "", "c.yaml:1:1: a cell file lacks the key `capacity`"},
          Bad{4, "capacitance: 50 F",
              "c.yaml:4:14: `capacitance` of a cell that is not a capacitor; write `capacity`, "
              "for example 2.4 Ah"},
          Bad{5, "voltage: {empty: 3.00 V, full: 4.20 V, never-above: 4.35 V, never-below: 2.50 V}",
              "c.yaml:5:53: `never-above` is 4.350 V, but li-ion-nmc ends at 4.250 V; the data "
              "sheet decides: where it says so, write `chemistry: other`, which has no band"},
          Bad{5, "voltage: {empty: 4.30 V, full: 4.20 V, never-above: 4.25 V, never-below: 2.50 V}",
              "c.yaml:5:32: `full` is 4.200 V, which is not above `empty`, 4.300 V"},
          Bad{5, "voltage: {empty: 3.00 V, full: 4.25 V, never-above: 4.25 V, never-below: 2.50 V}",
              "c.yaml:5:53: `never-above` is 4.250 V, which is not above `full`, 4.250 V; the "
              "interlock needs room between the two"},
          Bad{5, "voltage: {empty: 3.00 V, full: 4.20 V, never-above: 4.25 V, never-below: 3.10 V}",
              "c.yaml:5:18: `empty` is 3.000 V, below `never-below`, which is 3.100 V"},
          Bad{5, "voltage: {empty: 3.00 V, full: 4.20 V, never-above: 4.25 V, never-below: -1 V}",
              "c.yaml:5:74: `never-below` is -1.000 V, but li-ion-nmc must not go below 0 V; the "
              "data sheet decides: where it says so, write `chemistry: other`, which has no band"},
          Bad{6, "current: {charge: 3 C, discharge: 2 C, charg: 1 C}",
              "c.yaml:6:40: unknown key `charg` in `current`; did you mean `charge`?"},
          Bad{6, "current: {charge: 0 A}", "c.yaml:6:19: `charge` must be more than nothing"},
          Bad{6, "current: {charge: 3 C, never-above: 2 C}",
              "c.yaml:6:37: `never-above` is 4.8 A, which is not above `charge`, 7.2 A; the "
              "interlock needs room between the two"},
          Bad{7, "temperature: {charge: 45 degC, never-above: 60 degC}",
              "c.yaml:7:23: `45 degC` is not a range of temperature; write for example 5 degC to "
              "45 degC"},
          Bad{7, "temperature: {charge: 45 degC to 5 degC, never-above: 60 degC}",
              "c.yaml:7:23: a range of temperature that does not rise"},
          Bad{7, "temperature: {charge: 5 degC to 45 degC, never-above: 40 degC}",
              "c.yaml:7:55: `never-above` is 40 °C, below the end of the charge window, 45 °C"},
          Bad{7, "temperature: 45 degC",
              "c.yaml:7:14: `temperature` must be a mapping; write `key: value`, one a line"},
          Bad{8, "mas: 46 g", "c.yaml:8:1: unknown key `mas` in a cell file; did you mean `mass`?"},
          Bad{9, "volume: 24 g",
              "c.yaml:9:9: `g` is a unit of a mass, but a volume is needed; write millilitres, for "
              "example 24 mL"},
      }) {
    EXPECT_EQ(why_not(cell_with(bad.line, bad.text)), bad.message) << bad.text;
  }
}

TEST(Cell, takes_beyond_its_capacity_what_its_file_says_and_its_chemistry_bears) {  // S2
  const auto with = [](const std::string& chemistry, const std::string& charge) {
    std::string text = cell_with(2, "chemistry: " + chemistry) + "charge: {never-above: " + charge;
    const auto at = text.find("voltage: {");
    return text.replace(
               at, text.find('\n', at) - at,
               "voltage: {empty: 1 V, full: 1.6 V, never-above: 1.8 V, never-below: 0.9 V}") +
           "}\n";
  };
  // 0.1 C for 16 h: IEC 61951-2, charging procedure (from memory, unverified).
  EXPECT_DOUBLE_EQ(in_ampere_hours(*read(with("nimh", "160 %")).value().charge_never_above), 3.84);
  EXPECT_EQ(read(cell_with(0, "")).value().charge_never_above, std::nullopt);
  EXPECT_EQ(why_not(with("li-ion-nmc", "110 %")), "accepted");
  EXPECT_EQ(why_not(with("li-ion-nmc", "120 %")), "accepted");
  EXPECT_EQ(why_not(with("li-ion-nmc", "121 %")),
            "c.yaml:10:23: `never-above` is more than 120 % of the capacity, which li-ion-nmc does "
            "not bear");
  EXPECT_EQ(why_not(with("nimh", "201 %")),
            "c.yaml:10:23: `never-above` is more than 200 % of the capacity");
  EXPECT_EQ(
      why_not(with("lead-acid", "100 %")),
      "c.yaml:10:23: `never-above` is not above the capacity; write per cent of the capacity, "
      "for example 160 %");
  EXPECT_NE(why_not(with("nimh", "3 Ah")), "accepted");
  std::string bank = with("other", "130 %");
  bank.replace(bank.find("capacity: 2.4 Ah"), 16, "capacitance: 5 F");
  EXPECT_EQ(why_not(bank),
            "c.yaml:10:23: `charge` of a capacitor; its capacitance says what it takes");
}

TEST(Cell, lists_all_problems_at_once_in_the_order_of_their_places) {
  EXPECT_EQ(
      why_not("cell: x\nchemistry: li-ion-nmc\ncolour: red\narrangement: 1s\n"
              "capacity: 2.4\nvoltage: {empty: 3 V}\n"),
      "c.yaml:1:1: a cell file lacks the key `current`\n"
      "c.yaml:1:1: a cell file lacks the key `temperature`\n"
      "c.yaml:3:1: unknown key `colour` in a cell file; known are cell, description, chemistry, "
      "arrangement, voltage, capacity, capacitance, charge, current, temperature, mass, volume, "
      "model\n"
      "c.yaml:4:14: `1s` is not an arrangement; write cells in series and strings in "
      "parallel, for example 8s2p\n"
      "c.yaml:5:11: a bare number: a unit is needed; write ampere-hours, for example 2.4 Ah\n"
      "c.yaml:6:10: `voltage` lacks the key `full`\n"
      "c.yaml:6:10: `voltage` lacks the key `never-above`\n"
      "c.yaml:6:10: `voltage` lacks the key `never-below`");
}

TEST(Cell, holds_each_chemistry_to_its_band_times_the_cells_in_series) {
  struct Case {
    const char* chemistry;
    int series;
    double upper;
  };
  // Bands: common practice, no source; 4.25 V: IEC 62133-2 (from memory, unverified); 3.8 V of a
  // lithium-ion capacitor: Sun et al. 2018.
  for (const Case& c :
       {Case{"li-ion-nmc", 1, 4.25}, Case{"li-ion-hv", 2, 4.50}, Case{"li-ion-lfp", 4, 3.80},
        Case{"lto", 5, 2.90}, Case{"lic", 3, 3.80}, Case{"edlc", 6, 3.00}, Case{"nimh", 10, 1.80},
        Case{"lead-acid", 6, 2.50}}) {
    const auto cell_file = [&](double never_above) {
      const double n = c.series;
      return "cell: x\nchemistry: " + std::string(c.chemistry) +
             "\narrangement: " + std::to_string(c.series) +
             "s1p\ncapacity: 2 Ah\nvoltage: {empty: " + exact(c.upper * 0.7 * n) +
             " V, full: " + exact(c.upper * 0.9 * n) + " V, never-above: " + exact(never_above) +
             " V, never-below: " + exact(c.upper * 0.65 * n) +
             " V}\ncurrent: {charge: 1 A}\ntemperature: {charge: 0 degC to 40 degC, never-above: "
             "60 degC}\n";
    };
    EXPECT_EQ(why_not(cell_file(c.upper * c.series)), "accepted") << c.chemistry;
    EXPECT_NE(why_not(cell_file(c.upper * c.series + 0.01)), "accepted") << c.chemistry;
  }
  std::string other = cell_with(
      5, "voltage: {empty: 3.00 V, full: 4.20 V, never-above: 4.60 V, never-below: 2.50 V}");
  other.replace(other.find("li-ion-nmc"), 10, "other");
  EXPECT_EQ(why_not(other), "accepted");
}

TEST(Cell, says_when_its_file_is_not_there) {
  const Checked<Cell> cell = load_cell("/nonexistent/cell.yaml");
  ASSERT_FALSE(cell.has_value());
  EXPECT_EQ(describe(cell.error()),
            "/nonexistent/cell.yaml: cannot be opened: No such file or directory");
}

}  // namespace
}  // namespace chargewright::profiles

// What is shipped is sound: every cell and profile of the library passes its own check, and the
// schemas that editors use know every key that the readers know.

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <iterator>

#include "drivers/dialect.h"
#include "profiles/check.h"
#include "profiles/chemistry.h"
#include "tests/support/places.h"

namespace chargewright::profiles {
namespace {

namespace fs = std::filesystem;
using namespace drivers;

const fs::path folder = test::in_source("profiles");

std::vector<fs::path> files_in(const char* name) {
  std::vector<fs::path> files;
  for (const auto& entry : fs::directory_iterator(folder / name)) {
    if (entry.path().extension() == ".yaml") files.push_back(entry.path());
  }
  return files;
}

Bench bench() {
  return read_bench(
             parse_document("bench: hut\n"
                            "instruments:\n"
                            "  supply:\n"
                            "    link: tcp://127.0.0.1:1\n"
                            "    dialect: scpi-supply\n"
                            "    ratings: {voltage: 20 V, current: 20 A, power: 200 W}\n"
                            "    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 10 mA}\n"
                            "  meter: {link: \"tcp://127.0.0.1:2\", dialect: scpi-meter}\n"
                            "  probe: {link: \"tcp://127.0.0.1:3\", dialect: scpi-thermometer}\n"
                            "channels:\n"
                            "  left:\n"
                            "    source: supply\n"
                            "    voltage: meter\n"
                            "    temperature: [probe/1]\n"
                            "    wiring: {gauge: 8 AWG, length: 0.6 m, rated: 40 A}\n",
                            "bench.yaml")
                 .value())
      .value();
}

// As exactly as the shipped dialect proves what a source is set to.
Basis basis() {
  const Dialect supply = load_dialect("scpi-supply", {test::in_source("drivers/dialects")}).value();
  const auto within = [&](Verb verb) { return supply[verb].ask->within; };
  Basis known;
  known.proved_within = {.voltage = volts(within(Verb::set_voltage)),
                         .current = amperes(within(Verb::set_current)),
                         .over_voltage = volts(within(Verb::set_over_voltage)),
                         .over_current = amperes(within(Verb::set_over_current))};
  return known;
}

TEST(Shipped, every_profile_passes_its_check_without_a_remark) {  // S7
  const std::vector<std::string> cells{(folder / "cells").string()};
  const std::vector<fs::path> profiles = files_in("library");
  EXPECT_GE(profiles.size(), 3U);
  for (const fs::path& path : profiles) {
    const Checked<Profile> profile = load_profile(path);
    ASSERT_TRUE(profile.has_value()) << describe(profile.error());
    EXPECT_EQ(profile->name, path.stem());
    const Checked<Cell> cell = load_cell_of(*profile, cells);
    ASSERT_TRUE(cell.has_value()) << describe(cell.error());
    const CheckReport report = check(*profile, *cell, bench(), 0, Policy{}, basis());
    EXPECT_EQ(describe(Failures{report.problems}), "");
    EXPECT_EQ(describe(Failures{report.notes}), "");
    EXPECT_EQ(safety::defect(report.plan.limits), "");
  }
}

TEST(Shipped, every_cell_loads_and_has_a_model_that_fits_its_voltages) {
  const std::vector<fs::path> cells = files_in("cells");
  EXPECT_GE(cells.size(), 3U);
  for (const fs::path& path : cells) {
    const Checked<Cell> cell = load_cell(path);
    ASSERT_TRUE(cell.has_value()) << describe(cell.error());
    EXPECT_EQ(cell->name, path.stem());
    if (cell->model.kind == simulated::CellModel::Kind::capacitor) continue;
    EXPECT_GE(cell->model.ocv.front().voltage, cell->voltage.never_below) << path;
    EXPECT_LE(cell->model.ocv.back().voltage, cell->voltage.full) << path;
  }
}

// Links of the demonstration are filled in when it starts.
TEST(Shipped, benches_of_the_demonstration_load) {
  const fs::path demonstration = test::in_source("daemon/demonstration");
  for (const char* name : {"buffer-bench.yaml", "radio-bench.yaml"}) {
    std::ifstream in(demonstration / name);
    std::string text{std::istreambuf_iterator<char>(in), {}};
    int port = 5025;
    for (std::size_t at = text.find("\"@"); at != std::string::npos; at = text.find("\"@")) {
      text.replace(at, text.find('"', at + 1) + 1 - at,
                   "tcp://127.0.0.1:" + std::to_string(port++));
    }
    const Checked<Bench> bench = read_bench(parse_document(text, name).value());
    EXPECT_TRUE(bench.has_value()) << describe(bench.error());
  }
}

std::string schema(const std::string& name) {
  std::ifstream in(folder / "schema" / (name + ".schema.json"));
  return {std::istreambuf_iterator<char>(in), {}};
}

// A key that no reader knows and that resembles none: the readers answer with all that they know.
const std::string stranger = "zzzzzzzzzzzzzzzzzzzz";

std::vector<std::string> known_keys(const Failures& problems) {
  std::vector<std::string> keys;
  for (const Failure& failure : problems.list) {
    constexpr std::string_view head = "known are ";
    if (!failure.cause.starts_with("unknown key `" + stranger)) continue;
    EXPECT_TRUE(failure.advice.starts_with(head)) << failure.advice;
    std::string rest = failure.advice.substr(head.size()) + ", ";
    for (std::size_t at = rest.find(", "); at != std::string::npos; at = rest.find(", ")) {
      keys.push_back(rest.substr(0, at));
      rest.erase(0, at + 2);
    }
  }
  return keys;
}

template <class Read>
void expect_all_in_schema(const std::string& name, std::string text, std::size_t least, Read read) {
  for (std::size_t at = text.find('@'); at != std::string::npos; at = text.find('@')) {
    text.replace(at, 1, stranger + ": 1");
  }
  const auto result = read(parse_document(text, name).value());
  ASSERT_FALSE(result.has_value());
  const std::vector<std::string> keys = known_keys(result.error());
  EXPECT_GE(keys.size(), least) << describe(result.error());
  const std::string json = schema(name);
  ASSERT_FALSE(json.empty());
  for (const std::string& key : keys) {
    EXPECT_NE(json.find('"' + key + "\":"), std::string::npos) << key << " in " << name;
  }
}

const std::string limits =
    "limits: {@, voltage: {@, above: {@}}, current: {@}, power: {@}, temperature: {@}, charge: "
    "{@}, energy: {@}, time: {@}}\n";

TEST(Shipped, schemas_know_every_key_that_the_readers_know) {
  expect_all_in_schema("cell",
                       "@\ncharge: {@}\nvoltage: {@}\ncurrent: {@}\ntemperature: {@}\n"
                       "model: {@, rc: [{@}]}\n",
                       34, read_cell);
  expect_all_in_schema("profile",
                       "@\nafter-interruption: {@}\n"
                       "steps: [{@, charge: {@}}, {repeat: {@}}]\n" +
                           limits,
                       39, read_profile);
  expect_all_in_schema("policy", "@\nunattended: {@}\n" + limits, 25, read_policy);
  expect_all_in_schema("bench",
                       "@\ninstruments: {a: {@, ratings: {@}, accuracy: {@}, deadlines: {@}}}\n"
                       "channels: {b: {@, wiring: {@}, disagree: {@}}}\n",
                       35, read_bench);
}

TEST(Shipped, the_schema_of_a_cell_knows_every_chemistry) {
  const std::string json = schema("cell");
  for (const std::string& key : chemistry_keys()) {
    EXPECT_NE(json.find('"' + key + '"'), std::string::npos) << key;
  }
}

}  // namespace
}  // namespace chargewright::profiles

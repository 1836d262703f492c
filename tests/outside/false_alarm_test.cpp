// The rules that notice a broken circuit, another cell and a sensor off the cell (S3), held against
// measured charges, discharges and rests of real cells on real testers: none of them may alarm.
//
// Saha, Goebel, Battery Data Set, NASA Prognostics Data Repository (2007), cell B0005; Wiggins,
// Allu, Wang, Battery cell data from a 2013 Nissan Leaf, ORNL, DOI 10.5281/zenodo.2580327 (MIT);
// LG M50 discharges and charges at 25 and 0 degC; large supercapacitors charged with 100 A. As
// described in the page that comes with the extracts. Looked for in $CHARGEWRIGHT_DATA, else beside
// this project.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>

#include "drivers/simulated/cell_model.h"
#include "safety/flow.h"
#include "safety/resting_voltage.h"
#include "safety/warming.h"
#include "tests/support/places.h"

namespace chargewright::safety {
namespace {

using drivers::Instant;

std::filesystem::path data_folder() {
  if (const char* set = std::getenv("CHARGEWRIGHT_DATA")) return set;
  for (auto up = std::filesystem::path(test::in_source()); up.has_relative_path();
       up = up.parent_path()) {
    if (std::filesystem::exists(up / "shared/data")) return up / "shared/data";
  }
  return {};
}

struct Row {
  double seconds = 0, volts = NAN, amperes = NAN, celsius = NAN;
};

std::vector<Row> measured(const std::string& name) {
  std::ifstream in(data_folder() / (name + ".csv"));
  std::vector<Row> rows;
  std::string line, field;
  std::vector<std::string> columns;
  while (std::getline(in, line)) {
    std::stringstream fields(line);
    std::vector<std::string> values;
    while (std::getline(fields, field, ',')) values.push_back(field);
    if (columns.empty()) {
      columns = values;
      continue;
    }
    Row row;
    for (std::size_t k = 0; k < std::min(values.size(), columns.size()); ++k) {
      const auto number = [&] { return values[k].empty() ? NAN : std::stod(values[k]); };
      if (columns[k] == "time_s") row.seconds = number();
      if (columns[k] == "voltage_V") row.volts = number();
      if (columns[k] == "current_A") row.amperes = number();
      if (columns[k] == "temperature_C" || columns[k] == "temperature_middle_C") {
        row.celsius = number();
      }
    }
    rows.push_back(row);
  }
  return rows;
}

Instant when(const Row& row) { return Instant{} + drivers::seconds(3600 + row.seconds); }

class AMeasurement : public testing::TestWithParam<const char*> {
 protected:
  std::vector<Row> rows = measured(GetParam());
  void SetUp() override {
    if (rows.empty()) GTEST_SKIP() << "the measured data are not here: set CHARGEWRIGHT_DATA";
  }
};

constexpr double off = 0.020;  // A

// Every stretch with current into the cell is a charge with the output on.
TEST_P(AMeasurement, never_looks_as_if_a_lead_had_come_off) {  // S3
  Flow flow;
  bool on = false;
  for (const Row& row : rows) {
    if (std::isnan(row.amperes)) continue;
    if (row.amperes <= -off || (on && row.amperes <= off)) on = false;
    if (!on && row.amperes > off) {
      on = true;
      flow.begin({});
    }
    if (!on) continue;
    flow.see(row.amperes, row.volts,
             {drivers::volts(4.2), drivers::amperes(100), {}, drivers::amperes(off), {}},
             when(row));
    EXPECT_FALSE(flow.broke_off()) << row.seconds;
  }
}

// Every stretch without current is a rest; its first reading comes 0.5 s after the output went off.
TEST_P(AMeasurement, never_looks_as_if_another_cell_had_been_put_in) {  // S1 S3
  RestingVoltage resting;
  double resting_since = NAN;
  for (const Row& row : rows) {
    if (std::isnan(row.amperes) || std::isnan(row.volts)) continue;
    if (std::abs(row.amperes) > off) {
      resting.forget();
      resting_since = NAN;
      continue;
    }
    if (std::isnan(resting_since)) resting_since = row.seconds;
    if (row.seconds - resting_since < 0.5) continue;
    resting.see(row.volts, 0.02, when(row));
    EXPECT_FALSE(resting.leapt()) << row.seconds;
  }
}

// A typical body of a 18650 or 21700 cell, as a rehearsal takes it where the cell file says
// nothing, but with twice its resistance: that much room is left.
TEST_P(AMeasurement, never_looks_as_if_the_sensor_had_come_off) {  // S3
  const bool lg = std::string(GetParam()).starts_with("lg");
  const auto model =
      drivers::simulated::typical_model("li-ion-nmc", drivers::ampere_hours(lg ? 5 : 2));
  const Body body{model->r0 * 2.0, drivers::joules_per_kelvin(1500 * (lg ? 0.068 : 0.045))};
  Warming warming;
  FollowedWarming sensor;
  warming.begin(body);
  double most = 0;
  for (const Row& row : rows) {
    if (std::isnan(row.amperes) || std::isnan(row.celsius)) continue;
    warming.see(row.amperes, when(row));
    sensor.see(row.celsius, warming.least(), when(row));
    most = std::max(most, warming.least());
    EXPECT_FALSE(sensor.behind()) << row.seconds << ' ' << warming.least() << ' '
                                  << sensor.change();
  }
  RecordProperty("least_expected_kelvins", std::to_string(most));
}

INSTANTIATE_TEST_SUITE_P(OfARealCell, AMeasurement,
                         testing::Values("nasa_b0005_charge_002", "nasa_b0005_charge_003",
                                         "nasa_b0005_charge_080", "nasa_b0005_discharge_002",
                                         "nasa_b0005_discharge_003", "nasa_b0005_discharge_080",
                                         "leaf_cccv_1c_cycle", "leaf_hppc_25C", "lg_m50_25C_0C1",
                                         "lg_m50_25C_2C", "lg_m50_0C_2C"),
                         [](const auto& info) { return std::string(info.param); });

// The same measurements with the sensor in the room: where the cell really warmed, it is found.
TEST(AMeasuredDischarge, is_found_to_warm_a_cell_whose_sensor_lies_in_the_room) {  // S3
  for (const char* name : {"lg_m50_25C_2C", "lg_m50_0C_2C"}) {
    const std::vector<Row> rows = measured(name);
    if (rows.empty()) GTEST_SKIP() << "the measured data are not here: set CHARGEWRIGHT_DATA";
    const auto model = drivers::simulated::typical_model("li-ion-nmc", drivers::ampere_hours(5));
    Warming warming;
    FollowedWarming sensor;
    warming.begin({model->r0, drivers::joules_per_kelvin(1500 * 0.068)});
    bool found = false;
    for (const Row& row : rows) {
      warming.see(row.amperes, when(row));
      sensor.see(24.5, warming.least(), when(row));
      found = found || sensor.behind();
    }
    EXPECT_TRUE(found) << name;
  }
}

}  // namespace
}  // namespace chargewright::safety

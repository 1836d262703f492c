// A full charge, from the first command to the exported record.

#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <sstream>

#include "tests/bench/benches.h"
#include "tests/bench/recorded.h"

namespace chargewright::test {
namespace {

// SHA-256 by another program than ours.
std::string digest_of(const std::string& file) {
  return run({"sha256sum", file}, patience).out.substr(0, 64);
}

struct Table {
  std::vector<std::string> labels;
  std::vector<std::vector<std::string>> rows;
  [[nodiscard]] double last(const std::string& label) const {
    for (std::size_t k = 0; k < labels.size(); ++k) {
      if (labels[k] == label && !rows.empty()) return std::stod(rows.back().at(k));
    }
    return NAN;
  }
};

Table table_in(const std::string& file) {
  const auto cells = [](const std::string& line) {
    std::vector<std::string> list;
    std::stringstream text(line);
    for (std::string cell; std::getline(text, cell, ',');) list.push_back(cell);
    return list;
  };
  Table table;
  std::ifstream in(file);
  std::string line;
  if (std::getline(in, line)) table.labels = cells(line);
  while (std::getline(in, line)) table.rows.push_back(cells(line));
  return table;
}

// 12 F from 0.5 V to 5 V take 54 C: at 10 A about 5.4 s.
TEST(FullCharge, of_a_capacitor_bank_ends_as_planned_with_the_output_off) {
  ServedBench bench(buffer_bench({.capacitance = "12 F"}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const double volts_before = bench.simulator().number("cell_voltage_v");
  const auto run = bench.charge();
  const Finished followed = run->wait(patience);
  EXPECT_EQ(followed.exit_code, 0) << followed.out << followed.err;
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_EQ(bench.simulator().log().back().kind, "output-off");
  const double volts_after = bench.simulator().number("cell_voltage_v");
  EXPECT_GT(volts_after, 4.9);

  // The record: everything is in it (S10).
  const auto runs = bench.runs();
  ASSERT_EQ(runs.size(), 1U);
  const std::string id = runs[0].at("id").as_string().c_str();
  EXPECT_EQ(runs[0].at("end").at("phase").as_string(), "done");
  const std::string record = bench.record_of(id);
  EXPECT_EQ(in_record(record, "PRAGMA integrity_check"), "ok");
  EXPECT_EQ(in_record(record, "SELECT phase FROM run_end"), "done");
  EXPECT_EQ(in_record(record, "SELECT group_concat(name) FROM step"), "fill,settle");
  for (const auto& [role, file] :
       {std::pair{"bench", bench.bench_file()}, std::pair{"cell", bench.cell_file()},
        std::pair{"profile", bench.profile_file()}}) {
    const std::string where = std::string(" FROM file WHERE role = '") + role + '\'';
    EXPECT_EQ(in_record(record, "SELECT sha256" + where), digest_of(file)) << role;
  }
  EXPECT_EQ(in_record(record, "SELECT answer FROM identity WHERE instrument = 'supply'"),
            "Chargewright,Simulated supply,supply,1.0");
  for (const char* quantity : {"voltage", "current", "temperature"}) {
    const std::string count = in_record(
        record, std::string("SELECT count(*) FROM reading WHERE measurand = '") + quantity + '\'');
    EXPECT_GT(std::stoi(count), 40) << quantity;  // in 6 s, one in 50 ms
  }
  EXPECT_EQ(in_record(record, "SELECT count(*) FROM reading WHERE validity <> 'valid'"), "0");
  EXPECT_EQ(in_record(record,
                      "SELECT group_concat(is_on) FROM (SELECT is_on FROM event "
                      "WHERE kind = 'output-changed' ORDER BY id)"),
            "1,0");
  EXPECT_NE(in_record(record, "SELECT count(*) FROM progress WHERE phase = 'running'"), "0");

  // Open Battery Data Format, preferred labels.
  const std::string file = bench.folder().path() + "/charge.bdf.csv";
  ASSERT_EQ(bench.command({"export", id, "--format", "bdf", "-o", file}).exit_code, 0);
  const Table table = table_in(file);
  const std::vector<std::string> preferred{"Test Time / s",
                                           "Voltage / V",
                                           "Current / A",
                                           "Unix Time / s",
                                           "Cycle Count / 1",
                                           "Step Count / 1",
                                           "Surface Temperature T1 / degC",
                                           "Charging Capacity / Ah",
                                           "Discharging Capacity / Ah",
                                           "Charging Energy / Wh",
                                           "Discharging Energy / Wh"};
  EXPECT_EQ(table.labels, preferred);
  // Q = C (U2 - U1). The current is sampled each 50 ms: at 10 A, one interval at either end of the
  // constant current is 1 C in 54 C.
  const double charge = 12 * (volts_after - volts_before);
  EXPECT_NEAR(table.last("Charging Capacity / Ah") * 3600, charge, 1.1);
  EXPECT_NEAR(table.last("Discharging Capacity / Ah"), 0, 1e-6);
  // The export tallies anew from the readings: what the run tallied while it ran, within one
  // reading interval at 10 A.
  EXPECT_NEAR(table.last("Charging Capacity / Ah"),
              runs[0].at("end").at("charge_in_ah").to_number<double>(), 10 * 0.05 / 3600);
}

TEST(FullCharge, of_a_radio_pack_wakes_fills_and_settles_on_a_clock_sped_up) {
  ServedBench bench(radio_bench());
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const double share_before = bench.simulator().number("state_of_charge");
  const Finished started = bench.start_sped_up();
  ASSERT_EQ(started.exit_code, 0) << started.err;
  ASSERT_TRUE(bench.is_over(std::chrono::seconds(100)));
  EXPECT_EQ(bench.phase(), "done") << bench.trip();
  EXPECT_FALSE(bench.simulator().output_is_on());
  const double share_after = bench.simulator().number("state_of_charge");
  EXPECT_GT(share_after, 0.9);

  const auto runs = bench.runs();
  const std::string id = runs.at(0).at("id").as_string().c_str();
  const std::string record = bench.record_of(id);
  EXPECT_EQ(in_record(record, "SELECT group_concat(name) FROM step"), "wake,fill,settle");
  EXPECT_EQ(in_record(record, "SELECT count(DISTINCT step) FROM event WHERE step >= 0"), "3");
  // Neither the thermal ceiling of 43 degC nor the voltage was ever left behind: by the readings.
  EXPECT_LE(std::stod(in_record(record,
                                "SELECT max(value) FROM reading WHERE measurand = 'temperature'")),
            44.0);
  EXPECT_LE(std::stod(in_record(record,
                                "SELECT max(value) FROM reading WHERE measurand = 'voltage' AND "
                                "at_source = 0")),
            4.21);
  const double charged = runs.at(0).at("end").at("charge_in_ah").to_number<double>();
  // 7.2 A for two reading intervals of 5 s are 0.02 Ah.
  EXPECT_NEAR(charged, 2.4 * (share_after - share_before), 0.03);
}

}  // namespace
}  // namespace chargewright::test

#include "drivers/simulated/playback.h"

#include <gtest/gtest.h>

#include <fstream>
#include <sstream>

#include "drivers/simulated/bench.h"
#include "tests/support/places.h"

namespace chargewright::drivers::simulated {
namespace {

using namespace std::chrono_literals;
constexpr Instant start{};

std::shared_ptr<const Recording> recording_of(std::string_view text) {
  auto parsed = parse_recording(text, "charge.csv");
  EXPECT_TRUE(parsed.has_value()) << (parsed.has_value() ? "" : describe(parsed.error()));
  return parsed.has_value() ? std::make_shared<const Recording>(std::move(*parsed)) : nullptr;
}

constexpr std::string_view three_rows =
    "time_s,voltage_V,current_A,temperature_C,source_current_A,source_voltage_V\r\n"
    "100,3.5,0.01,24,0,0.2\n"
    "110,3.6,1.5,25,1.6,4.3\n"
    "\n"
    "130,3.8,1.3,27,1.4,4.5\n";

TEST(Playback, stands_at_its_first_voltage_without_current_until_the_output_is_on) {
  Playback playback(recording_of(three_rows));
  playback.advance(1h);
  EXPECT_EQ(playback.voltage(), volts(3.5));
  EXPECT_EQ(playback.source_voltage(), volts(3.5));
  EXPECT_EQ(playback.current(), amperes(0));
  EXPECT_EQ(playback.source_current(), amperes(0));
}

TEST(Playback, holds_the_row_last_reached) {
  Playback playback(recording_of(three_rows));
  playback.output(true);
  playback.advance(9999ms);
  EXPECT_EQ(playback.voltage(), volts(3.5));
  playback.advance(1ms);
  EXPECT_EQ(playback.voltage(), volts(3.6));
  EXPECT_EQ(playback.source_voltage(), volts(4.3));
  EXPECT_EQ(playback.source_current(), amperes(1.6));
  EXPECT_EQ(playback.temperature(), celsius(25));
  playback.advance(1h);
  EXPECT_EQ(playback.voltage(), volts(3.8));
  EXPECT_TRUE(playback.is_over());
}

TEST(Playback, goes_in_a_straight_line_between_rows_where_it_is_asked_to) {
  Playback playback(recording_of(three_rows), Playback::Between::linear);
  playback.output(true);
  playback.advance(20s);
  EXPECT_NEAR(playback.voltage().value(), 3.7, 1e-12);
  EXPECT_NEAR(playback.current().value(), 1.4, 1e-12);
  EXPECT_NEAR(playback.temperature().value(), 26, 1e-12);
}

TEST(Playback, stops_its_clock_and_its_current_with_the_output) {
  Playback playback(recording_of(three_rows));
  playback.output(true);
  playback.advance(15s);
  playback.output(false);
  playback.advance(1h);
  EXPECT_EQ(playback.current(), amperes(0));
  EXPECT_EQ(playback.voltage(), volts(3.6));
  EXPECT_EQ(playback.elapsed(), 15s);
}

TEST(Recording, takes_the_cells_own_values_where_the_source_was_not_recorded) {
  const auto recording = recording_of("voltage_V,time_s,current_A\n3.5,0,1.5\n");
  ASSERT_NE(recording, nullptr);
  EXPECT_EQ(recording->rows[0].source_current_a, 1.5);
  EXPECT_EQ(recording->rows[0].source_voltage_v, 3.5);
}

TEST(Recording, names_the_line_of_what_it_cannot_read) {
  struct Case {
    std::string_view text, says;
  };
  for (const Case& c :
       {Case{"", "charge.csv:1:1: the column 'time_s' is missing"},
        {"time_s,voltage_V,current_A\n", "there is no row"},
        {"time_s,voltage_V,current_A\n0,3.5\n", "charge.csv:2:1: 'current_A' is not a number"},
        {"time_s,voltage_V,current_A\n0,3.5,1\n1,nan,1\n",
         "charge.csv:3:1: 'voltage_V' is not a number"},
        {"time_s,voltage_V,current_A\n0,3.5,1\n1,\"3,6\",1\n", "'voltage_V' is not a number"},
        {"time_s,voltage_V,current_A\n2,3.5,1\n1,3.6,1\n",
         "charge.csv:3:1: time runs backwards"}}) {
    const auto parsed = parse_recording(c.text, "charge.csv");
    ASSERT_FALSE(parsed.has_value()) << c.text;
    EXPECT_NE(describe(parsed.error()).find(c.says), std::string::npos) << describe(parsed.error());
  }
}

// NASA Prognostics Data Repository, Battery Data Set (Saha and Goebel 2007), battery 5, the charge
// before discharge 2: charge taken in until the first row below 20 mA is 1.8802 Ah by the trapezoid
// rule over the rows. Played back, and summed from what the meter shows every second.
TEST(PlayedBackCharge, holds_the_charge_of_the_measured_one) {
  const char* const folder = std::getenv("CHARGEWRIGHT_DATA");
  const std::string path =
      std::string(folder != nullptr ? folder : test::in_source("../shared/data")) +
      "/nasa_b0005_charge_002.csv";
  std::ifstream file(path);
  if (!file) GTEST_SKIP() << "open data are not here: " << path;
  std::ostringstream text;
  text << file.rdbuf();

  BenchModel model;
  model.devices.resize(2);
  model.devices[1] = {.name = "meter", .role = Role::meter};
  BenchModel::Circuit circuit;
  circuit.recording = recording_of(text.str());
  circuit.between = Playback::Between::linear;
  circuit.source = {0, 1};
  model.circuits.push_back(circuit);
  model.probes = {{{1, 1}, 0}};
  Bench bench(model, start);
  Instant now = start;
  const auto measure = [&](InstrumentId from, Verb verb) {
    return bench.obey({.instrument = from, .verb = verb}, now).value;
  };
  EXPECT_EQ(measure(1, Verb::measure_current), 0);
  bench.obey({.instrument = 0, .verb = Verb::output_on}, now);
  double charge_c = 0;
  double before = measure(1, Verb::measure_current);
  for (int second = 1; second <= 10114; ++second) {
    now = start + std::chrono::seconds(second);
    const double i = measure(1, Verb::measure_current);
    charge_c += 0.5 * (before + i);
    before = i;
  }
  EXPECT_NEAR(charge_c / 3600, 1.8802, 0.0003);
  EXPECT_LT(measure(1, Verb::measure_current), 0.020);
  // The supply shows its own readings: 1.500 A where the mean at the cell is 1.5105 (both computed
  // over the file).
  Bench again(model, start);
  again.obey({.instrument = 0, .verb = Verb::output_on}, start);
  now = start + 1000s;
  again.advance(now);
  EXPECT_NEAR(again.obey({.instrument = 0, .verb = Verb::measure_current}, now).value, 1.500, 2e-3);
  EXPECT_NEAR(again.obey({.instrument = 1, .verb = Verb::measure_current}, now).value, 1.5105,
              2e-3);
}

}  // namespace
}  // namespace chargewright::drivers::simulated

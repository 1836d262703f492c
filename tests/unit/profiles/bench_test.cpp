#include "profiles/bench.h"

#include <gtest/gtest.h>

namespace chargewright::profiles {
namespace {

using namespace drivers;
using namespace drivers::literals;
using namespace std::chrono_literals;

// Line by line, so that a case can put another line in its place.
std::string bench_with(int line = 0, const std::string& text = {}) {
  std::vector<std::string> lines{
      "bench: hut-bench",
      "instruments:",
      "  supply:",
      "    link: tcp://127.0.0.1:5025",
      "    dialect: scpi-supply",
      "    identity: \"Example,PS-20-20,.*\"",
      "    ratings: {voltage: 20 V, current: 20 A, power: 200 W}",
      "    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 10 mA}",
      "  meter: {link: \"serial:///dev/ttyUSB1?baud=115200\", dialect: scpi-meter}",
      "  probe: {link: \"tcp://127.0.0.1:5027\", dialect: scpi-thermometer, deadlines: {respond: 2 "
      "s}}",
      "  contactor: {link: \"tcp://127.0.0.1:5028\", dialect: scpi-switch}",
      "channels:",
      "  left:",
      "    source: supply",
      "    voltage: meter",
      "    current: supply",
      "    temperature: [probe/1, probe/2]",
      "    contactor: contactor/1",
      "    wiring: {gauge: 8 AWG, length: 0.6 m, joints: 0.4 mohm, rated: 40 A}",
      "    every: 200 ms",
  };
  if (line > 0) lines.at(static_cast<std::size_t>(line) - 1) = text;
  std::string all;
  for (const std::string& each : lines) all += each + '\n';
  return all;
}

Checked<Bench> read(const std::string& text) {
  return read_bench(parse_document(text, "b.yaml").value());
}
std::string why_not(const std::string& text) {
  const Checked<Bench> bench = read(text);
  return bench ? "accepted" : describe(bench.error());
}

TEST(Bench, reads_what_its_file_says) {
  const Bench bench = read(bench_with()).value();
  EXPECT_EQ(bench.name, "hut-bench");
  ASSERT_EQ(bench.instruments.size(), 4U);
  EXPECT_EQ(std::get<TcpAddress>(bench.instruments[0].link).port, 5025);
  EXPECT_EQ(std::get<SerialAddress>(bench.instruments[1].link).baud, 115200);
  EXPECT_EQ(bench.instruments[0].identity, "Example,PS-20-20,.*");
  EXPECT_EQ(bench.instruments[0].ratings.power, 200.0_W);
  EXPECT_DOUBLE_EQ(bench.instruments[0].accuracy.voltage.of(-10), 0.010);
  EXPECT_DOUBLE_EQ(bench.instruments[0].accuracy.current.of(10), 0.020);
  EXPECT_EQ(bench.instruments[2].respond, 2s);
  ASSERT_EQ(bench.channels.size(), 1U);
  const BenchChannel& left = bench.channels[0];
  EXPECT_EQ(left.source, (safety::Terminal{0, 0}));
  EXPECT_EQ(left.voltmeter, (safety::Terminal{1, 0}));
  EXPECT_EQ(left.ammeter, (safety::Terminal{0, 0}));
  ASSERT_EQ(left.thermometers.size(), 2U);
  EXPECT_EQ(left.thermometers[1], (safety::Terminal{2, 2}));
  EXPECT_EQ(*left.contactor, (safety::Terminal{3, 1}));
  EXPECT_TRUE(left.reads_at_cell());
  EXPECT_EQ(left.wiring.rated, 40.0_A);
}

TEST(Bench, allows_five_reading_intervals_of_age_and_never_less_than_half_a_second) {
  EXPECT_EQ(read(bench_with()).value().channels[0].allowed_age, 1s);
  EXPECT_EQ(read(bench_with(20, "    every: 10 ms")).value().channels[0].allowed_age, 500ms);
  EXPECT_EQ(read(bench_with(20, "    allowed-age: 300 ms")).value().channels[0].allowed_age, 300ms);
}

TEST(Bench, reads_voltage_and_current_at_the_source_where_it_names_no_meter) {
  const BenchChannel left = read(bench_with(15, "")).value().channels[0];
  EXPECT_EQ(left.voltmeter, left.source);
  EXPECT_FALSE(left.reads_at_cell());
}

TEST(Bench, derives_the_disagreement_it_allows_from_the_accuracies_unless_told) {
  const BenchChannel left = read(bench_with()).value().channels[0];
  EXPECT_DOUBLE_EQ(left.disagree_voltage.value(), 0.100);  // the least; 2 (10 + 5) mV is below it
  EXPECT_DOUBLE_EQ(left.disagree_current.value(), 2 * (0.030 + 0.030));
  const BenchChannel told =
      read(bench_with(20, "    disagree: {voltage: 50 mV, current: 1 A, for: 500 ms}"))
          .value()
          .channels[0];
  EXPECT_DOUBLE_EQ(told.disagree_voltage.value(), 0.050);
  EXPECT_DOUBLE_EQ(told.disagree_current.value(), 1);
  EXPECT_EQ(told.disagree_for, 500ms);
}

TEST(Bench, makes_the_plant_that_the_guard_must_know) {
  const safety::Plant plant = plant_of(read(bench_with()).value());
  EXPECT_EQ(plant.instruments, 4);
  ASSERT_EQ(plant.channels.size(), 1U);
  const safety::ChannelPlan& left = plant.channels[0];
  EXPECT_EQ(left.source_voltage_max, 20.0_V);
  EXPECT_EQ(left.source_current_max, 20.0_A);  // below the wiring's 40 A
  EXPECT_EQ(left.source_power_max, 200.0_W);
  EXPECT_EQ(left.every, 200ms);
  EXPECT_EQ(left.thermometers.size(), 2U);
  EXPECT_NEAR(left.loop_resistance.value(), 2 * 0.6 * 2.061e-3 + 0.4e-3, 1e-6);
  const safety::Plant thin =
      plant_of(read(bench_with(19, "    wiring: {resistance: 50 mohm, rated: 5 A}")).value());
  EXPECT_EQ(thin.channels[0].source_current_max, 5.0_A);
  EXPECT_EQ(thin.channels[0].loop_resistance, 50.0_mohm);
}

TEST(Bench, finds_a_channel_by_name_or_the_only_one) {
  const Bench bench = read(bench_with()).value();
  EXPECT_EQ(find_channel(bench, "left").value(), 0U);
  EXPECT_EQ(find_channel(bench, "").value(), 0U);
  EXPECT_EQ(describe(find_channel(bench, "right").error()),
            "b.yaml: the bench has no channel `right`; name one of left");
}

struct Bad {
  int line;
  const char* text;
  const char* message;
};

TEST(Bench, refuses_each_mistake_with_its_place_and_what_was_expected) {
  for (const Bad& bad : {
           Bad{1, "bench: hut bench",
               "b.yaml:1:8: `bench` is not a name; use letters, digits, `-`, `_` and `.`, at most "
               "64, a letter or digit first"},
           Bad{5, "    dilect: scpi-supply",
               "b.yaml:4:5: instrument `supply` lacks the key `dialect`\n"
               "b.yaml:5:5: unknown key `dilect` in instrument `supply`; did you mean `dialect`?"},
           Bad{7, "    ratings: {voltage: 20 V}",
               "b.yaml:14:13: source `supply` has no ratings of voltage and current; add for "
               "example `ratings: {voltage: 20 V, current: 20 A}` to the instrument"},
           Bad{7, "    ratings: {voltage: -20 V, current: 20 A}",
               "b.yaml:7:24: `voltage` must be more than nothing\n"
               "b.yaml:14:13: source `supply` has no ratings of voltage and current; add for "
               "example `ratings: {voltage: 20 V, current: 20 A}` to the instrument"},
           Bad{8, "    accuracy: {voltage: 0.05 + 5 mV}",
               "b.yaml:8:25: a bare number: a unit is needed; write volts, for example 4.2 V"},
           Bad{8, "    accuracy: {voltage: 0.05 % +}",
               "b.yaml:8:25: nothing where a number is needed; write volts, for example 4.2 V"},
           Bad{9, "  meter: {link: \"tcp://127.0.0.1:5025\", dialect: scpi-meter}",
               "b.yaml:9:17: the link of instrument `supply` again; one instrument on each link; "
               "its channels are SOURCE/1, SOURCE/2"},
           Bad{10,
               "  probe: {link: \"tcp://127.0.0.1:5027\", dialect: x, deadlines: {respond: 1 h}}",
               "b.yaml:10:74: `respond` must be from 1 ms to 1 min"},
           Bad{14, "    source: [supply, meter]",
               "b.yaml:14:13: ganged sources are not supported yet; name one source"},
           Bad{14, "    source: {fixed: contactor/1}",
               "b.yaml:14:13: a fixed source is not supported yet; name a source whose voltage and "
               "current can be set"},
           Bad{14, "    source: suply",
               "b.yaml:14:13: no instrument is called `suply`; did you mean `supply`?"},
           Bad{14, "    source: supply/0",
               "b.yaml:14:13: after `/` stands the number of an output or input, 1 to 255"},
           Bad{14, "", "b.yaml:15:5: channel `left` lacks the key `source`"},
           Bad{17, "    temperature: [probe/1, probe/1]",
               "b.yaml:17:28: the same thermometer twice"},
           Bad{17, "    temperature: [probe/1, probe]", "b.yaml:17:28: the same thermometer twice"},
           Bad{19, "    wiring: {gauge: 8 AWG}",
               "b.yaml:19:13: wiring of unknown resistance; give `gauge` and `length`, or the "
               "measured `resistance` of the loop"},
           Bad{19, "    wiring: {gauge: 8, length: 0.6 m}",
               "b.yaml:19:21: a bare number: a unit is needed; write for example 8 AWG or 2.5 mm2"},
           Bad{19, "    wiring: {gauge: 8 AWG, length: -0.6 m}",
               "b.yaml:19:36: `length` must be more than nothing"},
           Bad{19, "", "b.yaml:14:5: channel `left` lacks the key `wiring`"},
           Bad{20, "    every: 0 s", "b.yaml:20:12: `every` must be from 1 ms to 1 min"},
           Bad{20, "    allowed-age: 100 ms",
               "b.yaml:20:18: `allowed-age` is 100 ms, not longer than `every`, 100 ms; a reading "
               "would be stale before the next one comes"},
       }) {
    EXPECT_EQ(why_not(bench_with(bad.line, bad.text)), bad.message) << bad.text;
  }
}

TEST(Bench, refuses_an_identity_that_is_no_regular_expression) {
  EXPECT_EQ(why_not(bench_with(6, "    identity: \"Example,(\""))
                .find("b.yaml:6:15: the identity is not a regular expression: "),
            0U);
}

TEST(Bench, refuses_a_link_that_cannot_be_read_with_its_place) {
  EXPECT_EQ(why_not(bench_with(4, "    link: carrier-pigeon")).find("b.yaml:4:11: "), 0U);
}

// An instrument's name alone is its first input: one sensor is not two (S1, what a policy wants).
TEST(Bench, knows_an_input_by_both_of_its_names) {
  EXPECT_EQ(why_not(bench_with(17, "    temperature: [probe, probe/1]")),
            "b.yaml:17:26: the same thermometer twice");
  EXPECT_EQ(why_not(bench_with(17, "    temperature: [probe, probe/2]")), "accepted");
}

// The source's own reading is no second opinion on it (S3).
TEST(Bench, takes_the_source_by_its_other_name_for_no_meter_at_the_cell) {
  std::string text = bench_with(14, "    source: supply/1");
  const std::size_t at = text.find("voltage: meter");
  ASSERT_NE(at, std::string::npos);
  text.replace(at, 14, "voltage: supply");
  const BenchChannel left = read(text).value().channels[0];
  EXPECT_EQ(left.voltmeter, left.source);
  EXPECT_EQ(left.ammeter, left.source);
  EXPECT_FALSE(left.reads_at_cell());
}

TEST(Bench, gives_each_source_to_one_channel) {
  const std::string right = "  right: {source: supply/1, wiring: {resistance: 5 mohm}}\n";
  EXPECT_EQ(why_not(bench_with() + right),
            "b.yaml:21:19: `source` serves another channel already; one source and one contactor "
            "for each channel");
  EXPECT_EQ(why_not(bench_with() + "  right: {source: supply/2, wiring: {resistance: 5 mohm}}\n"),
            "accepted");
}

// An unnumbered message goes to the output that was selected last: the second one's, then.
TEST(Bench, numbers_the_first_output_of_an_instrument_that_has_others) {  // S3 S4
  const Bench bench =
      read(bench_with() + "  right: {source: supply/2, wiring: {resistance: 5 mohm}}\n").value();
  EXPECT_EQ(bench.channels[0].source, (safety::Terminal{0, 1}));
  EXPECT_EQ(bench.channels[0].ammeter, (safety::Terminal{0, 1}));
  EXPECT_EQ(bench.channels[0].voltmeter, (safety::Terminal{1, 0}));  // of one input
  EXPECT_EQ(bench.channels[1].source, (safety::Terminal{0, 2}));
  EXPECT_EQ(bench.channels[1].voltmeter, (safety::Terminal{0, 2}));
  const Bench named = read(bench_with(16, "    current: supply/1")).value();
  EXPECT_EQ(named.channels[0].source, named.channels[0].ammeter);  // no ammeter of its own
}

TEST(Bench, reads_no_cell_where_another_one_is_read) {  // S3
  const auto with = [](const std::string& more) {
    return why_not(bench_with() + "  right: {source: supply/2, " + more +
                   "wiring: {resistance: 5 mohm}}\n");
  };
  EXPECT_EQ(with("voltage: meter/1, "),
            "b.yaml:21:38: the `voltage` of another channel is read there; name the output or "
            "input to which this cell is connected");
  EXPECT_EQ(with("current: supply, "),
            "b.yaml:21:38: the `current` of another channel is read there; name the output or "
            "input to which this cell is connected");
  EXPECT_EQ(with("voltage: meter/2, temperature: probe/1, "), "accepted");
  // Also where that channel has a meter of its own, in either order.
  EXPECT_EQ(why_not(bench_with(15, "    voltage: supply/2") +
                    "  right: {source: supply/2, voltage: meter/2, wiring: {resistance: 5 "
                    "mohm}}\n"),
            "b.yaml:13:3: its `voltage` is read at the source of channel `right`; name the output "
            "or input to which this cell is connected");
  // The second channel is the one that names its own source.
  EXPECT_EQ(why_not(bench_with(15, "    voltage: supply/2") +
                    "  right: {source: supply/2, wiring: {resistance: 5 mohm}}\n"),
            "b.yaml:21:19: the `voltage` of another channel is read there; name the output or "
            "input to which this cell is connected");
}

}  // namespace
}  // namespace chargewright::profiles

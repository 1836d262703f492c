// Starts that are refused (S1): nothing is ever energised.

#include <gtest/gtest.h>

#include <fstream>
#include <iterator>

#include "tests/bench/benches.h"
#include "tests/support/places.h"

namespace chargewright::test {
namespace {

std::string text_of(const std::string& path) {
  std::ifstream file(path);
  return {std::istreambuf_iterator<char>(file), {}};
}

bool ever_energised(Simulator& simulator) {
  for (const BenchEvent& event : simulator.log()) {
    if (event.kind == "output-on") return true;
  }
  return false;
}

void expect_refused(ServedBench& bench, const Finished& start, const std::string& why) {
  EXPECT_EQ(start.exit_code, 5) << start.out << start.err;
  EXPECT_NE(start.err.find(why), std::string::npos) << start.err;
  EXPECT_FALSE(ever_energised(bench.simulator()));
}

TEST(AStart, is_refused_on_another_instrument_than_the_bench_file_names) {  // S1
  ServedBench bench(buffer_bench({.wanted_identity = "Example,PS-20-20,.*"}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  ASSERT_EQ(bench.approve().exit_code, 0);
  expect_refused(bench, bench.start(), "does not identify itself");
}

TEST(AStart, is_refused_on_a_cell_that_lies_the_wrong_way_round) {  // S1
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  bench.simulator().control("fault reversed supply");
  ASSERT_EQ(bench.approve().exit_code, 0);
  expect_refused(bench, bench.start(), "wrong way round");
}

TEST(AStart, is_refused_while_a_sensor_is_silent) {  // S1 S3
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  bench.simulator().control("fault mute probe");
  ASSERT_EQ(bench.approve().exit_code, 0);
  const Finished start = bench.start();
  EXPECT_EQ(start.exit_code, 5) << start.out << start.err;
  EXPECT_FALSE(ever_energised(bench.simulator()));
}

TEST(AStart, is_refused_while_a_sensor_reads_nothing) {  // S1 S3
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  bench.simulator().control("fault sensor-lost probe/1");
  ASSERT_EQ(bench.approve().exit_code, 0);
  expect_refused(bench, bench.start(), "missing, unusable or too old");
}

TEST(AStart, wants_the_limits_approved_and_the_cautions_accepted) {  // S1
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  expect_refused(bench, bench.start(), "never approved");
  ASSERT_EQ(bench.approve().exit_code, 0);
  EXPECT_EQ(bench.start().exit_code, 0);
}

TEST(AStart, wants_the_cautions_of_a_new_bench_accepted_once) {
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  ASSERT_EQ(bench.approve().exit_code, 0);
  const std::vector<std::string> start{"start", bench.profile_file(), "--cell", bench.cell_file()};
  expect_refused(bench, bench.command(start), "--accept-cautions");
  ASSERT_EQ(bench.start().exit_code, 0);
  ASSERT_EQ(bench.command({"stop"}).exit_code, 0);
  EXPECT_EQ(bench.command(start).exit_code, 0);
}

TEST(AStart, with_looser_limits_wants_them_approved_and_with_tighter_ones_does_not) {  // S1
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  ASSERT_EQ(bench.approve().exit_code, 0);
  bench.folder().write("profile.yaml", buffer_profile({.voltage_above = "5.3 V"}));
  expect_refused(bench, bench.start(), "looser");
  bench.folder().write("profile.yaml", buffer_profile({.voltage_above = "5.1 V"}));
  EXPECT_EQ(bench.start().exit_code, 0);
  ASSERT_EQ(bench.command({"stop"}).exit_code, 0);
  bench.folder().write("profile.yaml", buffer_profile({.voltage_above = "5.3 V"}));
  ASSERT_EQ(bench.approve().exit_code, 0);
  EXPECT_EQ(bench.start().exit_code, 0);
}

TEST(ACheck, says_that_the_daemon_runs_by_another_policy_than_the_one_on_file) {  // S2
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto check = [&] {
    return bench.command({"check", bench.profile_file(), "--cell", bench.cell_file(), "--bench",
                          bench.bench_file(), "--policy", bench.folder().path() + "/policy.yaml"});
  };
  const Finished same = check();
  ASSERT_EQ(same.exit_code, 0) << same.err;
  EXPECT_EQ(same.out.find("not in force"), std::string::npos) << same.out;
  bench.folder().write("policy.yaml", "limits: {temperature: {above: 50 degC}}\n");
  const Finished other = check();
  ASSERT_EQ(other.exit_code, 0) << other.err;
  EXPECT_NE(other.out.find("policy.yaml: the daemon that runs this bench has read another text"),
            std::string::npos)
      << other.out;
}

TEST(ACheck, says_that_the_daemon_runs_by_other_dialects_than_those_found) {  // S1
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  // The shipped dialects extend this one.
  bench.folder().write("ieee-488-2.yaml",
                       text_of(in_source("drivers/dialects/ieee-488-2.yaml")) + "# edited\n");
  const Finished check = bench.command(
      {"check", bench.profile_file(), "--cell", bench.cell_file(), "--bench", bench.bench_file(),
       "--policy", bench.folder().path() + "/policy.yaml", "--dialects", bench.folder().path()});
  ASSERT_EQ(check.exit_code, 0) << check.err;
  EXPECT_NE(check.out.find("the daemon that runs this bench has read other dialects"),
            std::string::npos)
      << check.out;
}

TEST(AStart, with_a_fast_clock_is_refused_on_an_instrument_that_may_be_real) {
  ServedBench bench(buffer_bench({.channel = "stuck-after: 10 min",
                                  .supply_identity = "Example,PS-20-20,7,1.0",
                                  .wanted_identity = "Example,PS-20-20,.*",
                                  .speed = 2}));
  // Its guard trusts no time on such a bench: whether it calls itself ready is not the question.
  bench.start_daemon();
  bench.approve();
  const Finished start = bench.start();
  EXPECT_EQ(start.exit_code, 5) << start.out << start.err;
  EXPECT_FALSE(ever_energised(bench.simulator()));
}

TEST(AStart, in_real_time_takes_the_same_instrument) {
  ServedBench bench(buffer_bench(
      {.supply_identity = "Example,PS-20-20,7,1.0", .wanted_identity = "Example,PS-20-20,.*"}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  ASSERT_EQ(bench.approve().exit_code, 0);
  EXPECT_EQ(bench.start().exit_code, 0);
}

TEST(AStart, of_a_file_with_a_slip_names_its_place) {
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  bench.folder().write("profile.yaml", "profile: slip\ncell: hut-buffer-edlc\nstepz: []\n");
  const Finished start = bench.start();
  EXPECT_EQ(start.exit_code, 2);
  EXPECT_NE(start.err.find("profile.yaml:3:1"), std::string::npos) << start.err;
  EXPECT_FALSE(ever_energised(bench.simulator()));
}

}  // namespace
}  // namespace chargewright::test

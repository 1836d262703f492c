// The daemon dies or hangs while it charges: the simulator's own log says when its output went off
// (S6). Bounds are generous, for a busy machine; the times that were measured are printed, and the
// figures are those of tests/storm/kill_storm.

#include <gtest/gtest.h>

#include <csignal>
#include <fstream>
#include <sstream>

#include "tests/bench/benches.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;

double monotonic_s() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

std::string text_of(const std::string& path) {
  std::ifstream file(path);
  std::stringstream text;
  text << file.rdbuf();
  return text.str();
}

// The daemon's own limit, and not the generous one of the other tests.
BenchFiles quick(const Buffer& wanted = {}) {
  BenchFiles files = buffer_bench(wanted);
  files.dead_man_after = "200";
  return files;
}

// Sends the signal while it charges; the output must go off, in seconds.
std::optional<double> off_after(ServedBench& bench, int signal,
                                const std::string& kind = "output-off") {
  const pid_t dead_man = bench.dead_man();
  EXPECT_GT(dead_man, 0);
  const double since = monotonic_s();
  bench.daemon().signal(signal);
  std::optional<double> took;
  until([&] { return (took = bench.simulator().seconds_to(kind, since)).has_value(); }, 30s);
  if (took) {
    std::cout << "          " << strsignal(signal) << ": " << kind << " after " << *took * 1e3
              << " ms\n";
  }
  return took;
}

class ADaemon : public ::testing::TestWithParam<int> {};

TEST_P(ADaemon, that_dies_or_hangs_while_it_charges_is_cut_by_its_dead_man) {  // S4 S6
  ServedBench bench(quick());
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  EXPECT_LE(off_after(bench, GetParam()).value_or(99), 3);
  EXPECT_FALSE(bench.simulator().output_is_on());
  const Finished ended = bench.end_daemon(0);  // a hung one was killed
  EXPECT_NE(ended.signal, 0);
  EXPECT_EQ(bench.dead_man_exit(), 10);
  const std::string log = text_of(bench.dead_man_log());
  EXPECT_NE(log.find("left: off, verified (output reads off, current "), std::string::npos) << log;
  EXPECT_NE(log.find("every output is verified off"), std::string::npos) << log;

  // The next life tells what happened, and a person has to look first (S5, S9).
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  EXPECT_NE(bench.daemon().err().find("dead-man, before: "), std::string::npos);
  EXPECT_EQ(text_of(bench.dead_man_log()), "");
  EXPECT_EQ(bench.trip(), "interrupted");
  EXPECT_EQ(bench.runs().at(0).at("end").at("phase").as_string(), "interrupted");
  EXPECT_EQ(bench.start().exit_code, 5);
}

INSTANTIATE_TEST_SUITE_P(EveryWay, ADaemon,
                         ::testing::Values(SIGKILL, SIGSTOP, SIGSEGV, SIGABRT, SIGBUS));

}  // namespace
}  // namespace chargewright::test

// The response-time budget of a running daemon (S7): it rests on what the daemon measured on this
// bench, in this life and the last one.

#include <gtest/gtest.h>
#include <signal.h>

#include <filesystem>
#include <fstream>
#include <iterator>

#include "tests/bench/benches.h"

namespace chargewright::test {
namespace {

namespace fs = std::filesystem;

std::string text_of(const fs::path& path) {
  std::ifstream in(path);
  return {std::istreambuf_iterator<char>(in), {}};
}

TEST(TheBudget, rests_on_what_the_daemon_has_measured_on_this_bench) {  // S7
  ServedBench bench(buffer_bench({}));
  const std::vector<std::string> check{"check",   bench.profile_file(), "--cell", bench.cell_file(),
                                       "--bench", bench.bench_file(),   "--json"};
  const Finished before = bench.command(check);
  ASSERT_EQ(before.exit_code, 0) << before.err;
  EXPECT_NE(before.out.find("(assumed)"), std::string::npos) << before.out;
  EXPECT_EQ(before.out.find("(measured)"), std::string::npos) << before.out;

  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const Finished after = bench.command(check);
  ASSERT_EQ(after.exit_code, 0) << after.err;
  EXPECT_NE(after.out.find("supply: answers within"), std::string::npos) << after.out;
  EXPECT_NE(after.out.find("(measured)"), std::string::npos) << after.out;

  // Kept for the next life.
  bench.end_daemon(SIGTERM);
  const std::string kept = text_of(bench.folder().path() + "/state/hut-buffer/round-trips.json");
  for (const char* instrument : {"\"supply\":", "\"meter\":", "\"probe\":"}) {
    EXPECT_NE(kept.find(instrument), std::string::npos) << kept;
  }
}

// In the last life the supply once took two minutes to answer: until it has obeyed, 11 A warm the
// bank by more than lies between its limit and what it bears.
TEST(TheBudget, refuses_to_run_what_the_measured_times_cannot_enforce) {  // S7
  ServedBench bench(buffer_bench({}));
  fs::create_directories(bench.folder().path() + "/state/hut-buffer");
  bench.folder().write("state/hut-buffer/round-trips.json", "{\"supply\": 120}\n");
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const Finished start = bench.start();
  EXPECT_NE(start.exit_code, 0) << start.out;
  EXPECT_NE(start.err.find("cannot enforce temperature-above"), std::string::npos) << start.err;
  for (const BenchEvent& event : bench.simulator().log()) EXPECT_NE(event.kind, "output-on");
}

}  // namespace
}  // namespace chargewright::test

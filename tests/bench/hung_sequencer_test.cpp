// A run thread that hangs, from outside, while a person looks and cuts: real processes. The bench
// gives it a heartbeat of 5 s.

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <thread>

#include "tests/bench/benches.h"
#include "tests/support/places.h"
#include "tests/support/stall.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;

void tell(const std::string& control, stall_mode mode) {
  stall_control told{};
  told.mode[stall_sequencer] = mode;
  std::ofstream(control, std::ios::in | std::ios::out | std::ios::binary)
      .write(reinterpret_cast<const char*>(&told), sizeof told);
}

TEST(AHungSequencer, keeps_no_look_and_no_cut_waiting) {  // S4 S6
  const std::string stall = in_build("preloaded/stall.so");
  if (!std::filesystem::exists(stall))
    GTEST_SKIP() << "nothing is preloaded into what is sanitized";
  ServedBench bench(buffer_bench({}));
  const std::string control = bench.folder().path() + "/stall";
  std::ofstream(control) << std::string(sizeof(stall_control), '\0');
  ASSERT_TRUE(bench.start_daemon({"LD_PRELOAD=" + stall, "STALL_CONTROL=" + control}))
      << bench.daemon().err();
  const auto follower = bench.charge();
  tell(control, stall_stopped);
  std::this_thread::sleep_for(300ms);  // its next turn
  const double since =
      std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
  EXPECT_EQ(bench.phase(), "running");
  const Finished cut = bench.command({"cut"});
  EXPECT_EQ(cut.exit_code, 0) << cut.err;
  EXPECT_LT(bench.simulator().seconds_to("output-off", since).value_or(patience.count()), 3);
  EXPECT_EQ(bench.trip(), "operator-cut");
  tell(control, stall_not);
}

}  // namespace
}  // namespace chargewright::test

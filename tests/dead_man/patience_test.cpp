// What takes the dead-man minutes, on a clock that goes faster (tests/support/hurry.c; S6).

#include <gtest/gtest.h>

#include <thread>

#include "tests/dead_man/live_bench.h"
#include "tests/dead_man/started.h"
#include "tests/support/places.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;

constexpr int refused = 2, not_verified = 11;

std::vector<std::string> hurrying(int times) {
  return {"LD_PRELOAD=" + test::in_build("preloaded/hurry.so"), "HURRY_IN=chargewright-dead-man",
          "HURRY=" + std::to_string(times)};
}

// The daemon is gone, and neither supply nor contactor can be reached.
void leave_it_with_no_link(LiveBench& bench, StartedDeadMan& dead_man) {
  bench.simulator().control("fault link-dropped supply");
  bench.simulator().control("fault link-dropped contactor");
  ASSERT_TRUE(dead_man.introduce(bench.sheet()));
  ASSERT_EQ(dead_man.hear(), "R");
  dead_man.hang_up();
}

TEST(APatientDeadMan, does_not_wait_for_ever_for_its_sheet) {  // S6
  const StartedDeadMan silent(hurrying(50));
  StartedDeadMan half(hurrying(50));
  ASSERT_TRUE(half.say("1234"));
  EXPECT_EQ(half.process().wait(patience).exit_code, refused);
  EXPECT_EQ(half.hear(), "Xno cut sheet came");
  EXPECT_EQ(silent.hear(), "Xno cut sheet came");
}

// Ten minutes at the supply that does not answer; the bench is free for another after 20 s, since a
// daemon that starts brings it to off too.
TEST(APatientDeadMan, lets_go_of_the_bench_keeps_trying_and_says_so_when_it_gives_up) {  // S6
  LiveBench bench;
  bench.simulator().control("fault mute supply");
  bench.simulator().control("fault ignores-output-off supply");
  StartedDeadMan dead_man(hurrying(60));
  ASSERT_TRUE(dead_man.introduce(bench.sheet()));
  ASSERT_EQ(dead_man.hear(), "R");
  dead_man.hang_up();
  EXPECT_TRUE(dead_man.holds_the_lock());
  ASSERT_TRUE(until([&] { return !dead_man.holds_the_lock(); }));
  EXPECT_TRUE(dead_man.process().running());
  // What it knows by then stands in the log already.
  EXPECT_TRUE(until([&] { return bench.log().find("left: off sent") != std::string::npos; }));
  const Finished ended = dead_man.process().wait(patience);
  EXPECT_EQ(ended.exit_code, not_verified);
  EXPECT_NE(ended.err.find("NOT every output is verified off"), std::string::npos) << ended.err;
  const std::string log = bench.log();
  EXPECT_TRUE(log.ends_with(": NOT every output is verified off\n")) << log;
  EXPECT_NE(log.find("left: off repeated, with setpoints to zero"), std::string::npos) << log;
}

TEST(APatientDeadMan, cuts_a_supply_that_comes_back_after_a_minute) {  // S4 S6
  LiveBench bench;
  StartedDeadMan dead_man(hurrying(20));
  leave_it_with_no_link(bench, dead_man);
  ASSERT_TRUE(until([&] { return !dead_man.holds_the_lock(); }));
  std::this_thread::sleep_for(2s);  // 40 by its clock
  EXPECT_TRUE(bench.simulator().output_is_on());
  bench.simulator().control("clear");
  EXPECT_EQ(dead_man.process().wait(patience).exit_code, 10);
  EXPECT_FALSE(bench.simulator().output_is_on());
}

// What the next daemon switches on is a sound run.
TEST(APatientDeadMan, leaves_the_bench_to_another_daemon_that_has_taken_it) {  // S6
  LiveBench bench;
  StartedDeadMan dead_man(hurrying(20));
  leave_it_with_no_link(bench, dead_man);
  EXPECT_FALSE(dead_man.take_the_link());
  ASSERT_TRUE(until([&] { return dead_man.take_the_link(); }));
  std::this_thread::sleep_for(300ms);  // 6 by its clock; nothing can be on again before that
  bench.simulator().control("clear");
  const Finished ended = dead_man.process().wait(patience);
  EXPECT_EQ(ended.exit_code, not_verified);
  EXPECT_TRUE(
      bench.log().ends_with(": NOT every output is verified off; another daemon has the bench\n"))
      << bench.log();
  EXPECT_TRUE(bench.simulator().output_is_on());
}

// Its start failed, or it was another program that looked.
TEST(APatientDeadMan, cuts_though_somebody_had_the_bench_for_a_moment) {  // S6
  LiveBench bench;
  StartedDeadMan dead_man(hurrying(20));
  leave_it_with_no_link(bench, dead_man);
  ASSERT_TRUE(until([&] { return dead_man.take_the_link(); }));
  std::this_thread::sleep_for(20ms);
  dead_man.free_the_link();
  std::this_thread::sleep_for(300ms);
  bench.simulator().control("clear");
  EXPECT_EQ(dead_man.process().wait(patience).exit_code, 10);
  EXPECT_FALSE(bench.simulator().output_is_on());
}

}  // namespace
}  // namespace chargewright::test

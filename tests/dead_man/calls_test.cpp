// Each call of the dead-man fails once while it has to cut (S6): it refuses to serve, or the output
// is off all the same. A sample of them; all with CHARGEWRIGHT_EVERY=1 in the environment, which
// takes some minutes.

#include <gtest/gtest.h>

#include <algorithm>
#include <csignal>
#include <cstdlib>
#include <iostream>
#include <mutex>
#include <random>
#include <thread>

#include "tests/dead_man/live_bench.h"
#include "tests/dead_man/started.h"
#include "tests/support/fail_report.h"
#include "tests/support/fail_ways.h"
#include "tests/support/places.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;

constexpr int cut = 10, not_verified = 11;

std::vector<std::string> failing(const FailReport& report, const std::string& what) {
  return {"LD_PRELOAD=" + test::in_build("preloaded/fail_call.so"),
          "FAIL_CALL_IN=chargewright-dead-man", "FAIL_CALL_REPORT=" + report.path(),
          "FAIL_CALL=" + what};
}

struct Trial {
  bool served = false;  // it said that it was ready
  bool fired = false;   // there was such a call
  std::string where;
  std::string defect;
  std::vector<std::uint64_t> until_ready, until_end;  // calls, by kind
};

std::vector<std::uint64_t> counts(const FailReport& report) {
  return {report.get().count, report.get().count + fail_kinds};
}

Trial try_with(const std::string& what) {
  Trial trial;
  LiveBench bench;
  const Scratch folder;
  const FailReport report(folder.path());
  StartedDeadMan dead_man(failing(report, what));
  trial.served = dead_man.introduce(bench.sheet()) && dead_man.hear() == "R";
  trial.until_ready = counts(report);
  if (trial.served) dead_man.say("B");
  dead_man.hang_up();
  const Finished ended = dead_man.process().wait(patience);
  trial.until_end = counts(report);
  trial.fired = report.get().fired != 0;
  trial.where = report.get().what;
  if (ended.exit_code < 0 && ended.signal == SIGKILL) trial.defect = "hangs";
  if (!trial.served) return trial;  // the daemon would not go on
  if (ended.exit_code != cut) trial.defect = "ends with " + std::to_string(ended.exit_code);
  if (!dead_man.killed_the_daemon()) trial.defect += ", leaves the daemon alive";
  if (bench.simulator().output_is_on()) trial.defect += ", leaves the output on";
  return trial;
}

struct Call {
  std::string what;
  Trial trial;
};

void try_all(std::vector<Call>& calls) {
  std::size_t next = 0;
  std::mutex mutex;
  std::vector<std::thread> threads;
  for (int k = 0; k < 8; ++k) {  // they wait most of the time
    threads.emplace_back([&] {
      for (;;) {
        std::size_t mine = 0;
        {
          const std::lock_guard lock(mutex);
          if (next == calls.size()) return;
          mine = next++;
        }
        try {
          calls[mine].trial = try_with(calls[mine].what);
        } catch (const std::exception& e) {
          calls[mine].trial.defect = std::string("the trial itself failed: ") + e.what();
        }
      }
    });
  }
  for (auto& thread : threads) thread.join();
}

void expect_off_whatever_fails(std::vector<Call> calls) {
  constexpr std::size_t sample = 24;
  if (std::getenv("CHARGEWRIGHT_EVERY") == nullptr && calls.size() > sample) {
    std::shuffle(calls.begin(), calls.end(), std::mt19937_64{std::random_device{}()});
    calls.resize(sample);
  }
  try_all(calls);
  std::size_t refused = 0, fired = 0;
  for (const Call& call : calls) {
    EXPECT_EQ(call.trial.defect, "") << call.what << " " << call.trial.where;
    refused += call.trial.served ? 0 : 1;
    fired += call.trial.fired ? 1 : 0;
  }
  std::cout << "          " << calls.size() << " trials, " << fired << " reached their call, "
            << refused << " refused to serve\n";
  EXPECT_GT(fired, calls.size() / 2);
}

TEST(EveryCallOfTheDeadMan, fails_once_and_the_output_is_off) {  // S4 S6
  const Trial whole = try_with("none:0:-");
  ASSERT_EQ(whole.defect, "");
  std::vector<Call> calls;
  for (const FailWay& way : fail_ways) {
    const auto kind = static_cast<std::size_t>(
        std::ranges::find(fail_kind_names, std::string_view(way.kind)) - fail_kind_names);
    // Of those that come as often as it is asked, the first.
    const std::uint64_t most = std::min<std::uint64_t>(whole.until_end.at(kind), 40);
    if (kind == fail_alloc) continue;
    for (const std::string& how : way.hows) {
      for (std::uint64_t n = 1; n <= most; ++n) {
        calls.push_back({way.kind + (":" + std::to_string(n)) + ":" + how, {}});
      }
    }
  }
  expect_off_whatever_fails(std::move(calls));
}

TEST(EveryAllocationOfTheDeadMan, fails_once_and_the_output_is_off) {  // S4 S6
  const Trial whole = try_with("none:0:-");
  ASSERT_EQ(whole.defect, "");
  const std::uint64_t all = whole.until_end.at(fail_alloc);
  std::cout << "          " << whole.until_ready.at(fail_alloc) << " allocations until ready, "
            << all << " until the end\n";
  std::vector<Call> calls;
  for (std::uint64_t n = 1; n <= all; ++n) {
    calls.push_back({"alloc:" + std::to_string(n) + ":ENOMEM", {}});
  }
  expect_off_whatever_fails(std::move(calls));
}

// It cannot cut without memory; it tries for seconds, and says by its exit that it did not.
TEST(ADeadManWithoutMemory, ends_and_says_that_nothing_is_verified) {  // S6
  const Trial whole = try_with("none:0:-");
  ASSERT_EQ(whole.defect, "");
  LiveBench bench;
  const Scratch folder;
  const FailReport report(folder.path());
  StartedDeadMan dead_man(failing(
      report, "alloc:" + std::to_string(whole.until_ready.at(fail_alloc) + 1) + "+:ENOMEM"));
  ASSERT_TRUE(dead_man.introduce(bench.sheet()));
  ASSERT_EQ(dead_man.hear(), "R");
  dead_man.hang_up();
  const Finished ended = dead_man.process().wait(patience);
  EXPECT_EQ(ended.exit_code, not_verified) << ended.signal << " " << ended.err;
  EXPECT_TRUE(dead_man.killed_the_daemon());
}

}  // namespace
}  // namespace chargewright::test

// A run whose profile lets it resume by itself, and everything that keeps it off all the same: real
// processes, the daemon killed in mid-charge (S9). The bank is charged from 0.5 V to 5 V.

#include <gtest/gtest.h>
#include <sys/resource.h>

#include <csignal>
#include <fstream>
#include <functional>
#include <iterator>
#include <thread>

#include "tests/bench/benches.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;

constexpr double farads = 60;
constexpr double empty_v = 0.5;

Buffer resuming() {
  return {.after_interruption = "{resume-within: 2 min, times: 1, warning: 10 s}"};
}

std::string text_of(const std::string& path) {
  std::ifstream file(path);
  return {std::istreambuf_iterator<char>(file), {}};
}

class Interrupted : public testing::Test {
 protected:
  // Charging, a part of the way; then the daemon dies, its dead-man cuts, and a next one comes up.
  void interrupt(const BenchFiles& files, bool cut_by_hand = false) {
    bench = std::make_unique<ServedBench>(files);
    ASSERT_TRUE(bench->start_daemon()) << bench->daemon().err();
    const auto run = bench->charge();
    ASSERT_TRUE(until([&] { return bench->simulator().number("cell_voltage_v") > 1.5; }));
    kill_it();
    run->wait(patience);
    if (cut_by_hand) {
      const Finished cut = bench->command({"cut", "--direct", "--bench", bench->bench_file(),
                                           "--state", bench->folder().path() + "/state"});
      ASSERT_EQ(cut.exit_code, 0) << cut.err;
    }
    ons_before = ons();
    if (before_next_life) before_next_life();
    ASSERT_TRUE(bench->start_daemon()) << bench->daemon().err();
  }
  void kill_it() {
    bench->end_daemon(SIGKILL);
    ASSERT_EQ(bench->dead_man_exit(), 10);
    ASSERT_FALSE(bench->simulator().output_is_on());
  }
  std::size_t ons() {
    std::size_t count = 0;
    for (const BenchEvent& event : bench->simulator().log()) count += event.kind == "output-on";
    return count;
  }
  std::string resumption(const char* key) {
    const auto now = bench->channel();
    const auto* facts = now.at("resumption").if_object();
    return facts != nullptr ? std::string(facts->at(key).as_string().c_str()) : "";
  }
  // It says why not, and a whole warning time later still nothing was switched on.
  void expect_stays_off(const std::string& why) {
    EXPECT_TRUE(until([&] { return resumption("state") == "given-up"; }, 30s));
    EXPECT_EQ(resumption("why"), why);
    std::this_thread::sleep_for(12s);
    expect_held();
  }
  void expect_held() {
    EXPECT_EQ(ons(), ons_before);
    EXPECT_EQ(bench->trip(), "interrupted");
    EXPECT_EQ(bench->channel().at("state").as_string(), "tripped");
    EXPECT_EQ(bench->start().exit_code, 5);
    EXPECT_EQ(bench->command({"acknowledge"}).exit_code, 0);
    EXPECT_TRUE(until([&] { return bench->channel().at("state").as_string() == "off"; }));
  }

  std::unique_ptr<ServedBench> bench;
  std::size_t ons_before = 0;
  std::function<void()> before_next_life;
};

TEST_F(Interrupted, resumes_after_a_warning_and_ends_with_the_totals_of_the_whole_run) {  // S1 S9
  interrupt(buffer_bench(resuming()));
  ASSERT_TRUE(until([&] { return resumption("state") == "warning"; }, 30s));
  EXPECT_EQ(bench->trip(), "interrupted");  // off, like any other interruption, until it is due
  EXPECT_EQ(ons(), ons_before);
  const auto warned_at = std::chrono::steady_clock::now();
  ASSERT_TRUE(until([&] { return bench->simulator().is_charging(); }, 30s))
      << bench->daemon().err();
  EXPECT_GE(std::chrono::steady_clock::now() - warned_at, 9s);
  EXPECT_EQ(bench->trip(), "");
  ASSERT_TRUE(bench->is_over());
  EXPECT_EQ(bench->phase(), "done");

  const auto runs = bench->runs();
  ASSERT_EQ(runs.size(), 2U);
  const auto& resumed = runs.at(0).as_object();
  const auto& before = runs.at(1).as_object();
  EXPECT_EQ(before.at("end").at("phase").as_string(), "interrupted");
  EXPECT_EQ(resumed.at("end").at("phase").as_string(), "done");
  EXPECT_EQ(resumed.at("resumes").as_string(), before.at("id").as_string());
  EXPECT_EQ(resumed.at("resumed_times").as_int64(), 1);
  EXPECT_EQ(before.if_contains("resumes"), nullptr);
  // What flowed in the last second before the kill may not be on record: 10 C, and a bit of the
  // cut.
  const double flowed = farads * (bench->simulator().number("cell_voltage_v") - empty_v);
  const double counted = resumed.at("end").at("charge_in_ah").to_number<double>() * 3600;
  EXPECT_LT(counted, flowed * 1.02);
  EXPECT_GT(counted, flowed * 0.98 - 12);
  EXPECT_GT(counted, before.at("end").at("charge_in_ah").to_number<double>() * 3600 + 60);
  EXPECT_GT(resumed.at("end").at("on_time_s").to_number<double>(),
            before.at("end").at("on_time_s").to_number<double>() + 5);
}

TEST_F(Interrupted, stays_off_where_the_profile_does_not_say_otherwise) {  // S9
  interrupt(buffer_bench({}));
  EXPECT_EQ(resumption("state"), "");
  std::this_thread::sleep_for(12s);
  expect_held();
}

TEST_F(Interrupted, stays_off_when_another_cell_was_laid_in) {  // S1 S9
  before_next_life = [this] { bench->simulator().control("fault cell-swapped supply 4.2 V"); };
  interrupt(buffer_bench(resuming()));
  expect_stays_off("other-cell");
}

TEST_F(Interrupted, stays_off_when_a_person_cuts_in_the_warning_time) {  // S4 S9
  interrupt(buffer_bench(resuming()));
  ASSERT_TRUE(until([&] { return resumption("state") == "warning"; }, 30s));
  EXPECT_EQ(bench->command({"cut"}).exit_code, 0);
  expect_stays_off("withdrawn");
}

TEST_F(Interrupted, stays_off_when_other_limits_were_approved_in_the_warning_time) {  // S1 S9
  interrupt(buffer_bench(resuming()));
  ASSERT_TRUE(until([&] { return resumption("state") == "warning"; }, 30s));
  std::string profile = text_of(bench->profile_file());
  const std::string within = "{above: 3 min}";
  ASSERT_NE(profile.find(within), std::string::npos);
  profile.replace(profile.find(within), within.size(), "{above: 2 min}");
  std::ofstream(bench->profile_file()) << profile;
  ASSERT_EQ(bench->approve().exit_code, 0);
  expect_stays_off("not-begun");
}

// Cut within milliseconds, by the trip that is latched anyway. With little current: the cell's
// voltage tells nothing.
TEST_F(Interrupted, stays_off_when_a_hand_switches_the_output_on_in_the_warning_time) {  // S9
  interrupt(buffer_bench(resuming()));
  ASSERT_TRUE(until([&] { return resumption("state") == "warning"; }, 30s));
  bench->simulator().control("fault knob-turned supply 50 mA");
  bench->simulator().control("fault output-switched supply");
  ASSERT_TRUE(until([&] { return ons() > ons_before && !bench->simulator().output_is_on(); }));
  bench->simulator().control("clear");
  ons_before = ons();
  expect_stays_off("bench-unfit");
}

TEST_F(Interrupted, stays_off_when_a_person_has_cut_without_the_daemon) {  // S4 S9
  interrupt(buffer_bench(resuming()), true);
  EXPECT_EQ(resumption("state"), "");
  std::this_thread::sleep_for(12s);
  expect_held();
}

// It was over, and everybody was told so, before the daemon died.
TEST_F(Interrupted, stays_off_when_it_had_failed_for_want_of_a_record) {  // S9 S10
  bench = std::make_unique<ServedBench>(buffer_bench(resuming()));
  ASSERT_TRUE(bench->start_daemon()) << bench->daemon().err();
  const auto run = bench->charge();
  ASSERT_TRUE(until([&] { return bench->simulator().number("cell_voltage_v") > 1.5; }));
  rlimit room{};
  ASSERT_EQ(::prlimit(bench->daemon().id(), RLIMIT_FSIZE, nullptr, &room), 0);
  room.rlim_cur = 4096;
  ASSERT_EQ(::prlimit(bench->daemon().id(), RLIMIT_FSIZE, &room, nullptr), 0);
  ASSERT_EQ(run->wait(patience).exit_code, 7);
  // The withdrawal is on the disk some moments after the end was told.
  const std::string marker = bench->folder().path() + "/state/hut-buffer/energised-left.json";
  EXPECT_TRUE(until([&] { return text_of(marker).find("resumption") == std::string::npos; }, 20s));
  kill_it();
  ons_before = ons();
  ASSERT_TRUE(bench->start_daemon()) << bench->daemon().err();
  EXPECT_EQ(resumption("state"), "");
  std::this_thread::sleep_for(12s);
  expect_held();
}

// Nobody was left to cut: the supply went on for some seconds, as it may when only the computer
// loses its power.
TEST_F(Interrupted, stays_off_when_the_cell_was_charged_on_unseen) {  // S2 S9
  bench = std::make_unique<ServedBench>(buffer_bench(resuming()));
  ASSERT_TRUE(bench->start_daemon()) << bench->daemon().err();
  const auto run = bench->charge();
  ASSERT_TRUE(until([&] { return bench->simulator().number("cell_voltage_v") > 1.5; }));
  const pid_t dead_man = bench->dead_man();
  bench->daemon().signal(SIGSTOP);
  ::kill(dead_man, SIGKILL);
  bench->end_daemon(SIGKILL);
  EXPECT_TRUE(bench->dead_man_exit());
  run->wait(patience);
  const double then = bench->simulator().number("cell_voltage_v");
  ASSERT_TRUE(until([&] { return bench->simulator().number("cell_voltage_v") > then + 0.8; }));
  EXPECT_TRUE(bench->simulator().output_is_on());
  ons_before = ons();
  ASSERT_TRUE(bench->start_daemon()) << bench->daemon().err();
  EXPECT_FALSE(bench->simulator().output_is_on());
  expect_stays_off("other-cell");
}

TEST_F(Interrupted, stays_off_when_it_was_resumed_as_often_as_it_may_be) {  // S9
  interrupt(buffer_bench(resuming()));
  ASSERT_TRUE(until([&] { return bench->simulator().is_charging(); }, 40s))
      << bench->daemon().err();
  kill_it();
  ons_before = ons();
  ASSERT_TRUE(bench->start_daemon()) << bench->daemon().err();
  expect_stays_off("used-up");
}

// The supply alone reads the cell's voltage, behind a contactor that is open until the run arms.
TEST_F(Interrupted, is_refused_by_the_checks_before_a_start_and_stays_off) {  // S1 S9
  Buffer wanted = resuming();
  wanted.contactor = true;
  BenchFiles files = buffer_bench(wanted);
  const std::string at_the_cell = "voltage: meter\n    current: meter\n";
  files.bench.replace(files.bench.find(at_the_cell), at_the_cell.size(),
                      "voltage: supply\n    current: supply\n");
  before_next_life = [this] { bench->simulator().control("fault cell-swapped supply 4.2 V"); };
  interrupt(files);
  ASSERT_TRUE(until([&] { return resumption("state") == "warning"; }, 30s));
  ASSERT_TRUE(until([&] { return bench->phase() == "refused"; }, 30s)) << bench->daemon().err();
  ASSERT_TRUE(until([&] { return bench->trip() == "interrupted"; }, 10s));
  EXPECT_TRUE(until([&] { return bench->channel().at("state").as_string() == "tripped"; }));
  const auto runs = bench->runs();
  EXPECT_EQ(runs.at(0).at("end").at("phase").as_string(), "refused");
  EXPECT_EQ(runs.at(0).at("resumes").as_string(), runs.at(1).at("id").as_string());
  expect_held();
}

}  // namespace
}  // namespace chargewright::test

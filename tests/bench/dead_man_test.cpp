// The daemon dies or hangs while it charges: the simulator's own log says when its output went off
// (S6). Bounds are generous, for a busy machine; the times that were measured are printed, and the
// figures are those of tests/storm/kill_storm.

#include <gtest/gtest.h>

#include <unistd.h>

#include <csignal>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <sstream>

#include "tests/bench/benches.h"
#include "tests/support/places.h"

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
  // A sanitizer takes the signal and exits.
  EXPECT_TRUE(ended.signal != 0 || ended.exit_code != 0);
  EXPECT_EQ(bench.dead_man_exit(), 10);
  // Who followed the run saw current flow last.
  const Finished followed = run->wait(patience);
  EXPECT_EQ(followed.exit_code, 6);
  EXPECT_NE(followed.err.find("look at the supply's own display"), std::string::npos)
      << followed.err;
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

INSTANTIATE_TEST_SUITE_P(EveryWay, ADaemon, ::testing::Values(SIGKILL, SIGSTOP, SIGSEGV));

class ADeadMan : public ::testing::TestWithParam<int> {};

TEST_P(ADeadMan, that_dies_or_hangs_has_the_daemon_cut_and_arm_no_more) {  // S4 S6
  ServedBench bench(quick());
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  const double since = monotonic_s();
  ::kill(bench.dead_man(), GetParam());
  EXPECT_EQ(run->wait(patience).exit_code, 4);
  EXPECT_LE(bench.simulator().seconds_to("output-off", since).value_or(99), 5);
  EXPECT_EQ(bench.trip(), "dead-man-lost");
  EXPECT_EQ(bench.command({"acknowledge"}).exit_code, 0);
  ASSERT_TRUE(until([&] { return bench.channel().at("state").as_string() == "off"; }));
  const Finished refused = bench.start();
  EXPECT_EQ(refused.exit_code, 5);
  EXPECT_NE(refused.err.find("restart the daemon"), std::string::npos) << refused.err;
  EXPECT_FALSE(bench.simulator().output_is_on());

  EXPECT_EQ(bench.end_daemon(SIGTERM).exit_code, 0);
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  EXPECT_EQ(bench.start().exit_code, 0);
}

INSTANTIATE_TEST_SUITE_P(EveryWay, ADeadMan, ::testing::Values(SIGKILL, SIGSTOP));

TEST(TheDeadMan, is_needed_to_start) {  // S6
  ServedBench bench(quick());
  auto words = bench.daemon_words();
  const std::string alone = bench.folder().path() + "/chargewrightd";  // without it beside
  std::filesystem::copy_file(words.front(), alone);
  words.front() = alone;
  // It finds its dialects from where it lies.
  words.insert(words.begin(),
               {"/usr/bin/env", "CHARGEWRIGHT_DIALECTS=" + test::in_source("drivers/dialects")});
  const Finished refused = run(words, patience);
  EXPECT_EQ(refused.exit_code, 5) << refused.err;
  EXPECT_NE(refused.err.find("the dead-man process cannot be started"), std::string::npos)
      << refused.err;
}

TEST(TheDeadMan, leaves_in_peace_a_daemon_that_ends_in_good_order) {  // S6
  ServedBench bench(quick());
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  const pid_t id = bench.dead_man();
  EXPECT_EQ(bench.end_daemon(SIGTERM).exit_code, 0);
  EXPECT_EQ(::kill(id, 0), -1);  // it ended before the daemon
  EXPECT_FALSE(std::filesystem::exists(bench.dead_man_log()) &&
               std::filesystem::file_size(bench.dead_man_log()) > 0);
}

TEST(TheDeadMan, is_not_ended_by_what_ends_a_terminal_or_a_service) {  // S6
  ServedBench bench(quick());
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  const pid_t id = bench.dead_man();
  EXPECT_NE(::getsid(id), ::getsid(bench.daemon().id()));
  for (const int signal : {SIGINT, SIGTERM, SIGHUP, SIGQUIT, SIGUSR1, SIGPIPE}) ::kill(id, signal);
  EXPECT_TRUE(bench.simulator().is_charging());
  EXPECT_LE(off_after(bench, SIGKILL).value_or(99), 3);
}

// It holds the bench until it has finished: a daemon that comes at once waits for it.
TEST(TheDeadMan, that_cannot_cut_keeps_the_bench_from_others_and_cuts_when_it_can) {  // S4 S6
  ServedBench bench(quick());
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto charging = bench.charge();
  bench.daemon().signal(SIGSTOP);
  bench.simulator().control("fault link-dropped supply");
  EXPECT_EQ(bench.end_daemon(0).signal, SIGKILL);
  EXPECT_TRUE(bench.simulator().output_is_on());
  const Finished second = run(bench.daemon_words(), patience);
  EXPECT_EQ(second.exit_code, 5);
  EXPECT_NE(second.err.find("dead-man of one that died"), std::string::npos) << second.err;
  bench.simulator().control("clear");
  EXPECT_EQ(bench.dead_man_exit(), 10);
  EXPECT_FALSE(bench.simulator().output_is_on());
}

TEST(TheDeadMan, opens_the_contactor_of_a_supply_that_it_cannot_reach) {  // S4 S6
  ServedBench bench(quick({.contactor = true}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  const double since = monotonic_s();
  bench.daemon().signal(SIGSTOP);
  bench.simulator().control("fault link-dropped supply");
  ASSERT_TRUE(until([&] { return bench.simulator().number("current_a") == 0; }));
  std::cout << "          switch-opened after "
            << bench.simulator().seconds_to("switch-opened", since).value_or(99) * 1e3 << " ms\n";
  EXPECT_TRUE(bench.simulator().output_is_on());
  bench.end_daemon(0);
  EXPECT_EQ(bench.dead_man_exit(), 10);  // the contactor reads open, and no current flows
}

struct Way {
  const char* name;
  Buffer buffer;
  int signal;
};

class ADeadManAtASupply : public ::testing::TestWithParam<Way> {};

TEST_P(ADeadManAtASupply, takes_its_link_from_the_dead_daemon_and_cuts) {  // S4 S6
  ServedBench bench(quick(GetParam().buffer));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  EXPECT_LE(off_after(bench, GetParam().signal).value_or(99), 3);
  bench.end_daemon(0);
  EXPECT_EQ(bench.dead_man_exit(), 10);
}

INSTANTIATE_TEST_SUITE_P(
    OfEveryKind, ADeadManAtASupply,
    ::testing::Values(
        Way{"serial_killed", {.supply_served = "pty"}, SIGKILL},
        Way{"serial_stopped", {.supply_served = "pty"}, SIGSTOP},
        Way{"one_connection_killed", {.supply_more = "    connections: 1\n"}, SIGKILL},
        Way{"one_connection_stopped", {.supply_more = "    connections: 1\n"}, SIGSTOP}),
    [](const auto& way) { return std::string(way.param.name); });

// The name of an instrument may stand for an address at which it does not listen, and one at which
// it does.
TEST(TheDeadMan, reaches_a_supply_by_whichever_address_of_its_name_it_listens_at) {  // S4 S6
  ServedBench bench(quick());
  std::string text = text_of(bench.bench_file());
  std::string where = bench.simulator().address("supply");
  const auto at = text.find(where);
  ASSERT_NE(at, std::string::npos);
  text.replace(at, where.rfind(':'), "tcp://two-homed");
  bench.folder().write("bench.yaml", text);
  ASSERT_TRUE(bench.start_daemon({"LD_PRELOAD=" + test::in_build("preloaded/two_addresses.so"),
                                  "ASAN_OPTIONS=verify_asan_link_order=0"}))
      << bench.daemon().err();
  const auto run = bench.charge();
  EXPECT_LE(off_after(bench, SIGKILL).value_or(99), 3);
  bench.end_daemon(0);
  EXPECT_EQ(bench.dead_man_exit(), 10);
}

// Nothing but what cutting needs is in that process.
TEST(TheDeadMan, links_no_yaml_no_database_and_no_log) {
  const std::string program = text_of(test::in_build("daemon/chargewright-dead-man"));
  ASSERT_FALSE(program.empty());
  EXPECT_NE(program.find("libstdc++.so"), std::string::npos);
  for (const char* library : {"libyaml-cpp.so", "libsqlite3.so", "libspdlog.so", "libfmt.so"}) {
    EXPECT_EQ(program.find(library), std::string::npos) << library;
  }
}

}  // namespace
}  // namespace chargewright::test

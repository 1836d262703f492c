// A person at the bench, and the lives and deaths of the daemon.

#include <gtest/gtest.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/write.hpp>
#include <csignal>
#include <fstream>
#include <thread>

#include "safety/fault.h"
#include "tests/bench/benches.h"
#include "tests/support/places.h"

namespace chargewright::test {
namespace {

std::size_t offs(Simulator& simulator) {
  std::size_t count = 0;
  for (const BenchEvent& event : simulator.log()) count += event.kind == "output-off" ? 1U : 0U;
  return count;
}

// The daemon is gone, its dead-man too, and nobody has cut.
void leave_the_output_on(ServedBench& bench) {
  const pid_t dead_man = bench.dead_man();
  bench.daemon().signal(SIGSTOP);
  ::kill(dead_man, SIGKILL);  // first, so that the daemon cannot notice
  bench.end_daemon(SIGKILL);
  EXPECT_TRUE(bench.dead_man_exit());
  EXPECT_TRUE(bench.simulator().output_is_on());
}

std::string replaced(const std::string& file, const std::string& what, const std::string& by) {
  std::ifstream in(file);
  std::string text(std::istreambuf_iterator<char>(in), {});
  const std::size_t at = text.find(what);
  EXPECT_NE(at, std::string::npos) << text;
  return text.replace(at, what.size(), by);
}

// Stands at the daemon's socket and denies whatever is asked.
class Denying {
 public:
  Denying(const std::string& socket, std::string kind)
      : body_(R"({"error": {"kind": ")" + std::move(kind) + R"(", "cause": "no"}})"),
        acceptor_(io_, boost::asio::local::stream_protocol::endpoint{unlinked(socket)}) {
    deny_the_next();
    thread_ = std::thread([this] { io_.run(); });
  }
  ~Denying() {
    io_.stop();
    thread_.join();
  }

 private:
  using Socket = boost::asio::local::stream_protocol::socket;

  static const std::string& unlinked(const std::string& path) {
    ::unlink(path.c_str());
    return path;
  }
  // All who come, and not the first alone: who follows the run asks here too.
  void deny_the_next() {
    acceptor_.async_accept([this](const boost::system::error_code& error, Socket client) {
      if (!error) deny(client);
      deny_the_next();
    });
  }
  void deny(Socket& client) {
    std::array<char, 4096> request{};
    boost::system::error_code gone;
    client.read_some(boost::asio::buffer(request), gone);
    boost::asio::write(client,
                       boost::asio::buffer(
                           "HTTP/1.1 503 No\r\nContent-Type: application/json\r\nContent-Length: " +
                           std::to_string(body_.size()) + "\r\n\r\n" + body_),
                       gone);
  }

  std::string body_;
  boost::asio::io_context io_;
  boost::asio::local::stream_protocol::acceptor acceptor_;
  std::thread thread_;
};

TEST(TheOperator, cuts_and_the_trip_latches_until_it_is_acknowledged) {  // S4 S5
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  const Finished cut = bench.command({"cut"});
  EXPECT_EQ(cut.exit_code, 0) << cut.err;
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_EQ(run->wait(patience).exit_code, 4);
  EXPECT_EQ(bench.trip(), "operator-cut");
  EXPECT_EQ(bench.start().exit_code, 5);
  EXPECT_EQ(offs(bench.simulator()), 1U);  // the refused start energised nothing
  const Finished acknowledged = bench.command({"acknowledge"});
  EXPECT_EQ(acknowledged.exit_code, 0);
  EXPECT_NE(acknowledged.out.find("acknowledged: " +
                                  safety::describe({.cause = safety::Cause::operator_cut})),
            std::string::npos)
      << acknowledged.out;
  ASSERT_TRUE(until([&] { return bench.channel().at("state").as_string() == "off"; }));
  EXPECT_EQ(bench.start().exit_code, 0);
  EXPECT_TRUE(until([&] { return bench.simulator().is_charging(); }));
}

TEST(TheOperator, stops_a_run_which_is_no_trip) {
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  EXPECT_EQ(bench.command({"stop"}).exit_code, 0);
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_EQ(run->wait(patience).exit_code, 3);
  EXPECT_EQ(bench.trip(), "");
  EXPECT_EQ(bench.channel().at("state").as_string(), "off");
  EXPECT_EQ(bench.start().exit_code, 0);  // nothing to acknowledge
}

TEST(AStepThatTakesTooLong, fails_the_run_with_the_output_off) {
  ServedBench bench(buffer_bench({.within = "2 s"}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  EXPECT_EQ(run->wait(patience).exit_code, 7);
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_EQ(bench.trip(), "");
}

TEST(ATrip, survives_the_end_of_the_daemon) {  // S5
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  bench.simulator().control("fault not-a-number meter");
  EXPECT_EQ(run->wait(patience).exit_code, 4);
  bench.simulator().control("clear");
  EXPECT_EQ(bench.end_daemon(SIGTERM).exit_code, 0);

  ASSERT_TRUE(until([&] { return bench.start_daemon(); }));
  EXPECT_EQ(bench.trip(), "reading-unusable");
  const Finished refused = bench.start();
  EXPECT_EQ(refused.exit_code, 5);
  EXPECT_NE(refused.err.find("acknowledge"), std::string::npos) << refused.err;
  EXPECT_EQ(bench.command({"acknowledge"}).exit_code, 0);
  ASSERT_TRUE(until([&] { return bench.channel().at("state").as_string() == "off"; }));
  EXPECT_EQ(bench.start().exit_code, 0);
}

TEST(ATrip, is_not_acknowledged_while_its_condition_is_there) {  // S5
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  bench.simulator().control("fault sensor-lost probe/1");
  EXPECT_EQ(run->wait(patience).exit_code, 4);
  EXPECT_EQ(bench.command({"acknowledge"}).exit_code, 5);
  EXPECT_EQ(bench.trip(), "reading-unusable");
  bench.simulator().control("clear");
  EXPECT_TRUE(until([&] { return bench.command({"acknowledge"}).exit_code == 0; }));
  EXPECT_EQ(bench.trip(), "");
}

TEST(ADaemonToldToEnd, switches_off_first_and_leaves_nothing_to_acknowledge) {  // S4 S10
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  const Finished ended = bench.end_daemon(SIGTERM);
  EXPECT_EQ(ended.exit_code, 0) << ended.err;
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_NE(run->wait(patience).exit_code, 0);

  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  EXPECT_EQ(bench.runs().at(0).at("end").at("phase").as_string(), "stopped");
  EXPECT_EQ(bench.start().exit_code, 0);
}

// Its answers take longer than a bench's usually may.
TEST(ADaemonToldToEnd, waits_for_a_supply_that_is_slow_to_prove_off) {  // S4
  BenchFiles files = buffer_bench({});
  const std::string dialect = "dialect: scpi-supply\n";
  files.bench.insert(files.bench.find(dialect) + dialect.size(),
                     "    deadlines: {respond: 10 s}\n");
  ServedBench bench(files);
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  bench.simulator().control("fault slow supply 8 s");
  const Finished ended = bench.end_daemon(SIGTERM);
  EXPECT_EQ(ended.exit_code, 0) << ended.err;
  EXPECT_FALSE(bench.simulator().output_is_on());
}

// The other one would say that all is off.
TEST(ACutOfANamedBench, is_never_that_of_another_whose_daemon_answers) {  // S4
  ServedBench other(buffer_bench({}));
  ASSERT_TRUE(other.start_daemon()) << other.daemon().err();
  const auto others_run = other.charge();
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  leave_the_output_on(bench);
  const auto cut = [&](const std::string& bench_file) {
    return Process({test::in_build("daemon/chargewright"), "cut", "--bench", bench_file},
                   std::vector<std::string>{"CHARGEWRIGHT_SOCKET=" + other.socket()})
        .wait(patience);
  };
  // As if the two had one thermometer.
  const std::string shared = bench.folder().path() + "/shared.yaml";
  std::ofstream(shared) << replaced(bench.bench_file(), bench.simulator().address("probe"),
                                    other.simulator().address("probe"));
  const Finished directly = cut(shared);
  EXPECT_EQ(directly.exit_code, 0) << directly.out << directly.err;
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_TRUE(other.simulator().is_charging());
  // Its daemon goes by what it has read, whatever its file says by now.
  std::ofstream(other.bench_file(), std::ios::app) << "channels: {again: {}}\n";
  const Finished by_its_daemon = cut(other.bench_file());
  EXPECT_EQ(by_its_daemon.exit_code, 0) << by_its_daemon.err;
  EXPECT_EQ(other.trip(), "operator-cut");
  EXPECT_NE(run->wait(patience).exit_code, 0);
  EXPECT_EQ(others_run->wait(patience).exit_code, 4);
}

TEST(ADaemonKilledInARun, leaves_a_marker_that_the_next_life_takes_for_a_trip) {  // S5 S9 S10
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  leave_the_output_on(bench);
  const Finished cut = bench.command({"cut", "--direct", "--bench", bench.bench_file()});
  EXPECT_EQ(cut.exit_code, 0) << cut.out << cut.err;
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_EQ(bench.simulator().log().back().kind, "output-off");
  EXPECT_NE(run->wait(patience).exit_code, 0);

  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  EXPECT_EQ(bench.trip(), "interrupted");
  const auto runs = bench.runs();
  EXPECT_EQ(runs.at(0).at("end").at("phase").as_string(), "interrupted");
  EXPECT_EQ(bench.start().exit_code, 5);
  EXPECT_FALSE(bench.simulator().output_is_on());
  const Finished acknowledged = bench.command({"acknowledge"});
  EXPECT_EQ(acknowledged.exit_code, 0);
  EXPECT_NE(acknowledged.out.find("acknowledged: the daemon ended while a run was armed"),
            std::string::npos)
      << acknowledged.out;
  ASSERT_TRUE(until([&] { return bench.channel().at("state").as_string() == "off"; }));
  EXPECT_EQ(bench.start().exit_code, 0);
}

TEST(ADaemonThatDeniesACut, is_cut_past) {  // S4
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  leave_the_output_on(bench);
  {
    // It knows what was meant, and that there is no such thing: not to be second-guessed.
    const Denying daemon(bench.socket(), "unknown");
    EXPECT_EQ(bench.command({"cut", "--bench", bench.bench_file()}).exit_code, 2);
    EXPECT_TRUE(bench.simulator().output_is_on());
  }
  const Denying daemon(bench.socket(), "own-fault");
  const Finished cut = bench.command({"cut", "--bench", bench.bench_file()});
  EXPECT_EQ(cut.exit_code, 0) << cut.out << cut.err;
  EXPECT_NE(cut.out.find("off, verified"), std::string::npos) << cut.out;
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_NE(run->wait(patience).exit_code, 0);
}

TEST(ADaemonKilledInARun, is_followed_by_one_that_switches_off_before_anything_else) {  // S6
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  leave_the_output_on(bench);
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  EXPECT_FALSE(bench.simulator().output_is_on());
  // Who followed the run is told that it is no more: at once or, within its time to answer, by the
  // lost connection.
  const int followed = run->wait(patience).exit_code;
  EXPECT_TRUE(followed == 3 || followed == 6) << followed;
}

TEST(ASecondDaemon, is_refused_the_bench_and_leaves_the_run_alone) {
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto charging = bench.charge();
  for (const char* own : {"", "-other"}) {  // the same state folder, and one of its own
    const Finished second = run(bench.daemon_words(own), patience);
    EXPECT_EQ(second.exit_code, 5) << second.err;
    EXPECT_NE(second.err.find("another"), std::string::npos) << second.err;
  }
  EXPECT_TRUE(bench.simulator().is_charging());
  EXPECT_EQ(offs(bench.simulator()), 0U);
  EXPECT_EQ(bench.phase(), "running");
}

}  // namespace
}  // namespace chargewright::test

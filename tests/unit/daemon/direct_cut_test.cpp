// A bench is cut by its files alone, as far as they can be read (S4).
#include "daemon/cli/direct_cut.h"

#include <gtest/gtest.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/read_until.hpp>
#include <boost/asio/write.hpp>
#include <chrono>
#include <iterator>
#include <string>
#include <thread>

#include "tests/support/places.h"

namespace chargewright::daemon {
namespace {

namespace asio = boost::asio;
using asio::ip::tcp;
using namespace std::chrono_literals;

// A supply that hears what it is told, and never answers.
class Ear {
 public:
  [[nodiscard]] drivers::TcpAddress address() const {
    return {"127.0.0.1", acceptor_.local_endpoint().port()};
  }
  // What was said over the one link that came, and is closed by now.
  std::string heard() {
    tcp::socket link = acceptor_.accept();
    std::string text;
    boost::system::error_code ended;
    asio::read(link, asio::dynamic_buffer(text), ended);
    return text;
  }

 private:
  asio::io_context io_;
  tcp::acceptor acceptor_{io_, {asio::ip::make_address("127.0.0.1"), 0}};
};

// A supply whose output is off at once, and whose current takes its time to end.
class SlowToFall {
 public:
  explicit SlowToFall(std::chrono::milliseconds falls_within)
      : ends_(std::chrono::steady_clock::now() + falls_within), thread_([this] { serve(); }) {}
  ~SlowToFall() { thread_.join(); }  // when its link has ended
  SlowToFall(const SlowToFall&) = delete;
  SlowToFall& operator=(const SlowToFall&) = delete;
  [[nodiscard]] drivers::TcpAddress address() const {
    return {"127.0.0.1", acceptor_.local_endpoint().port()};
  }

 private:
  void serve() {
    boost::system::error_code ended;
    tcp::socket link = acceptor_.accept(ended);
    std::string text;
    std::string number;
    while (!ended) {
      const std::size_t size = asio::read_until(link, asio::dynamic_buffer(text), '\n', ended);
      if (ended) return;
      const std::string line = text.substr(0, size - 1);
      text.erase(0, size);
      std::string answer;
      if (line.starts_with("*ESE ")) number = line.substr(5);
      if (line == "*ESE?") answer = number;
      if (line == "OUTP?") answer = "0";
      if (line == "MEAS:CURR?") answer = std::chrono::steady_clock::now() < ends_ ? "1.0" : "0.0";
      if (!answer.empty()) asio::write(link, asio::buffer(answer + '\n'), ended);
    }
  }

  std::chrono::steady_clock::time_point ends_;
  asio::io_context io_;
  tcp::acceptor acceptor_{io_, {asio::ip::make_address("127.0.0.1"), 0}};
  std::thread thread_;
};

profiles::BenchInstrument instrument(const std::string& name, const drivers::TcpAddress& link,
                                     const std::string& dialect) {
  profiles::BenchInstrument facts;
  facts.name = name;
  facts.link = link;
  facts.link_text = drivers::to_text(link);
  facts.dialect = dialect;
  return facts;
}

TEST(ADirectCut, reaches_every_instrument_whose_dialect_can_be_loaded) {  // S4
  Ear supply;
  profiles::Bench bench;
  bench.instruments = {instrument("supply", supply.address(), "scpi-supply"),
                       instrument("clamp", {"127.0.0.1", 1}, "no-such-dialect")};
  profiles::BenchChannel channel;
  channel.name = "left";
  channel.source = channel.voltmeter = {.instrument = 0, .channel = 2};
  channel.ammeter = {.instrument = 1, .channel = 0};
  bench.channels = {channel};
  const DirectCut cut = direct_cut(bench, {test::in_source("drivers/dialects")}, 100ms);
  EXPECT_NE(supply.heard().find("INST:NSEL 2;:OUTP OFF\n"), std::string::npos);
  EXPECT_FALSE(cut.all_off);
  ASSERT_EQ(cut.problems.list.size(), 1U);
  EXPECT_NE(describe(cut.problems.list[0]).find("no-such-dialect"), std::string::npos);
  ASSERT_EQ(cut.lines.size(), 3U);
  EXPECT_EQ(cut.lines[1], "clamp (tcp://127.0.0.1:1): current: not reached");
}

// Output capacitors, or a meter that averages: all the time that there is is theirs.
TEST(ADirectCut, looks_until_the_current_has_ended) {  // S4
  SlowToFall supply{1s};
  profiles::Bench bench;
  bench.instruments = {instrument("supply", supply.address(), "scpi-supply")};
  profiles::BenchChannel channel;
  channel.name = "left";
  channel.source = channel.voltmeter = channel.ammeter = {.instrument = 0, .channel = 0};
  channel.off_current = drivers::amperes(0.02);
  bench.channels = {channel};
  const DirectCut cut = direct_cut(bench, {test::in_source("drivers/dialects")}, 10s);
  EXPECT_TRUE(cut.all_off);
  EXPECT_EQ(cut.lines.back(), "channel left: off, verified");
}

// Without the right to open a serial port, say: `sudo` may be all that is needed.
TEST(ADirectCut, says_why_an_instrument_is_not_reached) {  // S4
  profiles::Bench bench;
  bench.instruments = {instrument("supply", {"127.0.0.1", 1}, "scpi-supply")};
  profiles::BenchChannel channel;
  channel.name = "left";
  channel.source = channel.voltmeter = channel.ammeter = {.instrument = 0, .channel = 0};
  bench.channels = {channel};
  const DirectCut cut = direct_cut(bench, {test::in_source("drivers/dialects")}, 100ms);
  EXPECT_FALSE(cut.all_off);
  EXPECT_NE(cut.lines.at(0).find("not reached: connecting failed: Connection refused"),
            std::string::npos)
      << cut.lines.at(0);
}

}  // namespace
}  // namespace chargewright::daemon

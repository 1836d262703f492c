// From a limit crossed inside the simulated supply to its output off, over real sockets, by the
// simulator's own log. Target: p99.9 within one reading interval + 2 round trips + 1 ms.
//
//   build/release/tests/speed/speed_reaction [trips] [reading interval, ms] [--loaded]
//
// --loaded: once more without and with the guard's real-time class, every core kept busy. The
// simulated instruments then have a higher class still: real ones do not share our cores.
//
// Each trip is a whole run: arm with every check of S1, charge, and then the current of the supply
// jumps beyond the limit at a moment that the guard does not know. The round trip is measured in
// the same run, on a connection of its own.

#include <pthread.h>

#include <algorithm>
#include <atomic>
#include <boost/asio/connect.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read_until.hpp>
#include <boost/asio/write.hpp>
#include <boost/json.hpp>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <random>
#include <string>
#include <thread>
#include <vector>

#include "drivers/dialect.h"
#include "drivers/simulated/server.h"
#include "safety/guard_thread.h"
#include "tests/support/places.h"

namespace {

using namespace chargewright;
using namespace chargewright::drivers::literals;
using namespace std::chrono_literals;
namespace sim = drivers::simulated;
using Tcp = boost::asio::ip::tcp;
using Clock = std::chrono::steady_clock;

constexpr const char* bench = R"(simulation: reaction
control: tcp://127.0.0.1:0
devices:
  supply: {role: supply, serve: tcp://127.0.0.1:0, ratings: {voltage: 20 V, current: 20 A}}
  meter: {role: meter, serve: tcp://127.0.0.1:0}
cells:
  radio: {chemistry: li-ion-nmc, capacity: 2.4 Ah, voltage: 3.60 V}
circuits:
  left: {cell: radio, source: supply, leads: 3 mohm, meter: meter}
)";

[[noreturn]] void give_up(const std::string& why) {
  std::fprintf(stderr, "reaction: %s\n", why.c_str());
  std::_Exit(1);
}

// One line out, one line back.
class Line {
 public:
  explicit Line(const std::string& address) : socket_(context_) {
    const auto link = std::get<drivers::TcpAddress>(drivers::parse_link(address).value());
    Tcp::resolver resolver(context_);
    boost::asio::connect(socket_, resolver.resolve(link.host, std::to_string(link.port)));
    socket_.set_option(Tcp::no_delay(true));
  }
  std::string ask(std::string line) {
    line += '\n';
    boost::asio::write(socket_, boost::asio::buffer(line));
    const auto size = boost::asio::read_until(socket_, boost::asio::dynamic_buffer(input_), '\n');
    std::string answer = input_.substr(0, size);
    input_.erase(0, size);
    return answer;
  }

 private:
  boost::asio::io_context context_;
  Tcp::socket socket_;
  std::string input_;
};

safety::RunPlan run_plan() {
  safety::RunPlan plan;
  plan.limits.voltage_above = {.value = 4.25_V};
  plan.limits.current_above = {.value = 1.1_A};
  plan.limits.run_time = {.value = 1h};
  plan.full = 4.20_V;
  plan.open_circuit_min = 3.0_V;
  plan.open_circuit_max = 4.25_V;
  plan.over_voltage_protection = 4.30_V;
  plan.over_current_protection = 5.0_A;  // out of the way: the guard is measured, not the supply
  plan.approved = true;
  return plan;
}

// The reaction is the guard's own.
struct Attended : safety::DeadManSide {
  bool beat(drivers::Instant) override { return true; }
  void end(bool) override {}
};

class Trips {
 public:
  Trips(std::map<std::string, std::string> addresses, std::chrono::milliseconds every,
        bool real_time)
      : control_(addresses.at("control")),
        every_(every),
        guard_(spec(addresses, every, real_time)) {
    guard_.start();
    until(safety::State::off);
  }

  // Seconds from crossing to off, by the simulator's log.
  double one() {
    safety::Request request;
    request.kind = safety::Request::Kind::arm;
    request.plan = run_plan();
    guard_.request(request);
    until(safety::State::ready);
    request.kind = safety::Request::Kind::charge;
    request.step = 1;
    request.voltage = 4.20_V;
    request.current = 1.0_A;
    guard_.request(request);
    until(safety::State::energised);
    wait_for_current();
    std::this_thread::sleep_for(std::uniform_int_distribution<int>(0, 2000)(random_) * 1us);
    obey("mark current 1.1 supply");
    obey("fault knob-turned supply 2 A");
    until(safety::State::tripped);
    const double reaction = from_crossing_to_off();
    obey("clear");
    obey("unmark");
    obey("charge left 40 %");
    request.kind = safety::Request::Kind::acknowledge;
    guard_.request(request);
    until(safety::State::off);
    return reaction;
  }

 private:
  static safety::GuardThreadSpec spec(const std::map<std::string, std::string>& addresses,
                                      std::chrono::milliseconds every, bool real_time) {
    safety::ChannelPlan plan;
    plan.source = plan.ammeter = {0, 0};
    plan.voltmeter = {1, 0};
    plan.loop_resistance = 3.0_mohm;
    plan.voltage_disagreement = 50.0_mV;
    plan.every = every;
    plan.heartbeat = 5s;
    plan.source_voltage_max = 20.0_V;
    plan.source_current_max = 20.0_A;
    plan.source_power_max = 400.0_W;
    safety::GuardThreadSpec spec;
    spec.real_time = real_time;
    spec.plant.channels.push_back(plan);
    spec.plant.instruments = 2;
    for (const auto& [name, dialect] :
         {std::pair{"supply", "scpi-supply"}, std::pair{"meter", "scpi-meter"}}) {
      spec.instruments.push_back(
          {.name = name,
           .identity = "Chargewright,Simulated.*",
           .dialect =
               drivers::load_dialect(dialect, {chargewright::test::in_source("drivers/dialects")})
                   .value()});
      spec.links.push_back(drivers::parse_link(addresses.at(name)).value());
    }
    spec.dead_man = std::make_shared<Attended>();
    return spec;
  }

  void until(safety::State wanted) {
    const auto end = Clock::now() + 20s;
    while (guard_.snapshot().channel[0].state != wanted) {
      live();
      if (Clock::now() > end) {
        const safety::ChannelSnapshot channel = guard_.snapshot().channel[0];
        give_up("stays " + std::string(safety::key_of(channel.state)) + ", not " +
                std::string(safety::key_of(wanted)) + "; " +
                std::string(safety::key_of(channel.refusal)));
      }
    }
  }
  void wait_for_current() {
    const auto end = Clock::now() + 20s;
    while (!(guard_.snapshot().channel[0].current.value > 0.9)) {
      live();
      if (Clock::now() > end) give_up("no current flows");
    }
  }
  void live() {
    guard_.request({});  // the sequencer's heartbeat
    safety::Event event;
    while (guard_.take_event(event)) {
    }
    std::this_thread::sleep_for(200us);
  }
  void obey(const std::string& command) {
    const std::string answer = control_.ask(command);
    if (!boost::json::parse(answer).at("ok").as_bool()) give_up(command + ": " + answer);
  }
  double from_crossing_to_off() {
    const std::string text = control_.ask("log " + std::to_string(log_from_));
    const auto answer = boost::json::parse(text).as_object();
    std::int64_t crossed = 0;
    std::int64_t off = 0;
    for (const auto& event : answer.at("events").as_array()) {
      const auto& kind = event.at("event").as_string();
      const auto at = event.at("monotonic_ns").to_number<std::int64_t>();
      log_from_ = event.at("number").to_number<std::size_t>() + 1;
      if (kind == "mark-crossed") crossed = at;
      if (kind == "output-off" && crossed != 0 && off == 0) off = at;
    }
    if (crossed == 0 || off == 0)
      give_up("the simulator's log has no crossing with its off: " + text);
    return static_cast<double>(off - crossed) * 1e-9;
  }

  Line control_;
  std::chrono::milliseconds every_;
  safety::GuardThread guard_;
  std::size_t log_from_ = 0;
  std::mt19937 random_{20240229};
};

double quantile(const std::vector<double>& sorted, double share) {
  const auto index = static_cast<std::size_t>(share * static_cast<double>(sorted.size()));
  return sorted[std::min(index, sorted.size() - 1)];
}

// Busy loops of the ordinary class, one for each core and one more.
class Load {
 public:
  Load() {
    for (unsigned k = 0; k <= std::thread::hardware_concurrency(); ++k) {
      threads_.emplace_back([this] {
        while (!ending_.load(std::memory_order_relaxed)) {
        }
      });
    }
  }
  ~Load() {
    ending_ = true;
    for (std::thread& thread : threads_) thread.join();
  }
  Load(const Load&) = delete;
  Load& operator=(const Load&) = delete;

 private:
  std::atomic<bool> ending_{false};
  std::vector<std::thread> threads_;
};

struct Measured {
  std::vector<double> reactions;
  std::vector<double> round_trips;
};

Measured measure(const std::map<std::string, std::string>& addresses, int trips,
                 std::chrono::milliseconds every, bool real_time) {
  Measured measured;
  Line probe(addresses.at("meter"));
  Trips bench_under_test(addresses, every, real_time);
  for (int trip = 0; trip < trips; ++trip) {
    measured.reactions.push_back(bench_under_test.one());
    const auto asked = Clock::now();
    probe.ask("MEAS:VOLT?");
    measured.round_trips.push_back(std::chrono::duration<double>(Clock::now() - asked).count());
  }
  std::sort(measured.reactions.begin(), measured.reactions.end());
  std::sort(measured.round_trips.begin(), measured.round_trips.end());
  return measured;
}

void print(const char* how, const std::vector<double>& reactions, std::chrono::milliseconds every) {
  std::printf(
      "%s, %zu trips, read every %d ms: median %.3f ms, p99 %.3f ms, p99.9 %.3f ms, "
      "worst %.3f ms\n",
      how, reactions.size(), static_cast<int>(every.count()), 1e3 * quantile(reactions, 0.5),
      1e3 * quantile(reactions, 0.99), 1e3 * quantile(reactions, 0.999), 1e3 * reactions.back());
  std::fflush(stdout);
}

void rise_above_the_guard(std::thread& thread) {
  sched_param how{};
  how.sched_priority = safety::guard_priority + 5;
  if (::pthread_setschedparam(thread.native_handle(), SCHED_FIFO, &how) != 0) {
    give_up("--loaded needs a real-time class for the simulated instruments, and got none");
  }
}

}  // namespace

int main(int argc, char** argv) {
  const bool loaded = argc > 1 && std::string(argv[argc - 1]) == "--loaded";
  const int numbers = argc - (loaded ? 1 : 0);
  const int trips = numbers > 1 ? std::atoi(argv[1]) : 10'000;
  const std::chrono::milliseconds every(numbers > 2 ? std::atoi(argv[2]) : 5);

  boost::asio::io_context context{1};
  const auto document = drivers::parse_document(bench, "reaction").value();
  const auto server =
      sim::Server::open(context, sim::read_simulation(document).value(), [] {}).value();
  std::thread serving([&] { context.run(); });
  std::map<std::string, std::string> addresses;
  for (const std::string& line : server->addresses()) {
    const auto space = line.find(' ');
    addresses[line.substr(0, space)] = line.substr(space + 1);
  }
  if (loaded) {
    rise_above_the_guard(serving);
    const Load load;
    print("every core busy, guard in the ordinary class",
          measure(addresses, trips, every, false).reactions, every);
    print("every core busy, guard in its real-time class",
          measure(addresses, trips, every, true).reactions, every);
  } else {
    const Measured measured = measure(addresses, trips, every, true);
    print("limit crossed to output off", measured.reactions, every);
    const double round_trip = quantile(measured.round_trips, 0.5);
    const double bound = std::chrono::duration<double>(every).count() + 2 * round_trip + 1e-3;
    std::printf("round trip: median %.3f ms; bound %.3f ms; ratio %.3f (target at most 1)\n",
                1e3 * round_trip, 1e3 * bound, quantile(measured.reactions, 0.999) / bound);
  }
  context.stop();
  serving.join();
}

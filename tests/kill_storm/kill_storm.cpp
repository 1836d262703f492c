// kill_storm: the daemon is killed, stopped or made to crash at random moments of its life, over
// and over, on real sockets in real time; the simulated supply's own log says when its output went
// off (S6). Ends with 1 when an output stayed on, or a record of a run is not closed.
//
//   kill_storm [--kills 1000] [--benches 3] [--seed N]
#include <CLI/CLI.hpp>
#include <algorithm>
#include <atomic>
#include <csignal>
#include <iostream>
#include <map>
#include <mutex>
#include <random>
#include <thread>

#include "tests/bench/benches.h"

namespace {

using namespace chargewright::test;
using namespace std::chrono_literals;

constexpr int signals[] = {SIGKILL, SIGSTOP, SIGSEGV};

double monotonic_s() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

struct Kill {
  int signal = 0;
  double wait_s = 0;  // after the start of the run was asked for
  bool was_on = false;
  bool left_on = false;
  double took_s = 0;
};

class Storm {
 public:
  Storm(int kills, unsigned seed) : left_(kills), seed_(seed) {}

  // One bench, one life of the daemon after another.
  void rage(unsigned bench_number) {
    std::mt19937 random{seed_ + bench_number};
    BenchFiles files = buffer_bench({.capacitance = "6000 F", .charge_above = "1000 %"});
    files.dead_man_after = "200";
    ServedBench bench(files);
    while (left_.fetch_sub(1) > 0) keep(one(bench, random));
    if (!bench.start_daemon()) throw std::runtime_error("no last daemon");
    for (const auto& run : bench.runs()) {
      if (!run.at("end").is_object()) throw std::runtime_error("a record is not closed");
    }
  }

  bool report() {
    std::map<std::string, std::vector<double>> times;
    int was_off = 0, left_on = 0;
    for (const Kill& kill : kills_) {
      left_on += kill.left_on ? 1 : 0;
      was_off += kill.was_on ? 0 : 1;
      if (!kill.was_on) continue;
      times[strsignal(kill.signal)].push_back(kill.took_s);
      times["all"].push_back(kill.took_s);
    }
    std::cout << kills_.size() << " kills; in " << was_off
              << " the output was off by then; left on: " << left_on << '\n';
    for (auto& [name, list] : times) {
      std::ranges::sort(list);
      const auto at = [&](double share) {
        const auto index = static_cast<std::size_t>(share * static_cast<double>(list.size()));
        return list[std::min(index, list.size() - 1)] * 1e3;
      };
      std::cout << name << ": " << list.size() << " times, off after ms: median " << at(0.5)
                << ", p99 " << at(0.99) << ", p99.9 " << at(0.999) << ", worst " << at(1) << '\n';
    }
    return left_on == 0;
  }

 private:
  static Kill one(ServedBench& bench, std::mt19937& random) {
    if (!until([&] { return bench.start_daemon(); }, 120s)) {
      throw std::runtime_error("no daemon: " + bench.daemon().err());
    }
    if (!bench.trip().empty()) bench.command({"acknowledge"});
    until([&] { return bench.channel().at("state").as_string() == "off"; });
    bench.approve();
    Kill kill;
    kill.signal = signals[std::uniform_int_distribution<int>(0, 2)(random)];
    // Mostly while it charges; also while it arms, and before.
    kill.wait_s = std::uniform_real_distribution<double>(0, 1.2)(random);
    const auto client = bench.begin(
        {"start", bench.profile_file(), "--cell", bench.cell_file(), "--accept-cautions"});
    std::this_thread::sleep_for(std::chrono::duration<double>(kill.wait_s));
    const bool has_dead_man = bench.dead_man() > 0;
    const double at = monotonic_s();
    bench.daemon().signal(kill.signal);
    bench.end_daemon(0);  // its end, whatever ends it
    if (!has_dead_man || !bench.dead_man_exit(60s)) {
      throw std::runtime_error("its dead-man does not end");
    }
    kill.left_on = bench.simulator().output_is_on();
    bool on = false;
    for (const BenchEvent& event : bench.simulator().log()) {
      const bool goes_on = event.kind == "output-on";
      if (!goes_on && event.kind != "output-off") continue;
      if (event.monotonic_s < at) {
        on = goes_on;
      } else if (!goes_on) {
        kill.took_s = event.monotonic_s - at;
        kill.was_on = true;
      }
    }
    kill.was_on = kill.was_on || on;
    client->signal(SIGKILL);
    return kill;
  }

  void keep(const Kill& kill) {
    const std::lock_guard lock{mutex_};
    kills_.push_back(kill);
    if (kill.left_on) {
      std::cout << "LEFT ON after " << strsignal(kill.signal) << " at " << kill.wait_s << " s\n";
    }
    if (kills_.size() % 100 == 0) std::cout << kills_.size() << " kills\n" << std::flush;
  }

  std::atomic<int> left_;
  unsigned seed_;
  std::mutex mutex_;
  std::vector<Kill> kills_;
};

}  // namespace

int main(int argc, char** argv) {
  int kills = 1000;
  unsigned benches = 3;
  unsigned seed = std::random_device{}();
  CLI::App app{"Kills the daemon at random moments; the output must go off each time."};
  app.add_option("--kills", kills)->check(CLI::Range(1, 1'000'000))->capture_default_str();
  app.add_option("--benches", benches)->check(CLI::Range(1, 64))->capture_default_str();
  app.add_option("--seed", seed);
  CLI11_PARSE(app, argc, argv);
  std::cout << "seed " << seed << '\n';
  Storm storm{kills, seed};
  std::atomic<bool> failed = false;
  std::vector<std::thread> threads;
  for (unsigned k = 0; k < benches; ++k) {
    threads.emplace_back([&, k] {
      try {
        storm.rage(k);
      } catch (const std::exception& e) {
        failed = true;
        std::cout << "bench " << k << ": " << e.what() << '\n';
      }
    });
  }
  for (auto& thread : threads) thread.join();
  return storm.report() && !failed ? 0 : 1;
}

// Who still cuts, and how soon, when the watchers themselves fail: each of them stopped, slowed and
// made to spin, alone and in pairs, while the simulated cell is being charged. The daemon, its
// dead-man and the bench are processes; the service manager is played here, as the unit file tells
// it to act. The simulator's log says when the output went off.
//
// Where the failure itself need not cut (a service manager that sleeps), a reading that is no
// number is injected after some seconds: then this has to cut. A combination in which nothing cut
// is a failure, and so is one that was not tried.
//
//   watchers [--times N] [--jobs N] [--only TEXT] [--alone yes]
#include <fcntl.h>
#include <poll.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <csignal>
#include <cstdio>
#include <filesystem>
#include <iostream>
#include <map>
#include <mutex>
#include <thread>
#include <vector>

#include "tests/bench/benches.h"
#include "tests/bench/recorded.h"
#include "tests/support/places.h"
#include "tests/support/stall.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

enum class Watcher : std::uint8_t { readings, sequencer, guard, dead_man, daemon, manager };
constexpr const char* watcher_names[] = {"readings", "sequencer", "guard",
                                         "dead-man", "daemon",    "manager"};
constexpr const char* mode_names[] = {"", "stopped", "slowed", "spinning"};

struct Failure {
  Watcher watcher = Watcher::readings;
  stall_mode mode = stall_stopped;
};
using Failures = std::vector<Failure>;

std::string text_of(const Failures& failures) {
  std::string text;
  for (const Failure& failure : failures) {
    if (!text.empty()) text += " + ";
    text += watcher_names[static_cast<std::size_t>(failure.watcher)];
    text += ' ';
    text += mode_names[failure.mode];
  }
  return text;
}

bool fails(const Failures& failures, Watcher watcher) {
  return std::ranges::any_of(failures, [&](const Failure& f) { return f.watcher == watcher; });
}

// The limits that the bench below sets, and what each adds: seconds from the failure to off.
double limit_of(const Failures& failures) {
  const bool inside = fails(failures, Watcher::guard) || fails(failures, Watcher::daemon);
  if (inside && fails(failures, Watcher::dead_man)) return 8;  // watchdog 5 s, then `cut --direct`
  if (inside) return 0.25;                                     // and the instrument's own response
  if (fails(failures, Watcher::readings)) return 0.75;  // allowed age, and a reading's interval
  if (fails(failures, Watcher::sequencer)) return 1.0;  // heartbeat
  if (fails(failures, Watcher::dead_man)) return 1.0;   // its patience
  return 0.25;                                          // the injected reading: at its next turn
}

BenchFiles quick_bench() {
  BenchFiles files = buffer_bench({});
  const std::string slow = "    every: 50 ms\n    allowed-age: 2 s\n    heartbeat: 5 s\n";
  const auto at = files.bench.find(slow);
  if (at == std::string::npos) throw std::runtime_error("the bench has other times");
  files.bench.replace(at, slow.size(),
                      "    every: 50 ms\n    allowed-age: 500 ms\n    heartbeat: 1 s\n");
  files.dead_man_after = "200";
  return files;
}

class Control {
 public:
  explicit Control(const std::string& path) {
    const int fd = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    if (fd < 0 || ::ftruncate(fd, sizeof(stall_control)) != 0)
      throw std::runtime_error("no control");
    void* at = ::mmap(nullptr, sizeof(stall_control), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    ::close(fd);
    if (at == MAP_FAILED) throw std::runtime_error("no control");
    control_ = static_cast<stall_control*>(at);
    control_->slow_ms[stall_sequencer] = 1500;
    control_->slow_ms[stall_guard] = 450;
    control_->slow_ms[stall_daemon] = 450;
    control_->slow_ms[stall_dead_man] = 1500;
  }
  ~Control() {
    clear();
    ::munmap(control_, sizeof(stall_control));
  }
  Control(const Control&) = delete;
  Control& operator=(const Control&) = delete;
  void set(stall_party party, stall_mode mode) { control_->mode[party] = mode; }
  void clear() {
    for (auto& mode : control_->mode) mode = stall_not;
  }

 private:
  stall_control* control_;
};

// As the unit file has it: WatchdogSec=5, then SIGABRT for every process of the service, and
// ExecStopPost=chargewright cut --direct.
class Manager {
 public:
  explicit Manager(const std::string& path)
      : socket_(::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0)) {
    sockaddr_un name{};
    name.sun_family = AF_UNIX;
    path.copy(name.sun_path, sizeof name.sun_path - 1);
    if (::bind(socket_, reinterpret_cast<sockaddr*>(&name), sizeof name) != 0) {
      throw std::runtime_error("no socket for the service manager");
    }
  }
  ~Manager() {
    ends_ = true;
    if (thread_.joinable()) thread_.join();
    ::close(socket_);
  }
  Manager(const Manager&) = delete;
  Manager& operator=(const Manager&) = delete;
  void watch(ServedBench& bench) {
    const pid_t dead_man = bench.dead_man();
    thread_ = std::thread([this, &bench, dead_man] { work(bench, dead_man); });
  }
  void fail(stall_mode mode) { mode_ = mode; }
  [[nodiscard]] bool acted() const { return acted_; }

 private:
  void work(ServedBench& bench, pid_t dead_man) {
    auto fed = Clock::now();
    while (!ends_) {
      if (mode_ == stall_spinning) continue;
      if (mode_ == stall_stopped) {
        std::this_thread::sleep_for(5ms);
        continue;
      }
      pollfd wait{.fd = socket_, .events = POLLIN, .revents = 0};
      char text[1024];
      if (::poll(&wait, 1, 20) > 0) {
        const ssize_t size = ::recv(socket_, text, sizeof text - 1, 0);
        text[std::max<ssize_t>(size, 0)] = 0;
        if (std::string_view(text).find("WATCHDOG=1") != std::string_view::npos) fed = Clock::now();
        if (std::string_view(text).find("READY=1") != std::string_view::npos) fed = Clock::now();
      }
      const auto patience_s = mode_ == stall_slowed ? 15s : 5s;
      const bool dead = !bench.daemon().running();
      if (acted_ || (!dead && Clock::now() - fed < patience_s)) continue;
      acted_ = true;
      bench.daemon().signal(SIGABRT);
      ::kill(dead_man, dead ? SIGTERM : SIGABRT);  // not waited for yet: nobody else has its number
      bench.daemon().signal(SIGCONT);
      std::this_thread::sleep_for(100ms);
      bench.daemon().signal(SIGKILL);
      (void)run(
          {test::in_build("daemon/chargewright"), "cut", "--direct", "--bench", bench.bench_file()},
          20s);
    }
  }
  int socket_;
  std::thread thread_;
  std::atomic<bool> ends_ = false;
  std::atomic<bool> acted_ = false;
  std::atomic<stall_mode> mode_ = stall_not;
};

struct Cut {
  double took_s = -1;  // -1: the output stayed on
  bool on_demand = false;
  std::string by;
};

void inject(ServedBench& bench, Control& control, Manager& manager, const Failure& failure) {
  switch (failure.watcher) {
    case Watcher::readings:
      bench.simulator().control(failure.mode == stall_stopped  ? "fault mute meter"
                                : failure.mode == stall_slowed ? "fault slow meter 1 s"
                                                               : "fault garbage meter");
      return;
    case Watcher::sequencer:
      return control.set(stall_sequencer, failure.mode);
    case Watcher::guard:
      return control.set(stall_guard, failure.mode);
    case Watcher::dead_man:
      return control.set(stall_dead_man, failure.mode);
    case Watcher::daemon:
      if (failure.mode == stall_stopped) return bench.daemon().signal(SIGSTOP);
      return control.set(stall_daemon, failure.mode);
    case Watcher::manager:
      return manager.fail(failure.mode);
  }
}

// All that did, be it one after the other.
std::string who_cut(ServedBench& bench, const Manager& manager) {
  std::string by;
  std::error_code none;
  for (const auto& entry :
       std::filesystem::directory_iterator(bench.folder().path() + "/runs", none)) {
    if (entry.path().extension() != ".run") continue;
    const std::string cause =
        in_record(entry.path(), "SELECT cause FROM event WHERE cause <> '' ORDER BY id LIMIT 1");
    if (cause != "no answer") by = "guard (" + cause + ")";
  }
  const auto logged = std::filesystem::file_size(bench.dead_man_log(), none);
  if (!none && logged > 0) by += by.empty() ? "dead-man" : ", dead-man";
  if (manager.acted()) by += by.empty() ? "service manager" : ", service manager";
  return by.empty() ? "guard" : by;
}

Cut try_with(const Failures& failures) {
  ServedBench bench(quick_bench());
  Control control(bench.folder().path() + "/stall");
  Manager manager(bench.folder().path() + "/notify");
  if (!bench.start_daemon({"LD_PRELOAD=" + test::in_build("preloaded/stall.so"),
                           "STALL_CONTROL=" + bench.folder().path() + "/stall",
                           "NOTIFY_SOCKET=" + bench.folder().path() + "/notify",
                           "WATCHDOG_USEC=5000000"})) {
    throw std::runtime_error("the daemon does not start: " + bench.daemon().err());
  }
  const auto follower = bench.charge();
  manager.watch(bench);
  const auto now_s = [] {
    return std::chrono::duration<double>(Clock::now().time_since_epoch()).count();
  };
  double since = now_s();
  for (const Failure& failure : failures) inject(bench, control, manager, failure);
  Cut cut;
  const auto took = [&] { return bench.simulator().seconds_to("output-off", since); };
  std::optional<double> off;
  const bool must = fails(failures, Watcher::guard) || fails(failures, Watcher::daemon);
  if (!until([&] { return (off = took()).has_value(); }, must ? 25s : 4s) && !must) {
    cut.on_demand = true;
    since = now_s();
    bench.simulator().control("fault not-a-number meter");
    until([&] { return (off = took()).has_value(); }, 25s);
  }
  cut.took_s = off.value_or(-1);
  std::this_thread::sleep_for(300ms);  // who cut, tells
  cut.by = off ? who_cut(bench, manager) : "NOBODY";
  control.clear();
  bench.daemon().signal(SIGCONT);
  bench.daemon().signal(SIGKILL);
  return cut;
}

std::vector<Failures> combinations(bool alone) {
  std::vector<Failures> all;
  const auto watchers = {Watcher::readings, Watcher::sequencer, Watcher::guard,
                         Watcher::dead_man, Watcher::daemon,    Watcher::manager};
  const auto modes = {stall_stopped, stall_slowed, stall_spinning};
  for (const Watcher first : watchers) {
    for (const stall_mode one : modes) all.push_back({{first, one}});
  }
  if (alone) return all;
  for (const Watcher first : watchers) {
    for (const Watcher second : watchers) {
      if (second <= first) continue;
      for (const stall_mode one : modes) {
        for (const stall_mode two : modes) all.push_back({{first, one}, {second, two}});
      }
    }
  }
  return all;
}

double at_share(std::vector<double> sorted, double share) {
  std::ranges::sort(sorted);
  const auto index =
      static_cast<std::size_t>(std::ceil(share * static_cast<double>(sorted.size())));
  return sorted[std::min(index == 0 ? 0 : index - 1, sorted.size() - 1)];
}

int measure(int times, unsigned jobs, const std::string& only, bool alone) {
  std::vector<Failures> all = combinations(alone);
  std::erase_if(all, [&](const Failures& f) { return text_of(f).find(only) == std::string::npos; });
  std::vector<std::vector<Cut>> cuts(all.size());
  std::mutex mutex;
  std::atomic<std::size_t> next{0};
  const std::size_t trials = all.size() * static_cast<std::size_t>(times);
  std::vector<std::thread> workers;
  for (unsigned w = 0; w < jobs; ++w) {
    workers.emplace_back([&] {
      for (std::size_t i = next++; i < trials; i = next++) {
        Cut cut;
        for (int attempt = 0; attempt < 3 && cut.by.empty(); ++attempt) {
          try {
            cut = try_with(all[i % all.size()]);
          } catch (const std::exception& failure) {
            std::cerr << text_of(all[i % all.size()]) << ": " << failure.what() << '\n';
          }
        }
        const std::lock_guard lock(mutex);
        cuts[i % all.size()].push_back(cut);
      }
    });
  }
  for (std::thread& worker : workers) worker.join();
  int failed = 0;
  std::printf("%-42s %5s %9s %9s %9s %8s  %s\n", "failed", "times", "median s", "p99.9 s", "most s",
              "limit s", "cut by");
  for (std::size_t k = 0; k < all.size(); ++k) {
    std::vector<double> took;
    std::map<std::string, int> by;
    bool bad = cuts[k].size() != static_cast<std::size_t>(times);
    for (const Cut& cut : cuts[k]) {
      bad = bad || cut.took_s < 0;
      if (cut.took_s >= 0) took.push_back(cut.took_s);
      ++by[(cut.by.empty() ? std::string("NOT TRIED") : cut.by) +
           (cut.on_demand ? " (on demand)" : "")];
    }
    failed += bad ? 1 : 0;
    std::string names;
    for (const auto& [name, count] : by) names += name + ' ' + std::to_string(count) + "; ";
    if (took.empty()) took.push_back(-1);
    std::printf("%-42s %5zu %9.3f %9.3f %9.3f %8.2f  %s%s\n", text_of(all[k]).c_str(),
                cuts[k].size(), at_share(took, 0.5), at_share(took, 0.999), at_share(took, 1),
                limit_of(all[k]), names.c_str(), bad ? "FAILED" : "");
  }
  std::printf("%zu combinations, %d of them failed\n", all.size(), failed);
  return failed == 0 && !all.empty() ? 0 : 1;
}

}  // namespace
}  // namespace chargewright::test

int main(int count, char** words) {
  int times = 1;
  unsigned jobs = 4;
  std::string only;
  bool alone = false;
  for (int i = 1; i + 1 < count; i += 2) {
    const std::string word = words[i];
    if (word == "--times") times = std::stoi(words[i + 1]);
    if (word == "--jobs") jobs = static_cast<unsigned>(std::stoul(words[i + 1]));
    if (word == "--only") only = words[i + 1];
    if (word == "--alone") alone = true;
  }
  return chargewright::test::measure(times, jobs, only, alone);
}

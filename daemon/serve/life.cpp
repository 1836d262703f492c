#include "daemon/serve/life.h"

#include <csignal>
#include <ctime>
#include <thread>

#include "daemon/serve/end_times.h"
#include "daemon/state/disk.h"

namespace chargewright::daemon {
namespace {

using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;

constexpr auto look_every = 100ms;
// An instrument that is switched off must not keep the bench's other channels, nor the service,
// from coming up: its channel says that it is not verified off, and no run starts there.
constexpr auto ready_at_last = 10s;
constexpr auto guard_silent_max = 2s;
// The dead-man of a former life, if it is at work just now, needs less than this where all is well.
constexpr auto locks_free_within = 3s;
constexpr auto pulse_every = 1s;
constexpr auto server_silent_max = 10s;  // then nobody can say stop any more

sigset_t ends() {
  sigset_t set;
  sigemptyset(&set);
  sigaddset(&set, SIGTERM);
  sigaddset(&set, SIGINT);
  return set;
}

bool asked_to_end(std::chrono::nanoseconds wait) {
  const sigset_t set = ends();
  const timespec time{.tv_sec = 0, .tv_nsec = static_cast<long>(wait.count())};
  return ::sigtimedwait(&set, nullptr, &time) > 0;
}

WallTime wall() { return std::chrono::system_clock::now(); }

}  // namespace

void prepare_signals() {
  const sigset_t set = ends();
  ::pthread_sigmask(SIG_BLOCK, &set, nullptr);
  std::signal(SIGHUP, SIG_IGN);
  std::signal(SIGPIPE, SIG_IGN);
  std::signal(SIGXFSZ, SIG_IGN);  // a file that may not grow is an error of its writer
}

Life::Life(DaemonOptions options, DaemonFiles files, Log log)
    : options_(std::move(options)), files_(std::move(files)), log_(std::move(log)) {}

Life::~Life() { end(); }

void Life::died(const std::string& why) {
  dying_ = true;  // first: even a log that cannot be written ends us
  log_(LogLevel::critical, "a thread ended by a fault of our own: " + why);
}

drivers::Result<void> Life::begin() {
  if (auto taken = take_locks(); !taken) return taken.error();

  std::vector<std::string> links;
  for (const auto& instrument : files_.bench.instruments) {
    links.push_back(lasting_name(instrument.link));
  }
  auto state = StateStore::open(options_.state, files_.bench.name, names_of(files_.bench.channels),
                                wall(), links);
  if (!state) return state.error();
  state_ = std::move(*state);
  for (const auto& damage : state_->damage()) log_(LogLevel::critical, describe(damage));

  if (auto started = start_dead_man(); !started) return started.error();
  guard_ = std::make_unique<GuardWire>(
      files_.bench, guard_spec(files_.bench, files_.plant, files_.dialects, options_.speed, *state_,
                               dead_man_->side()));
  guard_->thread().start();

  if (auto made = make_folder(options_.runs); !made) return made.error();
  close_old_records();
  supervisor_ =
      std::make_unique<Supervisor>(Supervisor::Parts{.bench = files_.bench,
                                                     .policy = files_.policy,
                                                     .plant = files_.plant,
                                                     .dialects = files_.dialects,
                                                     .files = files_.recorded,
                                                     .runs_folder = options_.runs,
                                                     .speed = options_.speed,
                                                     .guard = *guard_,
                                                     .state = *state_,
                                                     .backlog = backlog_,
                                                     .wall = wall,
                                                     .log = log_,
                                                     .proved_off = proved_off(former_end_)},
                                   [this](const std::string& why) { died(why); });
  tell_former_end();
  auto server = Server::start(options_.socket, *supervisor_, backlog_,
                              [this](const std::string& why) { died(why); });
  if (!server) return server.error();
  server_ = std::move(*server);
  supervisor_->start_resuming();  // now that a person can cut
  return {};
}

drivers::Result<void> Life::take_locks() {
  std::vector<drivers::LinkAddress> links;
  for (const auto& instrument : files_.bench.instruments) links.push_back(instrument.link);
  const auto deadline = Clock::now() + locks_free_within;
  for (;;) {
    auto locks = lock_bench(options_.state, files_.bench.name, links);
    if (locks) {
      locks_ = std::move(*locks);
      return {};
    }
    if (Clock::now() >= deadline) return locks.error();
    std::this_thread::sleep_for(look_every);
  }
}

// Before the first thread, and before anything could be energised (S6).
drivers::Result<void> Life::start_dead_man() {
  const std::string log = options_.state + '/' + file_name_of(files_.bench.name) + "/dead-man.log";
  former_end_ = take_dead_man_log(log);
  for (const auto& line : former_end_) log_(LogLevel::warning, "dead-man, before: " + line);
  std::vector<int> locks;
  for (const Lock& lock : locks_) locks.push_back(lock.descriptor());
  const auto late_after = std::chrono::milliseconds(options_.dead_man_after_ms);
  auto dead_man = DeadMan::start(find_dead_man(), cut_sheet_of(files_, log, late_after), locks);
  if (!dead_man) return dead_man.error();
  dead_man_ = std::move(*dead_man);
  log_(LogLevel::info, "the dead-man is process " + std::to_string(dead_man_->id()));
  return {};
}

void Life::tell_former_end() {
  if (former_end_.empty()) return;
  boost::json::array lines(former_end_.begin(), former_end_.end());
  supervisor_->tell({{"kind", "dead-man-cut"}, {"log", std::move(lines)}});
}

void Life::close_old_records() {
  const auto closed = close_interrupted(options_.runs, files_.bench.name, wall());
  if (!closed) return log_(LogLevel::warning, describe(closed.error()));
  for (const auto& path : *closed) log_(LogLevel::warning, "closed as interrupted: " + path);
}

void Life::tell_priority() {
  if (options_.speed != 1) return;  // a simulated bench in a time of its own
  const safety::Priority priority = guard_->thread().priority();
  const bool all = priority.real_time && priority.locked;
  log_(all ? LogLevel::info : LogLevel::warning, safety::describe(priority));
}

std::string Life::waiting_for() {
  safety::Snapshot snapshot;
  guard_->snapshot(snapshot);
  std::string channels;
  for (std::size_t i = 0; i < files_.bench.channels.size(); ++i) {
    const auto state = snapshot.channel[i].state;
    // Before the guard's first publication there are no channels in it at all.
    const bool begun = snapshot.channels > i;
    if (begun && state != safety::State::unknown && state != safety::State::cutting) continue;
    channels += (channels.empty() ? "" : ", ") + files_.bench.channels[i].name;
  }
  if (channels.empty()) return {};
  std::string text = "not verified off: " + channels;
  const auto instruments = guard_->thread().instruments();
  for (std::size_t i = 0; i < instruments.size() && i < files_.bench.instruments.size(); ++i) {
    if (instruments[i].answers) continue;
    text += instruments[i].up ? "; no answer from " : "; no link to ";
    text += files_.bench.instruments[i].name;
  }
  return text;
}

bool Life::watch() {
  const auto began = Clock::now();
  bool ready = false;
  std::uint64_t beats = 0;
  auto beat_at = began;
  std::uint64_t pulses = 0;
  auto pulse_at = began;
  auto pulsed = began;
  while (!dying_) {
    if (asked_to_end(look_every)) return true;
    const auto now = Clock::now();
    const std::uint64_t beats_now = guard_->thread().beats();
    if (beats_now != beats) {
      beats = beats_now;
      beat_at = now;
    }
    if (now - pulsed >= pulse_every) {
      pulsed = now;
      if (const auto pulses_now = server_->pulse(); pulses_now != pulses) {
        pulses = pulses_now;
        pulse_at = now;
      }
    }
    if (now - pulse_at > server_silent_max) died("the control socket's thread is silent");
    supervisor_->watch_the_disk(now);
    manager_.alive(beats_now, now);
    if (!guard_->thread().alive()) died("the guard ended: " + guard_->thread().death());
    if (now - beat_at > guard_silent_max) died("the guard is silent");

    const std::string waiting = waiting_for();
    if (!ready && (waiting.empty() || now - began > ready_at_last)) {
      ready = true;
      tell_priority();
      manager_.ready(waiting.empty() ? "every output is verified off" : waiting);
      log_(waiting.empty() ? LogLevel::info : LogLevel::warning,
           waiting.empty() ? "ready: every output is verified off" : "ready, but " + waiting);
    }
    manager_.status(waiting.empty() ? "guarding" : waiting);
  }
  return false;
}

bool Life::end() {
  if (!guard_) return true;
  const EndTimes times = end_times(files_.plant, options_.speed);
  manager_.stopping(times.all());
  // Runs first, in good order: their outputs go off through the guard, their records are closed.
  if (supervisor_) supervisor_->shut_down(dying_ ? 1s : times.runs);
  const bool off = guard_->thread().stop();
  log_(off ? LogLevel::info : LogLevel::critical,
       off ? "every output is verified off" : "NOT every output is verified off");
  server_.reset();      // nobody calls the supervisor any more
  supervisor_.reset();  // after a last look at the guard's events
  guard_.reset();
  dead_man_.reset();
  return off;
}

void Life::last_resort() {
  if (guard_) guard_->thread().stop();
}

}  // namespace chargewright::daemon

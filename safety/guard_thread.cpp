#include "safety/guard_thread.h"

#include <sys/eventfd.h>
#include <sys/timerfd.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/lockfree/spsc_queue.hpp>
#include <ctime>
#include <mutex>
#include <stdexcept>
#include <system_error>
#include <thread>

#include "safety/published.h"

namespace chargewright::safety {
namespace {

namespace asio = boost::asio;
using drivers::Instant;
using namespace std::chrono_literals;
using Real = std::chrono::steady_clock;

constexpr std::size_t requests_most = 256;
constexpr std::size_t events_most = 32'768;
constexpr int exceptions_most = 3;  // in a life
// Longest wait, so that beats() grows and the dead-man hears of it.
constexpr std::chrono::nanoseconds beat = DeadManSide::beat_longest;

int checked(int descriptor, const char* what) {
  if (descriptor < 0) throw std::system_error(errno, std::generic_category(), what);
  return descriptor;
}

// The one that goes on while the machine sleeps: nobody guards meanwhile, and what was read before
// must not pass for young when it wakes (S3).
std::chrono::nanoseconds since_boot() {
  timespec time{};
  ::clock_gettime(CLOCK_BOOTTIME, &time);
  return std::chrono::seconds{time.tv_sec} + std::chrono::nanoseconds{time.tv_nsec};
}

// The scaled clock. With factor 1 an Instant is the time since the machine booted.
class Clock {
 public:
  explicit Clock(double factor) : factor_(factor), began_(since_boot()) {}
  [[nodiscard]] Instant now() const {
    return Instant{began_} + scaled(since_boot() - began_, factor_);
  }
  [[nodiscard]] std::chrono::nanoseconds until(Instant then) const {
    if (then == drivers::never) return beat;
    const Instant present = now();
    if (then <= present) return 0ns;
    return std::min<std::chrono::nanoseconds>(scaled(then - present, 1 / factor_), beat);
  }

 private:
  static std::chrono::nanoseconds scaled(std::chrono::nanoseconds d, double factor) {
    if (factor == 1) return d;
    const double ns = static_cast<double>(d.count()) * factor;
    return std::chrono::nanoseconds{ns < 9e18 ? static_cast<std::int64_t>(ns) : INT64_MAX};
  }
  double factor_;
  std::chrono::nanoseconds began_;
};

}  // namespace

class GuardThread::Loop final : ByteSink {
 public:
  explicit Loop(GuardThreadSpec spec);
  ~Loop() override;

  void start();
  bool stop();
  bool request(const Request& request);

  boost::lockfree::spsc_queue<Event, boost::lockfree::capacity<events_most>> events;
  std::atomic<std::uint64_t> events_lost{0};
  std::atomic<std::uint64_t> beats{0};
  std::atomic<bool> alive{false};
  Published<Snapshot> snapshot;
  Published<std::array<InstrumentStatus, max_instruments>> status;
  Published<std::array<char, 256>> death;
  Published<Priority> priority;
  Clock clock;
  std::size_t instrument_count;

 private:
  // One link, and which it is.
  struct Line final : drivers::LinkUser {
    Line(Loop& l, drivers::InstrumentId k) : loop(l), id(k) {}
    void link_up() override { loop.wires_.link_up(id, loop.clock.now()); }
    void link_down(const std::string&) override { loop.wires_.link_down(id, loop.clock.now()); }
    void link_received(std::string_view bytes) override {
      loop.wires_.received(id, bytes, loop.clock.now());
    }

    Loop& loop;
    drivers::InstrumentId id;
    std::unique_ptr<drivers::Link> link;
  };

  bool write(drivers::InstrumentId link, std::string_view bytes) override {
    return lines_[link]->link->write(bytes);
  }
  void run();
  void run_guarded();
  void one_wait();
  void pump();
  void take_requests(Instant now);
  void beat_dead_man();
  void give_events();
  void publish(Instant now);
  void await_wake();
  void await_timer();
  void set_timer(std::chrono::nanoseconds wait);
  void last_resort(const char* why);

  bool real_time_;
  std::chrono::milliseconds stop_within_;
  std::shared_ptr<DeadManSide> dead_man_;
  asio::io_context context_{1};
  asio::posix::stream_descriptor wake_;
  asio::posix::stream_descriptor timer_;
  Wires wires_;
  std::vector<std::unique_ptr<Line>> lines_;

  std::mutex requesters_;  // among those who ask; the guard never takes it
  boost::lockfree::spsc_queue<Request, boost::lockfree::capacity<requests_most>> requests_;
  std::atomic<std::uint32_t> cuts_{0};  // one bit for each channel
  std::atomic<bool> stopping_{false};
  std::atomic<bool> all_off_{false};
  bool shutting_down_ = false;
  Real::time_point give_up_at_{};
  Snapshot scratch_;
  Real::time_point status_at_{};
  std::uint32_t status_changes_ = 0;
  std::array<InstrumentStatus, max_instruments> status_scratch_{};
  std::thread thread_;
};

// ---- life ---------------------------------------------------------------------------------------

GuardThread::Loop::Loop(GuardThreadSpec spec)
    : clock(spec.speed),
      instrument_count(spec.instruments.size()),
      real_time_(spec.real_time && spec.speed == 1),
      stop_within_(spec.stop_within),
      dead_man_(spec.dead_man),
      wake_(context_, checked(eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC), "eventfd")),
      timer_(context_,
             checked(timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC), "timerfd")),
      wires_(spec.plant, std::move(spec.instruments), spec.speed, *this) {
  if (instrument_count != spec.links.size()) {
    throw std::invalid_argument("guard thread: every instrument needs one link");
  }
  if (dead_man_) wires_.attended();
  for (const Fault& trip : spec.trips) wires_.restore_trip(trip);
  for (const auto& [channel, limits] : spec.limits) wires_.restore_limits(channel, limits);
  for (std::size_t k = 0; k < spec.links.size(); ++k) {
    lines_.push_back(std::make_unique<Line>(*this, static_cast<drivers::InstrumentId>(k)));
    Line& line = *lines_.back();
    line.link = spec.make_link ? spec.make_link(context_, spec.links[k], line)
                               : drivers::make_link(context_, spec.links[k], line);
  }
}

GuardThread::Loop::~Loop() { stop(); }

void GuardThread::Loop::start() {
  if (thread_.joinable()) return;
  alive = true;
  thread_ = std::thread([this] { run(); });
}

bool GuardThread::Loop::stop() {
  if (!thread_.joinable()) return all_off_;
  stopping_ = true;
  const std::uint64_t one = 1;
  [[maybe_unused]] const auto written = ::write(wake_.native_handle(), &one, sizeof one);
  thread_.join();
  return all_off_;
}

bool GuardThread::Loop::request(const Request& request) {
  bool taken = true;
  if (request.kind == Request::Kind::cut && request.channel < max_channels) {
    cuts_.fetch_or(1U << request.channel);
  } else {
    const std::lock_guard lock(requesters_);
    taken = requests_.push(request);
  }
  const std::uint64_t one = 1;
  [[maybe_unused]] const auto written = ::write(wake_.native_handle(), &one, sizeof one);
  return taken;
}

// ---- the loop -----------------------------------------------------------------------------------

void GuardThread::Loop::run() {
  if (real_time_) priority.write(take_priority());
  int exceptions = 0;
  bool started = false;
  std::size_t opened = 0;
  for (;;) {
    try {
      if (!started) {
        started = true;
        await_wake();
        await_timer();
        wires_.start(clock.now());
      }
      if (exceptions > 0) {
        // What threw may have left anything: cut, and go on only to see the cut through.
        wires_.internal_fault(clock.now());
      }
      // One that throws does not keep the links behind it from being opened and cut.
      while (opened < lines_.size()) lines_[opened++]->link->start();
      run_guarded();
      break;
    } catch (const std::exception& e) {
      if (++exceptions >= exceptions_most) {
        last_resort(e.what());
        break;
      }
    } catch (...) {
      if (++exceptions >= exceptions_most) {
        last_resort("an exception of unknown kind");
        break;
      }
    }
  }
  // Closing a port may take longer than the dead-man is patient: it is told before what it need not
  // cut. What it has to cut it can only reach when our links are closed.
  if (dead_man_ && all_off_) dead_man_->end(true);
  for (auto& line : lines_) {
    try {
      line->link->stop();
    } catch (...) {
      continue;  // the other links still need closing
    }
  }
  if (dead_man_ && !all_off_) dead_man_->end(false);
  alive = false;
}

void GuardThread::Loop::run_guarded() {
  for (;;) {
    beat_dead_man();
    pump();
    if (stopping_ && !shutting_down_) {
      shutting_down_ = true;
      give_up_at_ = Real::now() + stop_within_;
      wires_.shut_down(clock.now());
      pump();
    }
    if (shutting_down_) {
      all_off_ = wires_.all_off();
      if (all_off_ || Real::now() >= give_up_at_) return;
    }
    one_wait();
    beats.fetch_add(1, std::memory_order_release);
  }
}

// S6, both ways: the dead-man hears that this loop goes round, and this loop that somebody hears.
void GuardThread::Loop::beat_dead_man() {
  if (!dead_man_ || dead_man_->beat(Instant{Real::now().time_since_epoch()})) return;
  wires_.dead_man_lost(clock.now());
}

void GuardThread::Loop::one_wait() {
  set_timer(clock.until(wires_.wake()));
  if (context_.stopped()) context_.restart();
  context_.run_one();
}

void GuardThread::Loop::set_timer(std::chrono::nanoseconds wait) {
  itimerspec when{};
  const auto ns = std::max<std::int64_t>(wait.count(), 1);  // 0 would disarm it
  when.it_value.tv_sec = static_cast<time_t>(ns / 1'000'000'000);
  when.it_value.tv_nsec = static_cast<long>(ns % 1'000'000'000);
  checked(timerfd_settime(timer_.native_handle(), 0, &when, nullptr), "timerfd_settime");
}

void GuardThread::Loop::await_timer() {
  timer_.async_wait(
      asio::posix::stream_descriptor::wait_read, [this](const boost::system::error_code& error) {
        if (error) return;
        std::uint64_t count = 0;
        [[maybe_unused]] const auto got = ::read(timer_.native_handle(), &count, sizeof count);
        await_timer();
      });
}

void GuardThread::Loop::await_wake() {
  wake_.async_wait(
      asio::posix::stream_descriptor::wait_read, [this](const boost::system::error_code& error) {
        if (error) return;
        std::uint64_t count = 0;
        [[maybe_unused]] const auto got = ::read(wake_.native_handle(), &count, sizeof count);
        await_wake();
      });
}

void GuardThread::Loop::pump() {
  const Instant now = clock.now();
  take_requests(now);
  wires_.pump(now);
  give_events();
  publish(now);
}

void GuardThread::Loop::take_requests(Instant now) {
  const std::uint32_t cuts = cuts_.exchange(0);
  for (std::uint8_t channel = 0; channel < max_channels; ++channel) {
    if ((cuts & (1U << channel)) == 0) continue;
    Request cut;
    cut.kind = Request::Kind::cut;
    cut.channel = channel;
    wires_.request(cut, now);
  }
  Request request;
  for (std::size_t k = 0; k < requests_most && requests_.pop(request); ++k) {
    wires_.request(request, now);
  }
}

void GuardThread::Loop::give_events() {
  Event event;
  while (wires_.take_event(event)) {
    if (!events.push(event)) events_lost.fetch_add(1, std::memory_order_relaxed);
  }
}

void GuardThread::Loop::publish(Instant now) {
  wires_.snapshot(scratch_, now);
  snapshot.write(scratch_,
                 sizeof(Snapshot) - (max_channels - scratch_.channels) * sizeof(ChannelSnapshot));
  const Real::time_point present = Real::now();
  if (present < status_at_ && status_changes_ == wires_.changes()) return;
  status_at_ = present + beat;
  status_changes_ = wires_.changes();
  for (const auto& line : lines_) wires_.status(line->id, status_scratch_[line->id]);
  status.write(status_scratch_);
}

// The loop cannot go on: off by the shortest way, then the end. The watchdogs outside see that the
// beats have stopped.
void GuardThread::Loop::last_resort(const char* why) {
  std::array<char, 256> said{};
  std::string_view(why).copy(said.data(), said.size() - 1);
  death.write(said);
  wires_.last_resort(clock.now());
}

// ---- the handle ---------------------------------------------------------------------------------

GuardThread::GuardThread(GuardThreadSpec spec) : loop_(std::make_unique<Loop>(std::move(spec))) {}
GuardThread::~GuardThread() = default;

void GuardThread::start() { loop_->start(); }
bool GuardThread::stop() { return loop_->stop(); }
bool GuardThread::request(const Request& request) { return loop_->request(request); }
bool GuardThread::take_event(Event& event) { return loop_->events.pop(event); }
std::uint64_t GuardThread::events_lost() const { return loop_->events_lost; }
std::uint64_t GuardThread::beats() const { return loop_->beats; }
bool GuardThread::alive() const { return loop_->alive; }
Instant GuardThread::now() const { return loop_->clock.now(); }

Snapshot GuardThread::snapshot() const {
  Snapshot copy;
  loop_->snapshot.read(copy);
  return copy;
}

std::vector<InstrumentStatus> GuardThread::instruments() const {
  std::array<InstrumentStatus, max_instruments> copy;
  loop_->status.read(copy);
  return {copy.begin(), copy.begin() + static_cast<std::ptrdiff_t>(loop_->instrument_count)};
}

Priority GuardThread::priority() const {
  Priority copy;
  loop_->priority.read(copy);
  return copy;
}

std::string GuardThread::death() const {
  std::array<char, 256> said{};
  loop_->death.read(said);
  return said.data();
}

}  // namespace chargewright::safety

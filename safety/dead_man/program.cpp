// chargewright-dead-man: cuts when the daemon dies or hangs (S6). Started by chargewrightd, never
// by hand: descriptor 3 is the pipe to it, 4 a pidfd of it, and from 5 on as many locks of the
// bench as the argument says, so that nobody else takes the bench before it is off.
//
// The shell around watch.h and cut.h: one thread, no file but its log.

#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/un.h>
#include <unistd.h>

#include <boost/asio/io_context.hpp>
#include <cerrno>
#include <charconv>
#include <climits>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <ctime>
#include <exception>
#include <utility>

#include "drivers/link.h"
#include "safety/dead_man/cut.h"
#include "safety/dead_man/locks.h"
#include "safety/dead_man/watch.h"
#include "safety/dead_man/wire.h"

namespace {

using namespace chargewright;
using namespace chargewright::safety;
using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;
using drivers::Instant;

constexpr auto sheet_within = 5s;
constexpr auto first_beat_within = 10s;
// A supply that comes back after a while is still cut. A daemon that starts meanwhile does the
// same, so the locks go earlier; once there is one, the bench is left to it.
constexpr auto cut_within = 10min;
constexpr auto locked_within = 20s;
constexpr auto look_every = 50ms;  // whether there is one
constexpr auto taken_after = 3s;   // a daemon begins by telling every output off, and arms later
constexpr auto log_every = 5s;     // while not all is off; then at once
constexpr int disk_within_ms = 1000;
constexpr int priority = 20;

Instant present() { return Instant{Clock::now().time_since_epoch()}; }

// SIGABRT too: the service manager's watchdog signals every process of the service with it. An
// abort() of our own still ends the process.
void ignore_signals() {
  for (const int signal : {SIGINT, SIGTERM, SIGHUP, SIGQUIT, SIGABRT, SIGPIPE, SIGUSR1, SIGUSR2,
                           SIGALRM, SIGTSTP, SIGTTIN, SIGTTOU}) {
    std::signal(signal, SIG_IGN);
  }
  std::signal(SIGCHLD, SIG_IGN);  // nobody waits for the children that write the log
  sigset_t none;
  sigemptyset(&none);
  ::sigprocmask(SIG_SETMASK, &none, nullptr);
}

// Where they are permitted: what is built by now stays in memory, and this runs before others.
void take_precedence() {
  ::mlockall(MCL_CURRENT);  // not what comes later: a limit would make that fail
  sched_param wanted{};
  wanted.sched_priority = priority;
  ::sched_setscheduler(0, SCHED_FIFO | SCHED_RESET_ON_FORK, &wanted);
}

void tell_service_manager(const std::string& status) {
  const char* const path = std::getenv("NOTIFY_SOCKET");
  sockaddr_un to{};
  if (path == nullptr || path[0] == '\0' || std::strlen(path) >= sizeof to.sun_path) return;
  to.sun_family = AF_UNIX;
  const std::size_t size = std::strlen(path);
  std::memcpy(to.sun_path, path, size);
  if (path[0] == '@') to.sun_path[0] = '\0';
  const int fd = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  if (fd < 0) return;
  const std::string text = "STATUS=dead-man: " + status;
  ::sendto(fd, text.data(), text.size(), MSG_NOSIGNAL | MSG_DONTWAIT,
           reinterpret_cast<const sockaddr*>(&to),
           static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + size));
  ::close(fd);
}

std::string stamp() {
  timespec now{};
  ::clock_gettime(CLOCK_REALTIME, &now);
  tm parts{};
  ::gmtime_r(&now.tv_sec, &parts);
  char text[48];
  const auto size = std::strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%S", &parts);
  std::snprintf(text + size, sizeof text - size, ".%03ldZ", now.tv_nsec / 1'000'000);
  return text;
}

// The log file, and what waits to be written there.
class Log {
 public:
  explicit Log(const std::string& path)
      : fd_(::open(path.c_str(), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0640)) {}
  ~Log() { ::close(fd_); }
  Log(const Log&) = delete;
  Log& operator=(const Log&) = delete;
  [[nodiscard]] bool is_open() const { return fd_ >= 0; }
  void begin(Instant at) { began_ = at; }
  void note(Instant at, const std::string& text) {
    char time[32];
    std::snprintf(time, sizeof time,
                  " %+.1f ms: ", std::chrono::duration<double, std::milli>(at - began_).count());
    waiting_ += stamp() + time + text + '\n';
  }
  void flush() {
    if (waiting_.empty()) return;
    keep();
    waiting_.clear();
  }
  // By a child, one at a time: a disk that hangs must not delay the cut.
  void flush_aside() {
    if (!waiting_.empty() && writer_ended(0)) write_aside();
  }
  // For good, also behind a child that hangs. What is left waits for flush().
  void flush_at_last() {
    writer_ended(disk_within_ms);
    if (!waiting_.empty()) write_aside();
    writer_ended(disk_within_ms);
  }

 private:
  void keep() const {
    [[maybe_unused]] const auto written = ::write(fd_, waiting_.data(), waiting_.size());
    ::fsync(fd_);
  }
  void write_aside() {
    const pid_t child = ::fork();
    if (child == 0) {
      // The locks, the links and the serial ports are not its own.
      ::close_range(0, static_cast<unsigned>(fd_ - 1), 0);
      ::close_range(static_cast<unsigned>(fd_ + 1), UINT_MAX, 0);
      keep();
      ::_exit(0);
    }
    if (child < 0) return;
    waiting_.clear();
    if (writer_ >= 0) ::close(writer_);
    writer_ = static_cast<int>(::syscall(SYS_pidfd_open, child, 0));  // none: it has ended
  }
  bool writer_ended(int within_ms) {
    if (writer_ < 0) return true;
    pollfd end{.fd = writer_, .events = POLLIN, .revents = 0};
    if (::poll(&end, 1, within_ms) == 0) return false;
    ::close(std::exchange(writer_, -1));
    return true;
  }
  int fd_;
  int writer_ = -1;  // a pidfd of the child that writes
  Instant began_{};
  std::string waiting_;
};

// One link of the sheet, closed until the cut. Where it has several addresses they are tried in
// turn, each once at a time.
class Wire : public drivers::LinkUser {
 public:
  Wire(boost::asio::io_context& io, Cut& cut, std::size_t index, const CutLink& sheet)
      : cut_(cut), index_(index) {
    add(io, sheet.address);
    for (const std::string& address : sheet.more_addresses) add(io, address);
  }
  void start() { links_[at_]->start(); }
  void stop() {
    links_[at_]->stop();
    next_at_ = drivers::never;
  }
  void link_up() override {
    was_up_ = true;
    cut_.link_up(index_, present());
    flush();
  }
  void link_down(const std::string& why) override {
    // Why the others do not open is not told: each in turn would fill the log.
    if (was_up_ || at_ == 0) cut_.link_down(index_, why, present());
    was_up_ = false;
    if (links_.size() == 1) return;
    links_[at_]->stop();
    at_ = (at_ + 1) % links_.size();
    next_at_ = present() + pause;
  }
  void link_received(std::string_view bytes) override { cut_.receive(index_, bytes, present()); }
  void turn() {
    if (present() >= next_at_) {
      next_at_ = drivers::never;
      start();
    }
    flush();
  }

 private:
  static constexpr auto pause = 5ms;  // before the next address

  void add(boost::asio::io_context& io, const std::string& address) {
    links_.push_back(
        drivers::make_link(io, *drivers::parse_link(address), *this,
                           {.connect = 500ms, .back_off_first = pause, .back_off_longest = 100ms}));
  }
  void flush() {
    if (!links_[at_]->is_up()) return;
    const std::string bytes = cut_.take_to_write(index_, present());
    if (!bytes.empty()) links_[at_]->write(bytes);
  }

  Cut& cut_;
  std::size_t index_;
  std::vector<std::unique_ptr<drivers::Link>> links_;  // by address
  std::size_t at_ = 0;                                 // the one in use
  bool was_up_ = false;
  Instant next_at_ = drivers::never;
};

class DeadMan {
 public:
  DeadMan(CutSheet sheet, int locks) : sheet_(std::move(sheet)), locks_(locks), log_(sheet_.log) {
    build();
  }
  [[nodiscard]] bool can_log() const { return log_.is_open(); }

  Watch::Verdict watch() {
    Watch watch{sheet_.late_after, first_beat_within, present()};
    for (;;) {
      const auto wait = std::max<drivers::Duration>(watch.wake() - present(), 0ns);
      const timespec time{.tv_sec = wait / 1s, .tv_nsec = (wait % 1s).count()};
      pollfd pipe{.fd = wire_pipe, .events = POLLIN, .revents = 0};
      ::ppoll(&pipe, 1, &time, nullptr);
      drain(watch);
      const auto verdict = watch.judge(present());
      if (verdict == Watch::Verdict::lives) continue;
      last_beat_ = watch.last_beat();
      return verdict;
    }
  }

  // True: every output verified off.
  bool cut(Watch::Verdict why) {
    const Instant began = present();
    // A daemon that hangs may come back, and holds its serial ports. The pidfd is of that very
    // process, whatever became of its number. (glibc 2.36 declares its wrapper not for C++.)
    if (why != Watch::Verdict::gave_up) {
      ::syscall(SYS_pidfd_send_signal, wire_daemon, SIGKILL, nullptr, 0);
    }
    log_.begin(began);
    logged_ = began;
    cut_->begin(began);
    start_links(true);
    start_links(false);
    log_.note(began, reason(why, began));
    tell_service_manager("the daemon is gone; cutting");
    bool off = prove(began);
    // A lost piece of a TCP stream is sent again after some 200 ms, and once more after 600 ms.
    if (off) rest(1s);
    if (off && !look_for_another()) {
      log_.note(present(), "once more");
      cut_->again(present());
      off = prove(began);
    }
    take_notes();
    std::string end =
        off ? "every output is verified off" + cut_->doubts() : "NOT every output is verified off";
    if (taken_) end += "; another daemon has the bench";
    log_.note(present(), end);
    tell_service_manager(end);
    log_.flush_at_last();
    locks_.release();  // whatever hangs from here on
    std::fprintf(stderr, "chargewright-dead-man: the daemon is gone; %s\n", end.c_str());
    log_.flush();
    return off;
  }

  // The links, closed, and a cut that has not begun.
  void build() {
    wires_.clear();
    io_ = std::make_unique<boost::asio::io_context>(1);
    cut_ = std::make_unique<Cut>(sheet_);
    for (std::size_t i = 0; i < sheet_.links.size(); ++i) {
      wires_.push_back(cut_->uses(i) ? std::make_unique<Wire>(*io_, *cut_, i, sheet_.links[i])
                                     : nullptr);
    }
  }

 private:
  // Until every output is verified off, or it is given up.
  bool prove(Instant began) {
    while (!cut_->finished(present()) && present() - began < cut_within && !taken_) {
      turn();
      if (cut_->all_off() || present() - logged_ > log_every) {
        logged_ = present();
        take_notes();
        log_.flush_aside();
      }
      if (present() - began > locked_within) locks_.release();
      if (present() - looked_ > look_every) look_for_another();
    }
    return cut_->all_off();
  }

  // What it has switched on is for it alone to cut. One that has the bench for a moment only has
  // failed as it started, before it told any output off.
  bool look_for_another() {
    looked_ = present();
    if (taken_) return true;
    if (!locks_.taken_by_another()) {
      free_ = looked_;
      return false;
    }
    if (looked_ - free_ < taken_after) return false;
    taken_ = true;
    for (const auto& wire : wires_) {
      if (wire) wire->stop();
    }
    return true;
  }

  void rest(drivers::Duration time) {
    for (const Instant end = present() + time; present() < end;) turn();
  }

  // Everything that is queued, so that it is read before lateness is judged; then as many answers.
  static void drain(Watch& watch) {
    char bytes[256];
    for (int reads = 0; reads < 64; ++reads) {
      const auto count = ::recv(wire_pipe, bytes, sizeof bytes, MSG_DONTWAIT);
      if (count > 0) {
        watch.received({bytes, static_cast<std::size_t>(count)}, present());
        continue;
      }
      if (count == 0 || !is_only_for_now(errno)) watch.closed(present());
      break;
    }
    if (watch.take_heard() > 0) {
      const char heard = wire_heard;
      ::send(wire_pipe, &heard, 1, MSG_DONTWAIT | MSG_NOSIGNAL);
    }
  }

  // Those that open at once before those that take a while.
  void start_links(bool tcp) {
    for (std::size_t i = 0; i < wires_.size(); ++i) {
      if (wires_[i] && sheet_.links[i].address.starts_with("tcp:") == tcp) wires_[i]->start();
    }
  }

  void turn() {
    constexpr auto look = 5ms;
    io_->restart();
    const auto wait = std::clamp<drivers::Duration>(cut_->wake() - present(), 0ns, look);
    if (io_->run_one_for(wait) > 0) io_->poll();
    cut_->turn(present());
    for (const auto& wire : wires_) {
      if (wire) wire->turn();
    }
  }

  void take_notes() {
    for (const auto& note : cut_->take_notes()) log_.note(note.at, note.text);
  }

  std::string reason(Watch::Verdict why, Instant now) const {
    char age[48];
    std::snprintf(age, sizeof age, "; its guard's last beat was %.0f ms ago",
                  std::chrono::duration<double, std::milli>(now - last_beat_).count());
    return std::string(describe(why)) + age;
  }

  CutSheet sheet_;
  BenchLocks locks_;
  bool taken_ = false;  // by another daemon, since
  Log log_;
  Instant last_beat_{};
  Instant logged_{};
  Instant looked_{};  // whether it is
  Instant free_{};    // the last time that it was not
  std::unique_ptr<boost::asio::io_context> io_;
  std::unique_ptr<Cut> cut_;
  std::vector<std::unique_ptr<Wire>> wires_;
};

bool read_whole(char* into, std::size_t size, Clock::time_point deadline) {
  while (size > 0) {
    const auto left =
        std::chrono::duration_cast<std::chrono::milliseconds>(deadline - Clock::now());
    pollfd pipe{.fd = wire_pipe, .events = POLLIN, .revents = 0};
    if (left <= 0ms || ::poll(&pipe, 1, static_cast<int>(left.count())) <= 0) return false;
    const auto count = ::recv(wire_pipe, into, size, 0);
    if (count <= 0) return false;
    into += count;
    size -= static_cast<std::size_t>(count);
  }
  return true;
}

drivers::Result<CutSheet> receive_sheet() {
  const auto deadline = Clock::now() + sheet_within;
  std::uint64_t size = 0;
  std::string bytes;
  if (read_whole(reinterpret_cast<char*>(&size), sizeof size, deadline) &&
      size <= cut_sheet_bytes_max) {
    bytes.resize(size);
    if (read_whole(bytes.data(), bytes.size(), deadline)) return decode_cut_sheet(bytes);
  }
  return drivers::Failure{.place = {}, .cause = "no cut sheet came", .advice = {}};
}

int refuse(const std::string& why) {
  const std::string text = wire_refused + why;
  ::send(wire_pipe, text.data(), text.size(), MSG_NOSIGNAL);
  return static_cast<int>(DeadManExit::refused);
}

// A fault of our own, such as no memory, may pass: everything anew, then.
DeadManExit cut(DeadMan& dead_man, Watch::Verdict why) {
  constexpr int attempts = 100;
  constexpr int pause_ms = 50;
  for (int attempt = 0; attempt < attempts; ++attempt) {
    try {
      if (attempt > 0) dead_man.build();
      return dead_man.cut(why) ? DeadManExit::cut : DeadManExit::not_verified;
    } catch (const std::exception&) {
      ::poll(nullptr, 0, pause_ms);
    }
  }
  return DeadManExit::not_verified;
}

int run(int locks) {
  auto sheet = receive_sheet();
  if (!sheet) return refuse(sheet.error().cause);
  const std::string log = sheet->log;
  DeadMan dead_man{std::move(*sheet), locks};
  if (!dead_man.can_log()) return refuse(log + " cannot be written: " + std::strerror(errno));
  take_precedence();
  const char ready = wire_ready;
  if (::send(wire_pipe, &ready, 1, MSG_NOSIGNAL) != 1) return refuse("the daemon does not listen");
  const auto verdict = dead_man.watch();
  if (verdict == Watch::Verdict::leaves) return static_cast<int>(DeadManExit::left_in_peace);
  return static_cast<int>(cut(dead_man, verdict));
}

}  // namespace

int main(int count, char** words) {
  int locks = -1;
  if (count == 2) std::from_chars(words[1], words[1] + std::strlen(words[1]), locks);
  if (locks < 0 || locks > 64) {
    std::fputs("chargewright-dead-man is started by chargewrightd, not by hand\n", stderr);
    return static_cast<int>(DeadManExit::refused);
  }
  ignore_signals();
  try {
    return run(locks);
  } catch (const std::exception& e) {
    return refuse(e.what());
  }
}

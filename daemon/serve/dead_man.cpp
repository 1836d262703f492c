#include "daemon/serve/dead_man.h"

#include <fcntl.h>
#include <netdb.h>
#include <signal.h>
#include <spawn.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <boost/asio/ip/address.hpp>
#include <cerrno>
#include <cstdio>
#include <filesystem>
#include <sstream>
#include <system_error>
#include <thread>

#include "daemon/state/disk.h"
#include "safety/dead_man/render.h"
#include "safety/dead_man/wire.h"

extern char** environ;

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;
using drivers::Failure;
using namespace std::chrono_literals;

constexpr const char* program_name = "chargewright-dead-man";
constexpr timeval answer_within{.tv_sec = 10, .tv_usec = 0};
constexpr auto ends_within = 2s;
// Above every number that the dead-man is given, so that none is overwritten while they are moved.
constexpr int aside = 48;

Failure cannot(const std::string& what, int error) {
  return {.place = {},
          .cause = "the dead-man process cannot be started: " + what + ": " +
                   std::generic_category().message(error),
          .advice = "nothing is energised without it"};
}

// Closed at the end of its scope.
struct Descriptor {
  explicit Descriptor(int number = -1) : fd(number) {}
  ~Descriptor() {
    if (fd >= 0) ::close(fd);
  }
  Descriptor(Descriptor&& other) noexcept : fd(std::exchange(other.fd, -1)) {}
  Descriptor& operator=(Descriptor&&) = delete;
  int fd;
};

// All that a host's name stands for: nobody knows yet at which of them the instrument listens. The
// name itself where it stands for nothing that a link can be opened to.
std::vector<std::string> numeric(const drivers::LinkAddress& link) {
  const std::vector<std::string> itself{drivers::to_text(link)};
  const auto* tcp = std::get_if<drivers::TcpAddress>(&link);
  boost::system::error_code named;
  if (tcp != nullptr) boost::asio::ip::make_address(tcp->host, named);
  if (tcp == nullptr || !named) return itself;
  addrinfo wanted{};
  wanted.ai_socktype = SOCK_STREAM;
  addrinfo* found = nullptr;
  if (::getaddrinfo(tcp->host.c_str(), nullptr, &wanted, &found) != 0) return itself;
  std::vector<std::string> texts;
  for (const addrinfo* one = found; one != nullptr; one = one->ai_next) {
    char host[NI_MAXHOST];
    if (::getnameinfo(one->ai_addr, one->ai_addrlen, host, sizeof host, nullptr, 0,
                      NI_NUMERICHOST) != 0) {
      continue;
    }
    std::string text = drivers::to_text(drivers::TcpAddress{host, tcp->port});
    // One that is good on one interface only (fe80::1%eth0) is no link.
    if (!drivers::parse_link(text)) continue;
    texts.push_back(std::move(text));
    if (texts.size() == safety::cut_addresses_max) break;
  }
  ::freeaddrinfo(found);
  return texts.empty() ? itself : texts;
}

bool write_whole(int fd, const std::string& bytes) {
  std::size_t sent = 0;
  while (sent < bytes.size()) {
    const auto count = ::send(fd, bytes.data() + sent, bytes.size() - sent, MSG_NOSIGNAL);
    if (count <= 0) return false;
    sent += static_cast<std::size_t>(count);
  }
  return true;
}

// Nothing: it is ready.
std::string introduce(int pipe, const safety::CutSheet& sheet) {
  const std::string bytes = encode(sheet);
  const std::uint64_t size = bytes.size();
  std::string text(reinterpret_cast<const char*>(&size), sizeof size);
  if (!write_whole(pipe, text + bytes)) return "it does not take its cut sheet";
  char answer[512];
  const auto count = ::recv(pipe, answer, sizeof answer, 0);
  if (count <= 0) return "it does not answer";
  if (answer[0] == safety::wire_ready) return {};
  return {answer + 1, static_cast<std::size_t>(count - 1)};
}

}  // namespace

safety::CutSheet cut_sheet_of(const DaemonFiles& files, std::string log,
                              std::chrono::milliseconds late_after) {
  std::vector<drivers::Dialect> dialects = files.dialects;
  safety::CutSheetParts parts{.bench = files.bench.name,
                              .log = std::move(log),
                              .late_after = late_after,
                              .instruments = {},
                              .addresses = {},
                              .dialects = dialects,
                              .channels = {}};
  std::vector<std::vector<std::string>> addresses;
  for (std::size_t i = 0; i < files.bench.instruments.size(); ++i) {
    const auto& instrument = files.bench.instruments[i];
    addresses.push_back(numeric(instrument.link));
    parts.instruments.push_back(instrument.name);
    parts.addresses.push_back(addresses.back().front());
    if (instrument.respond) dialects[i].respond = *instrument.respond;
  }
  for (const auto& channel : files.bench.channels) parts.channels.push_back(channel.name);
  safety::CutSheet sheet = render_cut_sheet(parts, files.plant);
  for (std::size_t i = 0; i < addresses.size(); ++i) {
    sheet.links[i].more_addresses.assign(addresses[i].begin() + 1, addresses[i].end());
  }
  return sheet;
}

std::string find_dead_man() {
  std::error_code error;
  const fs::path self = fs::read_symlink("/proc/self/exe", error);
  if (error) return {};
  const fs::path folder = self.parent_path();
  for (const fs::path& place :
       {folder / program_name, folder.parent_path() / "libexec/chargewright" / program_name}) {
    if (::access(place.c_str(), X_OK) == 0) return place.string();
  }
  return {};
}

drivers::Result<std::unique_ptr<DeadMan>> DeadMan::start(const std::string& program,
                                                         const safety::CutSheet& sheet,
                                                         const std::vector<int>& locks) {
  if (program.empty()) return cannot(program_name, ENOENT);
  int pair[2];
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair) != 0) {
    return cannot("no pipe to it", errno);
  }
  Descriptor theirs{pair[1]};
  Descriptor ours{pair[0]};
  const Descriptor self{static_cast<int>(::syscall(SYS_pidfd_open, ::getpid(), 0))};
  if (self.fd < 0) return cannot("no handle of this process", errno);

  std::vector<int> given{theirs.fd, self.fd};
  given.insert(given.end(), locks.begin(), locks.end());
  std::vector<Descriptor> moved;
  posix_spawn_file_actions_t actions;
  ::posix_spawn_file_actions_init(&actions);
  ::posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0);
  for (std::size_t i = 0; i < given.size(); ++i) {
    moved.emplace_back(::fcntl(given[i], F_DUPFD_CLOEXEC, aside));
    if (moved.back().fd < 0) {
      ::posix_spawn_file_actions_destroy(&actions);
      // Beyond the limit of descriptors, it calls the number an invalid argument.
      return cannot("no descriptors for it", errno == EINVAL ? EMFILE : errno);
    }
    ::posix_spawn_file_actions_adddup2(&actions, moved.back().fd,
                                       safety::wire_pipe + static_cast<int>(i));
  }
  // A session of its own: what is typed at the terminal, and its end, are for the daemon alone.
  posix_spawnattr_t attributes;
  ::posix_spawnattr_init(&attributes);
  ::posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSID);
  const std::string count = std::to_string(locks.size());
  char* words[] = {const_cast<char*>(program.c_str()), const_cast<char*>(count.c_str()), nullptr};
  pid_t id = -1;
  const int error = ::posix_spawn(&id, program.c_str(), &actions, &attributes, words, environ);
  ::posix_spawn_file_actions_destroy(&actions);
  ::posix_spawnattr_destroy(&attributes);
  if (error != 0) return cannot(program, error);

  for (const int option : {SO_SNDTIMEO, SO_RCVTIMEO}) {
    ::setsockopt(ours.fd, SOL_SOCKET, option, &answer_within, sizeof answer_within);
  }
  ::close(std::exchange(theirs.fd, -1));  // only its own is left, so that its end shows
  moved.clear();
  const auto patience = std::max<std::chrono::milliseconds>(
      1s, 5 * std::chrono::duration_cast<std::chrono::milliseconds>(sheet.late_after));
  std::unique_ptr<DeadMan> dead_man{new DeadMan(std::exchange(ours.fd, -1), id, patience)};
  const std::string refused = introduce(dead_man->pipe_, sheet);
  if (refused.empty()) return dead_man;
  return Failure{.place = {},
                 .cause = "the dead-man process is not ready: " + refused,
                 .advice = "nothing is energised without it"};
}

DeadMan::DeadMan(int pipe, pid_t id, std::chrono::milliseconds patience)
    : pipe_(pipe), id_(id), pulse_(std::make_shared<safety::Pulse>(pipe, patience)) {}

DeadMan::~DeadMan() {
  ::close(pipe_);
  const auto deadline = std::chrono::steady_clock::now() + ends_within;
  while (::waitpid(id_, nullptr, WNOHANG) == 0 && std::chrono::steady_clock::now() < deadline) {
    std::this_thread::sleep_for(1ms);
  }
  if (!pulse_->said_goodbye() || ::waitpid(id_, nullptr, WNOHANG) != 0) return;
  ::kill(id_, SIGKILL);  // our child, not waited for yet: nobody else has its number
  ::waitpid(id_, nullptr, 0);
}

namespace {

// How it began and, above all, how it ended.
void leave_out_middle(std::vector<std::string>& lines, const std::string& whole) {
  constexpr std::ptrdiff_t first = 50, last = 50;
  const std::ptrdiff_t left_out = std::ssize(lines) - first - last;
  if (left_out <= 0) return;
  const auto at = lines.erase(lines.begin() + first, lines.end() - last);
  lines.insert(at, std::to_string(left_out) + " lines are left out; all stand in " + whole);
}

}  // namespace

std::vector<std::string> take_dead_man_log(const std::string& path) {
  std::vector<std::string> lines;
  const auto text = read_file(path);
  if (!text) return {describe(text.error())};
  if (!*text || (*text)->empty()) return lines;
  std::istringstream stream{**text};
  for (std::string line; std::getline(stream, line);) lines.push_back(line);
  const fs::path previous = path + ".previous";
  leave_out_middle(lines, previous.filename().string());
  if (std::rename(path.c_str(), previous.c_str()) != 0) {
    lines.push_back("it cannot be put aside: " + std::generic_category().message(errno));
  }
  return lines;
}

std::optional<ProvedOff> proved_off(const std::vector<std::string>& log) {
  if (log.empty() || !log.back().ends_with(" ms: every output is verified off")) return {};
  tm day{};
  int thousandths = 0;
  double after_ms = 0;
  if (std::sscanf(log.back().c_str(), "%4d-%2d-%2dT%2d:%2d:%2d.%3dZ %lf ms: ", &day.tm_year,
                  &day.tm_mon, &day.tm_mday, &day.tm_hour, &day.tm_min, &day.tm_sec, &thousandths,
                  &after_ms) != 8 ||
      !(after_ms >= 0)) {
    return {};
  }
  day.tm_year -= 1900;
  day.tm_mon -= 1;
  return ProvedOff{.at = std::chrono::system_clock::from_time_t(::timegm(&day)) +
                         std::chrono::milliseconds(thousandths),
                   .after_s = after_ms / 1000};
}

}  // namespace chargewright::daemon

#include "daemon/state/lock.h"

#include <arpa/inet.h>
#include <fcntl.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdint>
#include <cstring>
#include <filesystem>
#include <system_error>

#include "daemon/state/disk.h"

namespace chargewright::daemon {
namespace {

using drivers::Failure;
using drivers::Result;

Failure held(const std::string& what) {
  return {
      .place = {},
      .cause =
          what + " is already held by another running daemon, or by the dead-man of one that died",
      .advice =
          "end that daemon first, or wait for the dead-man; two must never drive one instrument"};
}

Failure unlockable(const std::string& what) {
  return {.place = {},
          .cause = "cannot lock " + what + ": " + std::generic_category().message(errno),
          .advice = {}};
}

// In lower case; an address in the one way in which it is written shortest.
std::string key_of_host(std::string host) {
  std::ranges::transform(host, host.begin(), [](char c) {
    return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
  });
  if (host == "localhost") return "127.0.0.1";
  in6_addr address{};
  char shortest[INET6_ADDRSTRLEN];
  if (::inet_pton(AF_INET6, host.c_str(), &address) != 1 ||
      ::inet_ntop(AF_INET6, &address, shortest, sizeof shortest) == nullptr) {
    return host;
  }
  return shortest;
}

// One instrument, one key: a device by where its symbolic links lead.
std::string key_of_link(const drivers::LinkAddress& address) {
  if (const auto* tcp = std::get_if<drivers::TcpAddress>(&address)) {
    return "tcp:" + key_of_host(tcp->host) + ':' + std::to_string(tcp->port);
  }
  const std::string device = std::get<drivers::SerialAddress>(address).device;
  std::error_code ignored;  // a device that is not there yet keeps the name it has
  const auto real = std::filesystem::canonical(device, ignored);
  return "serial:" + (ignored ? device : real.string());
}

// FNV-1a, 64 bits: an abstract socket's name has room for 107 bytes, a device path may be longer.
std::string digest(const std::string& text) {
  std::uint64_t hash = 14695981039346656037ULL;
  for (const char c : text) hash = (hash ^ static_cast<unsigned char>(c)) * 1099511628211ULL;
  char hex[17];
  for (int i = 0; i < 16; ++i) hex[i] = "0123456789abcdef"[(hash >> (60 - 4 * i)) & 15];
  return {hex, 16};
}

}  // namespace

std::string lasting_name(const drivers::LinkAddress& address) {
  if (const auto* serial = std::get_if<drivers::SerialAddress>(&address)) return serial->device;
  return key_of_link(address);
}

Result<Lock> Lock::of_bench(const std::string& state_folder, const std::string& bench) {
  const std::string path = state_folder + '/' + file_name_of(bench) + ".lock";
  const int fd = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0640);
  if (fd < 0) return unlockable(path);
  Lock lock{fd};
  if (::flock(fd, LOCK_EX | LOCK_NB) != 0) {
    if (errno == EWOULDBLOCK) return held("the bench `" + bench + "`");
    return unlockable(path);
  }
  return lock;
}

Result<Lock> Lock::of_link(const drivers::LinkAddress& address) {
  const std::string key = key_of_link(address);
  sockaddr_un name{};
  name.sun_family = AF_UNIX;
  const std::string text = "chargewright/link/" + digest(key) + '/' + key.substr(0, 40);
  std::memcpy(name.sun_path + 1, text.data(), text.size());  // first byte 0: abstract
  const int fd = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  if (fd < 0) return unlockable(drivers::to_text(address));
  Lock lock{fd};
  const auto size = static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + 1 + text.size());
  if (::bind(fd, reinterpret_cast<const sockaddr*>(&name), size) != 0) {
    if (errno == EADDRINUSE) return held("the link " + drivers::to_text(address));
    return unlockable(drivers::to_text(address));
  }
  return lock;
}

Lock::~Lock() {
  if (fd_ >= 0) ::close(fd_);
}

Lock& Lock::operator=(Lock&& other) noexcept {
  std::swap(fd_, other.fd_);
  return *this;
}

Result<std::vector<Lock>> lock_bench(const std::string& state_folder, const std::string& bench,
                                     const std::vector<drivers::LinkAddress>& links) {
  if (auto made = make_folder(state_folder); !made) return made.error();
  std::vector<Lock> locks;
  auto first = Lock::of_bench(state_folder, bench);
  if (!first) return first.error();
  locks.push_back(std::move(*first));
  for (const auto& link : links) {
    auto lock = Lock::of_link(link);
    if (!lock) return lock.error();
    locks.push_back(std::move(*lock));
  }
  return locks;
}

}  // namespace chargewright::daemon

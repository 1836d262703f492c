#pragma once
// A client of the control socket: what it sends, as it is, and what comes back within a bound.

#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <chrono>
#include <cstring>
#include <string>
#include <string_view>

namespace chargewright::daemon {

class Client {
 public:
  explicit Client(const std::string& path) : fd_(::socket(AF_UNIX, SOCK_STREAM, 0)) {
    sockaddr_un name{};
    name.sun_family = AF_UNIX;
    std::memcpy(name.sun_path, path.c_str(), path.size());
    connected_ = ::connect(fd_, reinterpret_cast<sockaddr*>(&name), sizeof name) == 0;
  }
  Client(const Client&) = delete;
  Client& operator=(const Client&) = delete;
  ~Client() { ::close(fd_); }
  [[nodiscard]] bool connected() const { return connected_; }

  // What the peer no longer takes is not sent.
  void send(std::string_view bytes) const {
    while (!bytes.empty()) {
      const ssize_t n = ::send(fd_, bytes.data(), bytes.size(), MSG_NOSIGNAL);
      if (n <= 0) return;
      bytes.remove_prefix(static_cast<std::size_t>(n));
    }
  }
  void says_no_more() const { ::shutdown(fd_, SHUT_WR); }
  // Reads until `end` stands in what came, the peer closed, or the time is over.
  std::string read_until(std::string_view end,
                         std::chrono::milliseconds wait = std::chrono::seconds(5)) {
    const auto deadline = std::chrono::steady_clock::now() + wait;
    std::string text;
    while (end.empty() || text.find(end) == std::string::npos) {
      pollfd ready{.fd = fd_, .events = POLLIN, .revents = 0};
      const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(
          deadline - std::chrono::steady_clock::now());
      if (left.count() <= 0 || ::poll(&ready, 1, static_cast<int>(left.count())) <= 0) break;
      char block[4096];
      const ssize_t n = ::recv(fd_, block, sizeof block, 0);
      if (n <= 0) {
        closed_ = true;
        break;
      }
      text.append(block, static_cast<std::size_t>(n));
    }
    return text;
  }
  std::string read_to_end(std::chrono::milliseconds wait = std::chrono::seconds(5)) {
    return read_until({}, wait);
  }
  [[nodiscard]] bool closed() const { return closed_; }

 private:
  int fd_;
  bool connected_ = false;
  bool closed_ = false;
};

inline std::string get(const std::string& target) {
  return "GET " + target + " HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n";
}
inline std::string post(const std::string& target, const std::string& body = {}) {
  return "POST " + target + " HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: " +
         std::to_string(body.size()) + "\r\n\r\n" + body;
}

}  // namespace chargewright::daemon

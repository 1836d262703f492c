#pragma once
// HTTP/1.1 over a Unix stream socket (mode 0660), on a thread of its own: the shell around
// serve/api.h. Everything that meets a client is bounded, and no client waits for another: what
// may wait for a disk goes to a second thread, and beyond the bound of connections a few places
// are kept in which nothing but a cut is answered.

#include <chrono>
#include <functional>
#include <memory>
#include <string>

#include "daemon/serve/backlog.h"
#include "daemon/serve/operations.h"
#include "drivers/failure.h"

namespace chargewright::daemon {

struct ServerBounds {
  std::uint32_t header_bytes = 8 * 1024;
  std::uint64_t body_bytes = 512 * 1024;
  int connections = 64;
  int connections_for_cuts = 16;
  int slow_requests = 8;                       // at work or waiting on the second thread
  std::chrono::milliseconds idle{10'000};      // to read a request, and to write an answer
  std::chrono::milliseconds poll{100};         // how often an event stream looks for news
  std::chrono::milliseconds heartbeat{5'000};  // an event stream says that it lives
};

class Server {
 public:
  // `died` is called, from the server's thread, when it ends by an exception.
  static drivers::Result<std::unique_ptr<Server>> start(
      const std::string& socket, Operations& operations, const Backlog& backlog,
      std::function<void(const std::string& why)> died, const ServerBounds& bounds = {});
  ~Server();  // closes every connection, removes the socket
  // Asks the server's thread for a sign of life, and wakes it should a wake-up have been lost;
  // answers how many signs have come so far.
  std::uint64_t pulse();
  Server(const Server&) = delete;
  Server& operator=(const Server&) = delete;
  struct State;  // the body's own

 private:
  explicit Server(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace chargewright::daemon

#pragma once
// Asks the daemon over its socket: HTTP/1.1, one connection per question, never without a time
// limit. A failure here means that no daemon answered; a daemon that says no is a reply.

#include <boost/json/value.hpp>
#include <chrono>
#include <functional>
#include <string>

#include "drivers/failure.h"

namespace chargewright::daemon {

struct Reply {
  int status = 0;
  boost::json::value json;  // the body; null where it was streamed
  [[nodiscard]] bool ok() const { return status >= 200 && status < 300; }
};

class Client {
 public:
  explicit Client(std::string socket) : socket_(std::move(socket)) {}

  [[nodiscard]] drivers::Result<Reply> get(
      const std::string& target, std::chrono::milliseconds wait = std::chrono::seconds(15)) const;
  [[nodiscard]] drivers::Result<Reply> post(
      const std::string& target, const boost::json::value& body = {},
      std::chrono::milliseconds wait = std::chrono::seconds(15)) const;
  // The body goes to `take` piece by piece; `take` answers false to give up. The time limit is on
  // each piece. Not for an answer that is no success: that one is in the reply.
  [[nodiscard]] drivers::Result<Reply> download(
      const std::string& target, const std::function<bool(std::string_view)>& take) const;

 private:
  struct Exchange;
  std::string socket_;
};

}  // namespace chargewright::daemon

#pragma once
// Looks up what addresses the name of a host stands for. The system may take many seconds over
// that: it is asked on a thread of its own, which keeps nobody waiting, neither another name nor
// the end of the program. A shell. Used from one thread; throws nothing but for want of memory.

#include <boost/asio/ip/tcp.hpp>
#include <memory>
#include <string>
#include <vector>

#include "drivers/link.h"

namespace chargewright::drivers {

class NameLookup {
 public:
  using Endpoints = std::vector<boost::asio::ip::tcp::endpoint>;

  explicit NameLookup(TcpAddress address) : address_(std::move(address)) {}

  // Asks, unless a question is still open.
  void begin();
  // True: no question is open, and what came of the last one is told below.
  bool has_ended();
  // What was found last: a look-up that fails takes nothing away.
  [[nodiscard]] const Endpoints& endpoints() const { return endpoints_; }
  // Of the last one that ended; empty: it found something.
  [[nodiscard]] const std::string& problem() const { return problem_; }

 private:
  struct Question;
  TcpAddress address_;
  std::shared_ptr<Question> open_;  // shared with its thread
  Endpoints endpoints_;
  std::string problem_;
};

}  // namespace chargewright::drivers

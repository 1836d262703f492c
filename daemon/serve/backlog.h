#pragma once
// The last events for whoever listens, as lines of JSON with rising numbers. Bounded: the oldest
// fall out, and a listener that fell behind them is told so by `lost`. One thread publishes, any
// number read; the lock is held for copying alone, and the guard never comes here.

#include <boost/json/value.hpp>
#include <cstdint>
#include <deque>
#include <mutex>
#include <string>

namespace chargewright::daemon {

class Backlog {
 public:
  explicit Backlog(std::size_t lines_max = 2000) : lines_max_(lines_max) {}

  // Adds `"number"` to the event and keeps it.
  void publish(boost::json::object event);

  struct Batch {
    std::string lines;       // each with its newline
    std::uint64_t last = 0;  // number of the last one in it, or what was asked after
    std::uint64_t lost = 0;  // so many had fallen out already
  };
  [[nodiscard]] Batch after(std::uint64_t number, std::size_t bytes_max = 256 * 1024) const;

 private:
  const std::size_t lines_max_;
  mutable std::mutex mutex_;
  std::deque<std::string> lines_;
  std::uint64_t next_ = 1;  // number of the next event
};

}  // namespace chargewright::daemon

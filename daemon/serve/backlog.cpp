#include "daemon/serve/backlog.h"

#include <boost/json.hpp>

namespace chargewright::daemon {

void Backlog::publish(boost::json::object event) {
  const std::lock_guard lock{mutex_};
  event["number"] = next_++;
  lines_.push_back(boost::json::serialize(event) + '\n');
  if (lines_.size() > lines_max_) lines_.pop_front();
}

Backlog::Batch Backlog::after(std::uint64_t number, std::size_t bytes_max) const {
  const std::lock_guard lock{mutex_};
  const std::uint64_t first = next_ - lines_.size();
  Batch batch{.lines = {}, .last = number, .lost = 0};
  if (number + 1 < first) {
    // A listener that begins at 0 asks for what there is; it has lost nothing that it ever had.
    if (number != 0) batch.lost = first - number - 1;
    batch.last = first - 1;
  }
  // A number from a former life of the daemon may be ahead of ours: begin with what there is.
  if (number >= next_) batch.last = first - 1;
  while (batch.last + 1 < next_ && batch.lines.size() < bytes_max) {
    batch.lines += lines_[batch.last + 1 - first];
    ++batch.last;
  }
  return batch;
}

}  // namespace chargewright::daemon

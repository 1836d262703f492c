#include "drivers/simulated/byte_link.h"

#include <algorithm>

namespace chargewright::drivers::simulated {

// ---- one direction ------------------------------------------------------------------------------

bool ByteLink::Way::put(std::string_view bytes, Instant due) {
  if (bytes_.size() - begin_ + bytes.size() > waiting_most) return false;
  if (!stretches_.push({bytes.size(), due})) return false;
  bytes_ += bytes;
  return true;
}

std::string_view ByteLink::Way::take(Instant now, std::size_t piece, Duration between) {
  if (stretches_.empty() || stretches_.front().due > now || next_piece_ > now) return {};
  std::size_t count = stretches_.front().bytes;
  if (piece != 0) {
    count = std::min(count, piece);
    next_piece_ = later(now, std::max(between, Duration{1}));
  }
  return std::string_view(bytes_).substr(begin_, count);
}

void ByteLink::Way::taken(std::size_t bytes) {
  begin_ += bytes;
  Stretch& first = stretches_.front();
  first.bytes -= bytes;
  if (first.bytes == 0) stretches_.drop_front();
  if (stretches_.empty()) {
    bytes_.clear();
    begin_ = 0;
  }
}

void ByteLink::Way::clear() {
  bytes_.clear();
  begin_ = 0;
  stretches_.clear();
  next_piece_ = Instant{};
}

// ---- the link -----------------------------------------------------------------------------------

ByteLink::ByteLink(ScpiDevice& device, const ByteLinkModel& model, LinkUser& user)
    : device_(device), model_(model), user_(user) {}

void ByteLink::start(Instant now) {
  started_ = true;
  up_at_ = later(now, model_.reconnects_after);
}

// Nothing stands between the two ends: bytes need not be kept.
bool ByteLink::is_plain(Duration model_time) const {
  return model_time == Duration::zero() && trouble.late == Duration::zero() && trouble.piece == 0 &&
         !trouble.stalled && !trouble.twice;
}

void ByteLink::write(std::string_view bytes, Instant now) {
  if (!port_) return;  // after a loss the rest is dropped
  if (to_device_.empty() && is_plain(model_.to_device)) {
    port_->receive(bytes, now);
    return;
  }
  const Instant due = later(now, model_.to_device + trouble.late);
  overflowed_ = overflowed_ || !to_device_.put(bytes, due);
}

void ByteLink::drop(Instant now) {
  if (!port_) return;
  go_down(now);
}

void ByteLink::restart(Instant now) {
  go_down(now);
  told_up_ = false;
}

void ByteLink::go_down(Instant now) {
  port_.reset();
  overflowed_ = false;
  to_device_.clear();
  to_host_.clear();
  up_at_ = later(now, model_.reconnects_after);
}

void ByteLink::whisper(std::string_view bytes, Instant now) {
  if (port_) (void)to_host_.put(bytes, now);
}

bool ByteLink::move(Instant now) {
  if (port_ && (is_dropped() || overflowed_)) go_down(now);
  if (!port_ && told_up_) {
    told_up_ = false;
    user_.link_down("dropped");
    return true;
  }
  if (!port_) {
    if (now < up_at_) return false;
    if (is_dropped()) {
      up_at_ = later(now, std::max(model_.reconnects_after, Duration{1'000'000}));
      return false;
    }
    port_.emplace(device_);
    told_up_ = true;
    up_at_ = never;
    user_.link_up();
    return true;
  }
  if (trouble.stalled) return false;
  bool moved = deliver_to_device(now);
  moved = listen_to_device(now) || moved;
  return deliver_to_host(now) || moved;
}

bool ByteLink::deliver_to_device(Instant now) {
  bool moved = false;
  for (;;) {
    const std::string_view bytes = to_device_.take(now, trouble.piece, trouble.between_pieces);
    if (bytes.empty()) return moved;
    port_->receive(bytes, now);
    to_device_.taken(bytes.size());
    moved = true;
  }
}

bool ByteLink::listen_to_device(Instant now) {
  const std::string_view answer = port_->to_write(now);
  if (answer.empty()) return false;
  const std::size_t size = answer.size();
  if (to_host_.empty() && is_plain(model_.to_host)) {
    user_.link_received(answer);
  } else {
    const Instant due = later(now, model_.to_host + trouble.late);
    bool kept = to_host_.put(answer, due);
    if (trouble.twice && trouble.piece == 0) kept = to_host_.put(answer, due) && kept;
    overflowed_ = overflowed_ || !kept;
  }
  port_->written(size);
  return true;
}

bool ByteLink::deliver_to_host(Instant now) {
  bool moved = false;
  for (;;) {
    const std::string_view bytes = to_host_.take(now, trouble.piece, trouble.between_pieces);
    if (bytes.empty()) return moved;
    user_.link_received(bytes);
    to_host_.taken(bytes.size());
    moved = true;
  }
}

}  // namespace chargewright::drivers::simulated

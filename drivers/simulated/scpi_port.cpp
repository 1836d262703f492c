#include <algorithm>

#include "drivers/simulated/scpi_device.h"

namespace chargewright::drivers::simulated {

void ScpiPort::receive(std::string_view bytes, Instant now) {
  if (device_.bench().faults(device_.id()).link_dropped) {
    line_.clear();
    return;
  }
  while (!bytes.empty()) {
    const auto end = bytes.find('\n');
    const bool complete = end != std::string_view::npos;
    const std::string_view part = bytes.substr(0, end);
    bytes = complete ? bytes.substr(end + 1) : std::string_view{};
    if (!discarding_ && line_.size() + part.size() > line_max) {
      discarding_ = true;
      line_.clear();
      device_.overrun();
    }
    if (!discarding_ && complete && line_.empty()) {
      message(part, now);  // the usual case: no copy
    } else if (!discarding_) {
      line_ += part;
      if (complete) message(line_, now);
    }
    if (complete) {
      line_.clear();
      discarding_ = false;
    }
  }
}

void ScpiPort::message(std::string_view line, Instant now) {
  response_.clear();
  device_.execute(line, now, response_);
  const DeviceFaults& faults = device_.bench().faults(device_.id());
  if (response_.empty() || faults.mute) return;
  if (out_.size() + response_.size() > waiting_max) return;  // nobody reads: the device drops it
  if (faults.garbage) garble();
  if (faults.delay <= Duration::zero() && held_.empty()) {
    out_ += response_;
    released_ += response_.size();
    return;
  }
  if (held_.push({response_.size(), later(now, faults.delay)})) out_ += response_;
}

// Bytes that are no number, no string and no list: reproducible, but not the same twice.
void ScpiPort::garble() {
  constexpr std::string_view alphabet = "@#$%^&~?!{}\x80\xFE\x01|";
  response_.clear();
  for (int k = 0; k < 9; ++k) {
    noise_ ^= noise_ << 13U;
    noise_ ^= noise_ >> 17U;
    noise_ ^= noise_ << 5U;
    response_ += alphabet[noise_ % alphabet.size()];
  }
  response_ += '\n';
}

std::string_view ScpiPort::to_write(Instant now) {
  while (!held_.empty() && held_.front().release <= now) {
    released_ += held_.front().bytes;
    held_.drop_front();
  }
  return std::string_view(out_).substr(0, released_);
}

void ScpiPort::written(std::size_t bytes) {
  bytes = std::min(bytes, released_);
  out_.erase(0, bytes);
  released_ -= bytes;
}

}  // namespace chargewright::drivers::simulated

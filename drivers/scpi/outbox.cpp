#include "drivers/scpi/outbox.h"

#include <algorithm>
#include <cstring>

namespace chargewright::drivers::scpi {

bool Outbox::append(std::string_view message, std::string_view terminator) {
  return insert(messages_.size(), message, terminator, false);
}

bool Outbox::append_urgent(std::string_view message, std::string_view terminator) {
  std::size_t index = 0;
  while (index < messages_.size() && (messages_[index].begun || messages_[index].urgent)) ++index;
  return insert(index, message, terminator, true);
}

bool Outbox::insert(std::size_t index, std::string_view message, std::string_view terminator,
                    bool urgent) {
  const std::size_t size = message.size() + terminator.size();
  if (size == 0 || messages_.size() == messages_.capacity()) return false;
  if (end_ + size > bytes_.size() && begin_ > 0) {
    std::memmove(bytes_.data(), bytes_.data() + begin_, end_ - begin_);
    end_ -= begin_;
    begin_ = 0;
  }
  if (end_ + size > bytes_.size()) return false;
  std::size_t at = begin_;
  for (std::size_t i = 0; i < index; ++i) at += messages_[i].left;
  char* const place = bytes_.data() + at;
  std::memmove(place + size, place, end_ - at);
  std::memcpy(place, message.data(), message.size());
  std::memcpy(place + message.size(), terminator.data(), terminator.size());
  end_ += size;
  messages_.insert(messages_.begin() + static_cast<std::ptrdiff_t>(index),
                   Message{.left = size, .urgent = urgent});
  return true;
}

bool Outbox::recall() {
  bool found = false;
  std::size_t at = begin_;
  for (std::size_t i = 0; i < messages_.size();) {
    const Message& message = messages_[i];
    if (message.urgent || message.begun) {
      at += message.left;
      ++i;
      continue;
    }
    const std::size_t after = at + message.left;
    std::memmove(bytes_.data() + at, bytes_.data() + after, end_ - after);
    end_ -= message.left;
    messages_.erase(messages_.begin() + static_cast<std::ptrdiff_t>(i));
    found = true;
  }
  return found;
}

void Outbox::clear() {
  begin_ = end_ = 0;
  messages_.clear();
}

void Outbox::written(std::size_t count) {
  count = std::min(count, end_ - begin_);
  begin_ += count;
  while (count > 0) {
    Message& first = messages_.front();
    const std::size_t part = std::min(count, first.left);
    first.left -= part;
    first.begun = true;
    count -= part;
    if (first.left == 0) messages_.erase(messages_.begin());
  }
  if (begin_ == end_) begin_ = end_ = 0;
}

bool Outbox::holds_only_urgent() const {
  return std::all_of(messages_.begin(), messages_.end(),
                     [](const Message& message) { return message.urgent; });
}

bool Outbox::holds_urgent() const {
  return std::any_of(messages_.begin(), messages_.end(),
                     [](const Message& message) { return message.urgent; });
}

}  // namespace chargewright::drivers::scpi

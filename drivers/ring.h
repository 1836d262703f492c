#pragma once
// A bounded first-in first-out queue in place: no allocation, one thread. Full is an answer (push
// returns false), never a growth: what meets the outside is bounded.

#include <array>
#include <cstddef>

namespace chargewright::drivers {

template <class T, std::size_t capacity>
class Ring {
 public:
  [[nodiscard]] bool push(const T& item) {
    if (full()) return false;
    items_[(first_ + size_) % capacity] = item;
    ++size_;
    return true;
  }
  // Ahead of everything queued.
  [[nodiscard]] bool push_front(const T& item) {
    if (full()) return false;
    first_ = (first_ + capacity - 1) % capacity;
    items_[first_] = item;
    ++size_;
    return true;
  }
  [[nodiscard]] bool pop(T& item) {
    if (empty()) return false;
    item = items_[first_];
    first_ = (first_ + 1) % capacity;
    --size_;
    return true;
  }
  [[nodiscard]] const T& front() const { return items_[first_]; }
  [[nodiscard]] T& front() { return items_[first_]; }
  void drop_front() {
    first_ = (first_ + 1) % capacity;
    --size_;
  }
  void clear() { size_ = 0; }
  [[nodiscard]] bool empty() const { return size_ == 0; }
  [[nodiscard]] bool full() const { return size_ == capacity; }
  [[nodiscard]] std::size_t size() const { return size_; }

 private:
  std::array<T, capacity> items_{};
  std::size_t first_ = 0;
  std::size_t size_ = 0;
};

}  // namespace chargewright::drivers

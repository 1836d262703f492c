#pragma once
// What was computed for the last few keys, for a function that is asked the same few things again
// and again: the beats of a bench cut time into steps of a few lengths. A default key stands for
// none and is never asked for.

#include <array>
#include <cstddef>

namespace chargewright::drivers::simulated {

template <class Key, class Value, std::size_t capacity>
class Kept {
 public:
  // True: current() is what was made for this key. False: it has yet to be made, in the place of
  // the oldest.
  bool find(const Key& key) {
    if (keys_[current_] == key) return true;
    for (std::size_t k = 0; k < capacity; ++k) {
      if (!(keys_[k] == key)) continue;
      current_ = k;
      return true;
    }
    oldest_ = (oldest_ + 1) % capacity;
    current_ = oldest_;
    keys_[current_] = key;
    return false;
  }
  [[nodiscard]] Value& current() { return values_[current_]; }
  [[nodiscard]] const Value& current() const { return values_[current_]; }
  void clear() { keys_.fill(Key{}); }

 private:
  std::array<Key, capacity> keys_{};
  std::array<Value, capacity> values_{};
  std::size_t current_ = 0;
  std::size_t oldest_ = 0;
};

}  // namespace chargewright::drivers::simulated

#pragma once
// One value that one thread publishes and any thread may copy out whole, without a lock: the writer
// never waits, a reader copies again if the writer came between (a sequence lock over atomic
// words). For plain facts only: T is copied as bytes. (Boost.Units' quantities, one double each,
// write out their copy constructor, so that the trait "trivially copyable" cannot be asked for.)

#include <array>
#include <atomic>
#include <cstdint>
#include <cstring>
#include <type_traits>

namespace chargewright::safety {

template <class T>
class Published {
  static_assert(std::is_trivially_destructible_v<T> && std::is_default_constructible_v<T>);

 public:
  Published() { write(T{}); }

  // The first `bytes` of it, where the rest is not in use.
  void write(const T& value, std::size_t bytes = sizeof(T)) {
    std::array<std::uint64_t, words_> copy;
    const std::size_t words = (bytes + 7) / 8;
    copy[words - 1] = 0;
    std::memcpy(copy.data(), static_cast<const void*>(&value), bytes);
    const std::uint64_t sequence = sequence_.load(std::memory_order_relaxed);
    sequence_.store(sequence + 1, std::memory_order_relaxed);
    // Release on every word, not a fence: who sees a word also sees the odd number before it.
    for (std::size_t k = 0; k < words; ++k) data_[k].store(copy[k], std::memory_order_release);
    sequence_.store(sequence + 2, std::memory_order_release);
  }

  void read(T& into) const {
    std::array<std::uint64_t, words_> copy;
    std::uint64_t before = 0;
    std::uint64_t after = 0;
    do {
      before = sequence_.load(std::memory_order_acquire);
      for (std::size_t k = 0; k < words_; ++k) copy[k] = data_[k].load(std::memory_order_acquire);
      after = sequence_.load(std::memory_order_relaxed);
    } while (before != after || (before & 1) != 0);
    std::memcpy(static_cast<void*>(&into), copy.data(), sizeof(T));
  }

 private:
  static constexpr std::size_t words_ = (sizeof(T) + 7) / 8;
  std::atomic<std::uint64_t> sequence_{0};
  std::array<std::atomic<std::uint64_t>, words_> data_{};
};

}  // namespace chargewright::safety

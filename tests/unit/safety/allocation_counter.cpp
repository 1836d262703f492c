#include "allocation_counter.h"

#include <atomic>
#include <cstdlib>
#include <new>

namespace {
std::atomic<std::size_t> counted{0};
std::atomic<std::size_t> counted_on_watched{0};
thread_local bool watched = false;

void count() {
  ++counted;
  if (watched) ++counted_on_watched;
}
}  // namespace

namespace chargewright::safety::testing {
std::size_t allocations() { return counted.load(); }
void watch_this_thread() { watched = true; }
std::size_t watched_allocations() { return counted_on_watched.load(); }
}  // namespace chargewright::safety::testing

void* operator new(std::size_t size) {
  count();
  if (void* memory = std::malloc(size == 0 ? 1 : size)) return memory;
  throw std::bad_alloc();
}
void* operator new[](std::size_t size) { return operator new(size); }
void* operator new(std::size_t size, const std::nothrow_t&) noexcept {
  count();
  return std::malloc(size == 0 ? 1 : size);
}
void* operator new[](std::size_t size, const std::nothrow_t&) noexcept {
  return operator new(size, std::nothrow);
}
void operator delete(void* memory) noexcept { std::free(memory); }
void operator delete(void* memory, std::size_t) noexcept { std::free(memory); }
void operator delete[](void* memory) noexcept { std::free(memory); }
void operator delete[](void* memory, std::size_t) noexcept { std::free(memory); }

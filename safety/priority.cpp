#include "safety/priority.h"

#include <pthread.h>
#include <sched.h>
#include <sys/mman.h>
#include <sys/resource.h>

#include <cerrno>
#include <cstddef>
#include <cstring>
#include <string_view>

namespace chargewright::safety {
namespace {

constexpr std::size_t stack_used =
    std::size_t{256} * 1024;  // far more than a turn of the guard needs

void say(Priority& priority, std::string_view what, int error) {
  std::string text = std::string(priority.why_not.data());
  if (!text.empty()) text += "; ";
  text += what;
  text += ": ";
  text += std::strerror(error);  // NOLINT(concurrency-mt-unsafe): glibc's is safe for known errors
  priority.why_not.fill('\0');
  text.copy(priority.why_not.data(), priority.why_not.size() - 1);
}

bool bound_spinning() {
  rlimit now{};
  if (::getrlimit(RLIMIT_RTTIME, &now) != 0) return false;
  const rlim_t soft = std::chrono::microseconds(spins_most).count();
  const rlimit wanted{soft < now.rlim_max ? soft : now.rlim_max,
                      2 * soft < now.rlim_max ? 2 * soft : now.rlim_max};
  return ::setrlimit(RLIMIT_RTTIME, &wanted) == 0;
}

// Only what is touched is kept: whole stacks of other threads would be 8 MiB each. What comes later
// is locked too only where that can never make an allocation fail.
bool lock_memory() {
  const rlimit all{RLIM_INFINITY, RLIM_INFINITY};
  rlimit now{};
  if (::getrlimit(RLIMIT_MEMLOCK, &now) != 0) return false;
  const bool unbounded = now.rlim_cur == RLIM_INFINITY || ::setrlimit(RLIMIT_MEMLOCK, &all) == 0;
  return ::mlockall(MCL_CURRENT | MCL_ONFAULT | (unbounded ? MCL_FUTURE : 0)) == 0;
}

[[gnu::noinline]] void touch_stack() {
  [[maybe_unused]] volatile std::byte room[stack_used];
  for (std::size_t k = 0; k < stack_used; k += 4096) room[k] = std::byte{1};
}

}  // namespace

std::string describe(const Priority& priority) {
  std::string text = priority.real_time ? "the guard has a real-time class"
                                        : "the guard has NO real-time class: a busy machine may "
                                          "make it late";
  text += priority.locked ? ", memory is locked" : ", memory is NOT locked";
  if (priority.why_not[0] != '\0') text += std::string(" (") + priority.why_not.data() + ')';
  return text;
}

Priority take_priority() {
  Priority taken;
  taken.locked = lock_memory();
  if (!taken.locked) say(taken, "mlockall", errno);
  touch_stack();
  if (!bound_spinning()) {
    say(taken, "RLIMIT_RTTIME", errno);
    return taken;
  }
  sched_param how{};
  how.sched_priority = guard_priority;
  // A child of this thread's, if there ever is one, starts in the ordinary class.
  const int error =
      ::pthread_setschedparam(::pthread_self(), SCHED_FIFO | SCHED_RESET_ON_FORK, &how);
  taken.real_time = error == 0;
  if (error != 0) say(taken, "SCHED_FIFO", error);
  return taken;
}

}  // namespace chargewright::safety

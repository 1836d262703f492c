#pragma once
// What the guard's thread asks of the system, so that a busy machine does not make it late: a
// real-time class of a low priority (SCHED_FIFO), memory that is not swapped out, a stack that is
// there. All of it where permitted; what is not is told, and the guard goes on without.
//
// A real-time thread that never sleeps would take a core for itself. The guard's turn is bounded;
// as a backstop the system ends the process by SIGXCPU when such a thread has not slept for
// `spins_most`: a fault of our own, at which the dead-man cuts. Without that bound no class is
// taken.

#include <array>
#include <chrono>
#include <string>

namespace chargewright::safety {

// Above everything of the ordinary class, below the kernel's own threads (50).
inline constexpr int guard_priority = 10;
inline constexpr std::chrono::milliseconds spins_most{500};

// Plain facts, so that the guard's thread can publish them.
struct Priority {
  bool real_time = false;
  bool locked = false;
  std::array<char, 128> why_not{};  // the system's words on what it refused; ended by NUL
};
std::string describe(const Priority& priority);  // one line for a log

// Of the calling thread, and of the whole process's memory. Shell.
Priority take_priority();

}  // namespace chargewright::safety

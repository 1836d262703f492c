// The guard's thread is not made late by a busy machine, and can take no core for itself (S6).
#include "safety/priority.h"

#include <gtest/gtest.h>
#include <sched.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>
#include <cstdlib>

namespace chargewright::safety {
namespace {

TEST(Priority, says_what_the_guard_has_not_got) {  // S6
  Priority none;
  const std::string_view refused = "SCHED_FIFO: Operation not permitted";
  refused.copy(none.why_not.data(), none.why_not.size() - 1);
  EXPECT_NE(describe(none).find("NO real-time class"), std::string::npos);
  EXPECT_NE(describe(none).find("memory is NOT locked"), std::string::npos);
  EXPECT_NE(describe(none).find("(SCHED_FIFO: Operation not permitted)"), std::string::npos);
  EXPECT_EQ(describe({.real_time = true, .locked = true}),
            "the guard has a real-time class, memory is locked");
}

// In a process of its own: what is taken there ends with it.
template <class Act>
int status_of(Act act) {
  const pid_t child = ::fork();
  if (child == 0) {
    act();
    std::_Exit(99);
  }
  int status = -1;
  EXPECT_EQ(::waitpid(child, &status, 0), child);
  return status;
}
constexpr int not_permitted = 77;

TEST(Priority, is_a_real_time_class_where_the_system_permits_it) {  // S6
  const int status = status_of([] {
    const Priority taken = take_priority();
    const int policy = ::sched_getscheduler(0) & ~SCHED_RESET_ON_FORK;
    if (taken.real_time) std::_Exit(policy == SCHED_FIFO ? 0 : 1);
    std::_Exit(policy == SCHED_OTHER && taken.why_not[0] != '\0' ? not_permitted : 2);
  });
  ASSERT_TRUE(WIFEXITED(status));
  if (WEXITSTATUS(status) == not_permitted) GTEST_SKIP() << "no real-time class is permitted here";
  EXPECT_EQ(WEXITSTATUS(status), 0);
}

TEST(Priority, of_a_thread_that_never_sleeps_ends_the_process) {  // S6
  const int status = status_of([] {
    if (!take_priority().real_time) std::_Exit(not_permitted);
    ::alarm(20);  // a bound for the test: SIGALRM is not what is expected
    for (volatile bool spin = true; spin;) {
    }
  });
  if (WIFEXITED(status) && WEXITSTATUS(status) == not_permitted) {
    GTEST_SKIP() << "no real-time class is permitted here";
  }
  ASSERT_TRUE(WIFSIGNALED(status));
  EXPECT_EQ(WTERMSIG(status), SIGXCPU);
}

}  // namespace
}  // namespace chargewright::safety

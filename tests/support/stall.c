/* Stops, slows or spins single threads of the daemon and its dead-man, from outside and at any
 * moment: preloaded, it looks at a mapped file wherever such a thread waits for its next turn. The
 * programs know nothing of it.
 *
 *   STALL_CONTROL=FILE    a struct stall_control that exists */
#define _GNU_SOURCE
#include "tests/support/stall.h"

#include <dlfcn.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

static const struct stall_control* control;
static int is_daemon;
static int is_dead_man;

__attribute__((constructor)) static void begin(void) {
  const char* file = getenv("STALL_CONTROL");
  char self[4096];
  const ssize_t size = readlink("/proc/self/exe", self, sizeof self - 1);
  if (file == NULL || size <= 0) return;
  self[size] = 0;
  const char* name = strrchr(self, '/') + 1;
  is_daemon = strcmp(name, "chargewrightd") == 0;
  is_dead_man = strcmp(name, "chargewright-dead-man") == 0;
  if (!is_daemon && !is_dead_man) return;
  const int fd = open(file, O_RDONLY | O_CLOEXEC);
  if (fd < 0) return;
  void* at = mmap(NULL, sizeof *control, PROT_READ, MAP_SHARED, fd, 0);
  close(fd);
  if (at != MAP_FAILED) control = at;
}

static void obey(enum stall_party party) {
  if (control->mode[party] == stall_slowed) {
    const uint32_t ms = control->slow_ms[party];
    const struct timespec pause = {.tv_sec = ms / 1000, .tv_nsec = (ms % 1000) * 1000000L};
    nanosleep(&pause, NULL);
  }
  const struct timespec moment = {.tv_sec = 0, .tv_nsec = 1000000};
  while (control->mode[party] == stall_stopped) nanosleep(&moment, NULL);
  while (control->mode[party] == stall_spinning) {
  }
}

/* A thread is about to wait: `guard`, it is in the call that only the guard and the server make. */
static void turn(int arms_timer) {
  if (control == NULL) return;
  if (is_dead_man) {
    obey(stall_dead_man);
    return;
  }
  obey(stall_daemon);
  char name[16] = "";
  pthread_getname_np(pthread_self(), name, sizeof name);
  if (strcmp(name, "run") == 0) obey(stall_sequencer);
  const int others = strcmp(name, "serve") == 0 || getpid() == (pid_t)syscall(SYS_gettid);
  if (arms_timer && !others) obey(stall_guard);
}

int timerfd_settime(int fd, int flags, const struct itimerspec* when, struct itimerspec* before) {
  turn(1);
  return (int)syscall(SYS_timerfd_settime, fd, flags, when, before);
}
int epoll_wait(int epoll, struct epoll_event* events, int most, int ms) {
  turn(0);
  return (int)syscall(SYS_epoll_pwait, epoll, events, most, ms, NULL, 0);
}
int ppoll(struct pollfd* fds, nfds_t count, const struct timespec* time, const sigset_t* mask) {
  turn(0);
  struct timespec left = {0, 0};
  if (time != NULL) left = *time;
  return (int)syscall(SYS_ppoll, fds, count, time == NULL ? NULL : &left, mask, 8);
}
int sigtimedwait(const sigset_t* set, siginfo_t* info, const struct timespec* time) {
  turn(0);
  return (int)syscall(SYS_rt_sigtimedwait, set, info, time, 8);
}
int pthread_cond_clockwait(pthread_cond_t* condition, pthread_mutex_t* mutex, clockid_t clock,
                           const struct timespec* until) {
  turn(0);
  int (*next)(pthread_cond_t*, pthread_mutex_t*, clockid_t, const struct timespec*) = NULL;
  *(void**)&next = dlsym(RTLD_NEXT, "pthread_cond_clockwait");
  return next(condition, mutex, clock, until);
}

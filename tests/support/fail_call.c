/* Makes one call of one program fail, once: preloaded, it counts the calls of each kind and gives
 * the n-th of one kind the failure that the environment names. Everything else goes to the system.
 *
 *   FAIL_CALL_IN=chargewrightd     name of the program (its children by exec are left alone)
 *   FAIL_CALL_REPORT=FILE          sizeof(struct report) bytes that exist; mapped, so that the
 * counts outlive the program FAIL_CALL=KIND:N:HOW           HOW: an errno name, or `short` (a part
 * is done); `none:0:-` counts; N+ for N: that one and all after it
 *
 * Calls that libraries make inside the C library itself are not seen. */
#define _GNU_SOURCE
#include "tests/support/fail_call.h"

#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <spawn.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/timerfd.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

static struct fail_report* report; /* null: count nothing, fail nothing */
static int wanted_kind = -1;
static uint64_t wanted_call;
static uint64_t last_wanted_call;
static int wanted_errno; /* 0: short */

static const struct {
  const char* name;
  int number;
} errors[] = {{"EIO", EIO},       {"ENOSPC", ENOSPC},         {"EMFILE", EMFILE},
              {"EINTR", EINTR},   {"ENOMEM", ENOMEM},         {"EAGAIN", EAGAIN},
              {"EACCES", EACCES}, {"ECONNRESET", ECONNRESET}, {"ECONNREFUSED", ECONNREFUSED},
              {"EPIPE", EPIPE},   {"EADDRINUSE", EADDRINUSE}, {"EINVAL", EINVAL},
              {"ENOLCK", ENOLCK}, {"ENOBUFS", ENOBUFS},       {"ECONNABORTED", ECONNABORTED},
              {"short", 0}};

__attribute__((constructor)) static void begin(void) {
  const char* program = getenv("FAIL_CALL_IN");
  const char* file = getenv("FAIL_CALL_REPORT");
  const char* what = getenv("FAIL_CALL");
  if (program == NULL || file == NULL || what == NULL) return;
  char self[4096];
  const ssize_t size = readlink("/proc/self/exe", self, sizeof self - 1);
  if (size <= 0) return;
  self[size] = 0;
  const char* slash = strrchr(self, '/');
  if (slash == NULL || strcmp(slash + 1, program) != 0) return;
  char kind[32];
  char how[32];
  unsigned long long n = 0;
  const int once = sscanf(what, "%31[^:]:%llu:%31s", kind, &n, how) == 3;
  if (!once && sscanf(what, "%31[^:]:%llu+:%31s", kind, &n, how) != 3) return;
  for (int k = 0; k < fail_kinds; ++k) {
    if (strcmp(kind, fail_kind_names[k]) == 0) wanted_kind = k;
  }
  for (size_t k = 0; k < sizeof errors / sizeof errors[0]; ++k) {
    if (strcmp(how, errors[k].name) == 0) wanted_errno = errors[k].number;
  }
  wanted_call = n;
  last_wanted_call = once ? n : UINT64_MAX;
  const int fd = (int)syscall(SYS_openat, AT_FDCWD, file, O_RDWR | O_CLOEXEC);
  if (fd < 0) return;
  void* at = (void*)syscall(SYS_mmap, NULL, sizeof *report, PROT_READ | PROT_WRITE, MAP_SHARED, fd,
                            (off_t)0);
  syscall(SYS_close, fd);
  if (at != MAP_FAILED) report = at;
}

static void tell(const char* call, int fd) {
  struct timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  report->at_ns = now.tv_sec * 1000000000LL + now.tv_nsec;
  char name[64];
  char path[256] = "";
  if (fd >= 0) {
    snprintf(name, sizeof name, "/proc/self/fd/%d", fd);
    const ssize_t size = readlink(name, path, sizeof path - 1);
    if (size > 0) path[size] = 0;
  }
  char thread[16] = "";
  pthread_getname_np(pthread_self(), thread, sizeof thread);
  snprintf(report->what, sizeof report->what, "%s %s (thread %s)", call, path, thread);
  report->fired = 1;
}

/* 1: this call fails, and errno says how (0 in wanted_errno: do a part). */
static int fails(enum fail_kind kind, const char* call, int fd) {
  if (report == NULL) return 0;
  const uint64_t mine = atomic_fetch_add(&report->count[kind], 1) + 1;
  if ((int)kind != wanted_kind || mine < wanted_call || mine > last_wanted_call) return 0;
  if (kind == fail_alloc) {
    report->fired = 1; /* telling more would allocate */
  } else {
    tell(call, fd);
  }
  errno = wanted_errno;
  return 1;
}

/* Of calls that move bytes: how many of them this one may move; -1: none, it fails. */
static ssize_t share(enum fail_kind kind, const char* call, int fd, size_t count) {
  if (!fails(kind, call, fd)) return (ssize_t)count;
  if (wanted_errno != 0) return -1;
  return count > 1 ? (ssize_t)(count / 2) : (ssize_t)count;
}

/* ---- reading and writing -------------------------------------------------------------------- */

ssize_t read(int fd, void* into, size_t count) {
  const ssize_t part = share(fail_read, "read", fd, count);
  return part < 0 ? -1 : syscall(SYS_read, fd, into, (size_t)part);
}
ssize_t pread64(int fd, void* into, size_t count, off64_t at) {
  const ssize_t part = share(fail_read, "pread", fd, count);
  return part < 0 ? -1 : syscall(SYS_pread64, fd, into, (size_t)part, at);
}
ssize_t pread(int fd, void* into, size_t count, off_t at) { return pread64(fd, into, count, at); }
ssize_t readv(int fd, const struct iovec* into, int count) {
  return fails(fail_read, "readv", fd) && errno != 0 ? -1 : syscall(SYS_readv, fd, into, count);
}
ssize_t write(int fd, const void* from, size_t count) {
  const ssize_t part = share(fail_write, "write", fd, count);
  return part < 0 ? -1 : syscall(SYS_write, fd, from, (size_t)part);
}
ssize_t pwrite64(int fd, const void* from, size_t count, off64_t at) {
  const ssize_t part = share(fail_write, "pwrite", fd, count);
  return part < 0 ? -1 : syscall(SYS_pwrite64, fd, from, (size_t)part, at);
}
ssize_t pwrite(int fd, const void* from, size_t count, off_t at) {
  return pwrite64(fd, from, count, at);
}
ssize_t writev(int fd, const struct iovec* from, int count) {
  return fails(fail_write, "writev", fd) && errno != 0 ? -1 : syscall(SYS_writev, fd, from, count);
}
ssize_t recv(int fd, void* into, size_t count, int flags) {
  const ssize_t part = share(fail_recv, "recv", fd, count);
  return part < 0 ? -1 : syscall(SYS_recvfrom, fd, into, (size_t)part, flags, NULL, NULL);
}
ssize_t recvmsg(int fd, struct msghdr* message, int flags) {
  return fails(fail_recv, "recvmsg", fd) && errno != 0 ? -1
                                                       : syscall(SYS_recvmsg, fd, message, flags);
}
ssize_t send(int fd, const void* from, size_t count, int flags) {
  const ssize_t part = share(fail_send, "send", fd, count);
  return part < 0 ? -1 : syscall(SYS_sendto, fd, from, (size_t)part, flags, NULL, 0);
}
ssize_t sendmsg(int fd, const struct msghdr* message, int flags) {
  return fails(fail_send, "sendmsg", fd) && errno != 0 ? -1
                                                       : syscall(SYS_sendmsg, fd, message, flags);
}

/* ---- files ---------------------------------------------------------------------------------- */

static int open_at(int folder, const char* path, int flags, va_list list) {
  const mode_t mode = (flags & (O_CREAT | O_TMPFILE)) != 0 ? (mode_t)va_arg(list, int) : (mode_t)0;
  if (fails(fail_open, path, -1)) return -1;
  return (int)syscall(SYS_openat, folder, path, flags, mode);
}
#define OPEN(name)                                       \
  int name(const char* path, int flags, ...) {           \
    va_list list;                                        \
    va_start(list, flags);                               \
    const int fd = open_at(AT_FDCWD, path, flags, list); \
    va_end(list);                                        \
    return fd;                                           \
  }
OPEN(open)
OPEN(open64)
#define OPENAT(name)                                       \
  int name(int folder, const char* path, int flags, ...) { \
    va_list list;                                          \
    va_start(list, flags);                                 \
    const int fd = open_at(folder, path, flags, list);     \
    va_end(list);                                          \
    return fd;                                             \
  }
OPENAT(openat)
OPENAT(openat64)

int close(int fd) {
  const int failed = fails(fail_close, "close", fd);
  const int result = (int)syscall(SYS_close, fd);
  if (!failed) return result;
  errno = wanted_errno;
  return -1;
}
int fsync(int fd) { return fails(fail_sync, "fsync", fd) ? -1 : (int)syscall(SYS_fsync, fd); }
int fdatasync(int fd) {
  return fails(fail_sync, "fdatasync", fd) ? -1 : (int)syscall(SYS_fdatasync, fd);
}
int rename(const char* from, const char* to) {
  return fails(fail_rename, to, -1) ? -1
                                    : (int)syscall(SYS_renameat2, AT_FDCWD, from, AT_FDCWD, to, 0);
}
int unlink(const char* path) {
  return fails(fail_unlink, path, -1) ? -1 : (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0);
}
int ftruncate64(int fd, off64_t size) {
  return fails(fail_truncate, "ftruncate", fd) ? -1 : (int)syscall(SYS_ftruncate, fd, size);
}
int ftruncate(int fd, off_t size) { return ftruncate64(fd, size); }
int mkdir(const char* path, mode_t mode) {
  return fails(fail_mkdir, path, -1) ? -1 : (int)syscall(SYS_mkdirat, AT_FDCWD, path, mode);
}
int flock(int fd, int how) {
  return fails(fail_lock, "flock", fd) ? -1 : (int)syscall(SYS_flock, fd, how);
}
#define FCNTL(name)                                        \
  int name(int fd, int command, ...) {                     \
    va_list list;                                          \
    va_start(list, command);                               \
    void* argument = va_arg(list, void*);                  \
    va_end(list);                                          \
    if (fails(fail_lock, "fcntl", fd)) return -1;          \
    return (int)syscall(SYS_fcntl, fd, command, argument); \
  }
FCNTL(fcntl)
FCNTL(fcntl64)
void* mmap64(void* at, size_t size, int protection, int flags, int fd, off64_t offset) {
  if (fails(fail_map, "mmap", fd)) return MAP_FAILED;
  return (void*)syscall(SYS_mmap, at, size, protection, flags, fd, offset);
}
void* mmap(void* at, size_t size, int protection, int flags, int fd, off_t offset) {
  return mmap64(at, size, protection, flags, fd, offset);
}

/* ---- sockets, devices, waiting -------------------------------------------------------------- */

int socket(int family, int type, int protocol) {
  return fails(fail_socket, "socket", -1) ? -1 : (int)syscall(SYS_socket, family, type, protocol);
}
int pipe2(int fds[2], int flags) {
  return fails(fail_socket, "pipe2", -1) ? -1 : (int)syscall(SYS_pipe2, fds, flags);
}
int socketpair(int family, int type, int protocol, int fds[2]) {
  return fails(fail_socket, "socketpair", -1)
             ? -1
             : (int)syscall(SYS_socketpair, family, type, protocol, fds);
}
int connect(int fd, const struct sockaddr* to, socklen_t size) {
  return fails(fail_connect, "connect", fd) ? -1 : (int)syscall(SYS_connect, fd, to, size);
}
int bind(int fd, const struct sockaddr* to, socklen_t size) {
  return fails(fail_bind, "bind", fd) ? -1 : (int)syscall(SYS_bind, fd, to, size);
}
int listen(int fd, int backlog) {
  return fails(fail_bind, "listen", fd) ? -1 : (int)syscall(SYS_listen, fd, backlog);
}
int accept4(int fd, struct sockaddr* from, socklen_t* size, int flags) {
  return fails(fail_accept, "accept", fd) ? -1 : (int)syscall(SYS_accept4, fd, from, size, flags);
}
int accept(int fd, struct sockaddr* from, socklen_t* size) { return accept4(fd, from, size, 0); }
int ioctl(int fd, unsigned long request, ...) {
  va_list list;
  va_start(list, request);
  void* argument = va_arg(list, void*);
  va_end(list);
  return fails(fail_ioctl, "ioctl", fd) ? -1 : (int)syscall(SYS_ioctl, fd, request, argument);
}
int epoll_create1(int flags) {
  return fails(fail_poll, "epoll_create1", -1) ? -1 : (int)syscall(SYS_epoll_create1, flags);
}
int epoll_ctl(int epoll, int operation, int fd, struct epoll_event* event) {
  return fails(fail_poll, "epoll_ctl", fd)
             ? -1
             : (int)syscall(SYS_epoll_ctl, epoll, operation, fd, event);
}
int epoll_wait(int epoll, struct epoll_event* events, int most, int ms) {
  return fails(fail_wait, "epoll_wait", epoll)
             ? -1
             : (int)syscall(SYS_epoll_pwait, epoll, events, most, ms, NULL, 0);
}
int eventfd(unsigned first, int flags) {
  return fails(fail_poll, "eventfd", -1) ? -1 : (int)syscall(SYS_eventfd2, first, flags);
}
int timerfd_create(int clock, int flags) {
  return fails(fail_timer, "timerfd_create", -1) ? -1
                                                 : (int)syscall(SYS_timerfd_create, clock, flags);
}
int timerfd_settime(int fd, int flags, const struct itimerspec* when, struct itimerspec* before) {
  return fails(fail_timer, "timerfd_settime", fd)
             ? -1
             : (int)syscall(SYS_timerfd_settime, fd, flags, when, before);
}

/* ---- threads, processes, memory ------------------------------------------------------------- */

int pthread_create(pthread_t* thread, const pthread_attr_t* attributes, void* (*run)(void*),
                   void* with) {
  if (fails(fail_thread, "pthread_create", -1)) return wanted_errno;
  int (*next)(pthread_t*, const pthread_attr_t*, void* (*)(void*), void*) = NULL;
  *(void**)&next = dlsym(RTLD_NEXT, "pthread_create");
  return next(thread, attributes, run, with);
}
int posix_spawn(pid_t* id, const char* path, const posix_spawn_file_actions_t* actions,
                const posix_spawnattr_t* attributes, char* const words[], char* const variables[]) {
  if (fails(fail_thread, "posix_spawn", -1)) return wanted_errno;
  int (*next)(pid_t*, const char*, const posix_spawn_file_actions_t*, const posix_spawnattr_t*,
              char* const*, char* const*) = NULL;
  *(void**)&next = dlsym(RTLD_NEXT, "posix_spawn");
  return next(id, path, actions, attributes, words, variables);
}

void* __libc_malloc(size_t size);
void* __libc_calloc(size_t count, size_t size);
void* __libc_realloc(void* old, size_t size);
void* __libc_memalign(size_t alignment, size_t size);

void* malloc(size_t size) { return fails(fail_alloc, "malloc", -1) ? NULL : __libc_malloc(size); }
void* calloc(size_t count, size_t size) {
  return fails(fail_alloc, "calloc", -1) ? NULL : __libc_calloc(count, size);
}
void* realloc(void* old, size_t size) {
  return fails(fail_alloc, "realloc", -1) ? NULL : __libc_realloc(old, size);
}
void* aligned_alloc(size_t alignment, size_t size) {
  return fails(fail_alloc, "aligned_alloc", -1) ? NULL : __libc_memalign(alignment, size);
}
int posix_memalign(void** into, size_t alignment, size_t size) {
  if (fails(fail_alloc, "posix_memalign", -1)) return ENOMEM;
  *into = __libc_memalign(alignment, size);
  return *into == NULL ? ENOMEM : 0;
}

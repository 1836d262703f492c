/* What tests/support/fail_call.c counts and reports; shared with the programs that read it. */
#pragma once
#include <stdint.h>
#ifdef __cplusplus
#define FAIL_COUNT uint64_t
#else
#include <stdatomic.h>
#define FAIL_COUNT _Atomic uint64_t
#endif

enum fail_kind {
  fail_read,
  fail_write,
  fail_recv,
  fail_send,
  fail_open,
  fail_close,
  fail_sync,
  fail_rename,
  fail_unlink,
  fail_truncate,
  fail_mkdir,
  fail_lock,
  fail_map,
  fail_socket,
  fail_connect,
  fail_bind,
  fail_accept,
  fail_ioctl,
  fail_poll,
  fail_wait,
  fail_timer,
  fail_thread,
  fail_alloc,
  fail_kinds
};

static const char* const fail_kind_names[fail_kinds] = {
    "read",   "write",    "recv",  "send", "open",  "close",  "sync",    "rename",
    "unlink", "truncate", "mkdir", "lock", "map",   "socket", "connect", "bind",
    "accept", "ioctl",    "poll",  "wait", "timer", "thread", "alloc"};

struct fail_report {
  FAIL_COUNT count[fail_kinds];
  int64_t at_ns; /* CLOCK_MONOTONIC */
  uint32_t fired;
  char what[400];
};

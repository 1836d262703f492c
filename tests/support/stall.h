/* What tests/support/stall.c obeys; mapped by it and by the program that stalls. */
#pragma once
#include <stdint.h>

enum stall_party { stall_sequencer, stall_guard, stall_daemon, stall_dead_man, stall_parties };
enum stall_mode { stall_not, stall_stopped, stall_slowed, stall_spinning };

struct stall_control {
  volatile uint32_t mode[stall_parties];
  volatile uint32_t slow_ms[stall_parties]; /* by which each turn is slowed */
};

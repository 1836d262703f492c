#pragma once
// The daemon's life after its files are loaded: what is started in which order, what is looked
// after, and how it ends. Outputs are brought to off first of all at start, and first of all at the
// end (S6).

#include <atomic>
#include <memory>
#include <mutex>
#include <string>
#include <vector>

#include "daemon/serve/daemon_files.h"
#include "daemon/serve/dead_man.h"
#include "daemon/serve/guard_wire.h"
#include "daemon/serve/server.h"
#include "daemon/serve/service_manager.h"
#include "daemon/serve/supervisor.h"
#include "daemon/state/lock.h"

namespace chargewright::daemon {

class Life {
 public:
  Life(DaemonOptions options, DaemonFiles files, Log log);
  ~Life();
  Life(const Life&) = delete;
  Life& operator=(const Life&) = delete;

  // Locks, state, guard, records, server; a failure leaves every output off.
  drivers::Result<void> begin();
  // Until a signal to end, or a fault of our own; false for the latter.
  bool watch();
  // Off, verified; records closed. False: not all verified off.
  bool end();

  // Last act of a dying process: the guard is asked to stop, once, within its own bound.
  void last_resort();

 private:
  void died(const std::string& why);
  drivers::Result<void> take_locks();
  drivers::Result<void> start_dead_man();
  void close_old_records();
  void tell_former_end();
  void tell_priority();
  [[nodiscard]] std::string waiting_for();

  const DaemonOptions options_;
  const DaemonFiles files_;
  const Log log_;
  ServiceManager manager_;
  std::vector<Lock> locks_;
  std::unique_ptr<StateStore> state_;
  std::vector<std::string> former_end_;  // what the dead-man of a former life wrote
  std::unique_ptr<DeadMan> dead_man_;
  Backlog backlog_;
  std::unique_ptr<GuardWire> guard_;
  std::unique_ptr<Supervisor> supervisor_;
  std::unique_ptr<Server> server_;
  std::atomic<bool> dying_ = false;
};

// SIGTERM and SIGINT are waited for, in watch(), and nowhere else; SIGHUP, SIGPIPE and SIGXFSZ
// are ignored.
// Before any thread is started.
void prepare_signals();

}  // namespace chargewright::daemon

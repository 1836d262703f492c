// The daemon: runs one bench.

#include <unistd.h>

#include <atomic>
#include <exception>

#include "daemon/cli/exit_code.h"
#include "daemon/serve/daemon_files.h"
#include "daemon/serve/daemon_options.h"
#include "daemon/serve/journal.h"
#include "daemon/serve/life.h"

namespace {

using namespace chargewright::daemon;

std::atomic<Life*> living = nullptr;

// Our own bug, of the kind that no handler took: off first, then the end (S4, S6). If even that
// hangs, the alarm ends us, and the service manager's ExecStopPost cuts.
[[noreturn]] void on_terminate() {
  ::alarm(8);
  constexpr char text[] = "chargewrightd: a fault of our own; every output is being cut\n";
  [[maybe_unused]] const auto written = ::write(STDERR_FILENO, text, sizeof text - 1);
  if (Life* life = living.exchange(nullptr)) life->last_resort();
  std::abort();
}

int run(const DaemonOptions& options) {
  const Log log = open_journal();
  auto files = load_daemon_files(options);
  if (!files) {
    for (const auto& problem : files.error().list) log(LogLevel::critical, describe(problem));
    return static_cast<int>(ExitCode::bad_input);
  }
  prepare_signals();
  Life life{options, std::move(*files), log};
  living = &life;
  const auto begun = life.begin();
  if (!begun) log(LogLevel::critical, describe(begun.error()));
  const bool asked = begun && life.watch();
  const bool off = life.end();
  living = nullptr;
  if (!begun) return static_cast<int>(ExitCode::refused);
  if (!off) return static_cast<int>(ExitCode::tripped);
  return static_cast<int>(asked ? ExitCode::done : ExitCode::usage);
}

}  // namespace

int main(int count, char** words) {
  int exit_code = 0;
  const auto options = parse_daemon_options(count, words, exit_code);
  if (!options) return exit_code;
  std::set_terminate(on_terminate);
  return run(*options);
}

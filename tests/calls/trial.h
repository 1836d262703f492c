#pragma once
// One short run of the daemon on the simulated bench with one of its calls made to fail, and what
// became of it. The oracle is the simulator's own state and log; the record is read by SQLite
// alone.

#include <array>
#include <cstdint>
#include <string>

#include "tests/support/fail_call.h"

namespace chargewright::test {

struct Failing {
  std::string kind = "none";  // a name of fail_kind_names
  std::uint64_t call = 0;     // which one, from 1
  std::string how = "-";      // errno name, or "short"
  bool start_only = false;    // no run: started, and told to end
};

enum class Ended {
  went_on,        // the run was what it would have been, its record is whole
  refused_start,  // the daemon ended before it was ready, and said so by its exit code
  refused_run,    // the daemon lived, the run was refused
  tripped,        // cut, latched
  run_failed,     // output off, and the run says that it failed
  died,           // the daemon ended by itself during or after the run, and the output is off
  not_reached,    // the run had fewer calls of this kind
  // Defects:
  left_on,
  hung,
  broken_record,
  lost_data,  // the run says that all is well, and its record lacks some of it
  damaged_state,
  broken_trial,  // the trial itself failed
};
inline constexpr std::size_t ended_kinds = 13;
std::string_view key_of(Ended ended);
constexpr bool is_defect(Ended ended) { return ended >= Ended::left_on; }

struct Trial {
  Ended ended = Ended::broken_trial;
  std::string where;  // what call it was
  std::string note;
  double off_after_s = -1;  // from the failure to the output off, where it was on
  std::array<std::uint64_t, fail_kinds> counts{};
};

// With tests/support/fail_call.c preloaded into the daemon.
Trial try_with(const Failing& failing);

}  // namespace chargewright::test

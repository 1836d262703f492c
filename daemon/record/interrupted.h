#pragma once
// What the record of an interrupted run says of where the run stood: all that a life of the daemon
// knows of the one before it, when it decides whether the run may go on (S9). Values are in V and A
// at the cell; times are of the bench's clock, since the run began.

#include "daemon/record/record.h"

namespace chargewright::daemon {

struct InterruptedRun {
  RecordHeader header;  // with the files' texts, whose digests are those that stand beside them
  std::optional<Phase> ended;   // as it was closed
  Phase phase = Phase::arming;  // the last that was told
  bool cut_began = false;       // a cause was present, or a cut under way or done
  drivers::Duration length{};   // to the last thing recorded
  // Counted so far, the step at which it stood, and how long that had lasted.
  safety::Carried carried{};
  std::optional<double> voltage_before;  // at rest, before the output went on
  std::optional<double> voltage_last;
  double current_most = 0;  // into the cell
  // With the output on, since the last usable reading of the current, or since it went on after
  // that: `carried` does not know what flowed in it, `length` ends with it.
  drivers::Duration unread{};
};

// Fails where the record cannot be read, is damaged, or holds a file that is not what its digest
// says.
drivers::Result<InterruptedRun> read_interrupted(const std::string& path);

}  // namespace chargewright::daemon

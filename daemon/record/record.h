#pragma once
// The record of one run: one SQLite file, `<start>-<bench>-<channel>-<profile>.run` (S10). Written
// by the record thread alone; format in docs/record.md. `synchronous=FULL` with a transaction at
// most every 500 ms (1 s bound of S10), at once for trips, refusals and ends. While it is written
// the file has a write-ahead log beside it (so that reading it never holds up the writer); a
// finished record is one file.

#include <chrono>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "daemon/run/progress.h"
#include "drivers/failure.h"
#include "safety/guard.h"

namespace chargewright::daemon {

using WallTime = std::chrono::system_clock::time_point;

struct RecordedFile {
  std::string role;  // bench, cell, profile, policy, dialect
  std::string name;
  std::string text;  // exact bytes; its SHA-256 is stored beside it
};

// Of a run that goes on where an interruption left another (S9).
struct Resumed {
  std::string run;            // id of the record that ends with the interruption
  int times = 1;              // in a row without a person, this one counted
  safety::Carried carried{};  // counted in that record, and in those before it
};

struct RecordHeader {
  std::string bench;
  std::string channel;
  std::string profile;
  std::string cell;
  WallTime started{};
  drivers::Instant began{};  // the monotonic instant of `started`
  double speed = 1;          // of the clock; 1 on anything real
  std::vector<RecordedFile> files;
  std::vector<std::pair<std::string, std::string>> identities;  // instrument, its *IDN? answer
  std::vector<std::string> instruments;                         // names by InstrumentId
  std::vector<std::string> steps;                               // names by Progress::step_in_file
  std::string version;
  std::optional<Resumed> resumed{};  // absent: a person started it
};

// Of a run that was resumed: of the whole of it, what was carried included.
struct RecordEnd {
  Phase phase = Phase::done;
  WallTime at{};
  double charge_in_ah = 0, charge_out_ah = 0, energy_in_wh = 0, energy_out_wh = 0;
  double on_time_s = 0;
};

class RecordWriter {
 public:
  // Creates the file (never overwrites: a free name is chosen) and stores the header.
  static drivers::Result<std::unique_ptr<RecordWriter>> create(const std::string& folder,
                                                               const RecordHeader& header);
  virtual ~RecordWriter() = default;
  virtual drivers::Result<void> add(const safety::Event& event) = 0;
  virtual drivers::Result<void> add(const Progress& progress, drivers::Instant at) = 0;
  // Commits when due; called by the record thread at least every 100 ms.
  virtual drivers::Result<void> turn(std::chrono::steady_clock::time_point now) = 0;
  virtual drivers::Result<void> commit() = 0;
  // Commits, and folds the log into the one file.
  virtual drivers::Result<void> end(const RecordEnd& end) = 0;
  [[nodiscard]] virtual const std::string& path() const = 0;
};

struct RecordSummary {
  std::string path;
  RecordHeader header;           // without file texts
  std::optional<RecordEnd> end;  // absent: still running, or interrupted
  std::string trip;              // description of the latched fault, empty if none
  std::string refusal;
};

drivers::Result<RecordSummary> summarise(const std::string& path);
// Newest first; files that are not records are passed over, broken ones reported in `problems`.
std::vector<RecordSummary> list_records(const std::string& folder,
                                        std::vector<drivers::Failure>& problems);

enum class ExportFormat { bdf, csv };
// Open Battery Data Format (`.bdf.csv`, preferred labels) or plain CSV of all readings; written to
// a temporary file and renamed, never half.
drivers::Result<void> export_record(const std::string& record, ExportFormat format,
                                    const std::string& to);

// Closes the records of this bench that a former life of its daemon left open, as interrupted;
// returns their paths. Those of other benches may be growing right now.
drivers::Result<std::vector<std::string>> close_interrupted(const std::string& folder,
                                                            const std::string& bench, WallTime now);

}  // namespace chargewright::daemon

#include <unistd.h>

#include <cmath>

#include "daemon/record/database.h"
#include "daemon/record/digest.h"
#include "daemon/record/file_name.h"
#include "daemon/record/record.h"
#include "daemon/record/schema.h"
#include "daemon/record/words.h"

namespace chargewright::daemon {
namespace {

using drivers::Failure;
using drivers::Instant;
using drivers::Result;
using SteadyTime = std::chrono::steady_clock::time_point;

// Half of what S10 allows, so that a slow disk has the other half.
constexpr auto commit_interval = std::chrono::milliseconds(500);

std::int64_t unix_ns(WallTime time) {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(time.time_since_epoch()).count();
}

// What a reader needs to see at once, even if power fails in the same second.
bool is_urgent(safety::Event::Kind kind) {
  using Kind = safety::Event::Kind;
  switch (kind) {
    case Kind::tripped:
    case Kind::refused:
    case Kind::alarm:
    case Kind::acknowledged:
      return true;
    case Kind::reading:
    case Kind::state_changed:
    case Kind::setpoints_set:
    case Kind::output_changed:
    case Kind::cause_present:
    case Kind::cut_stage:
    case Kind::instrument_error:
    case Kind::link_changed:
      return false;
  }
  return false;
}

std::string words_for(const safety::Event& event) {
  if (event.fault.cause != safety::Cause::none) return safety::describe(event.fault);
  if (event.refusal != safety::Refusal::none) return words_of_refusal(event);
  return {};
}

class Writer final : public RecordWriter {
 public:
  Writer(Database database, Instant began) : database_(std::move(database)), began_(began) {}

  Result<void> store_header(const RecordHeader& header);
  Result<void> prepare();

  Result<void> add(const safety::Event& event) override;
  Result<void> add(const Progress& progress, Instant at) override;
  Result<void> turn(SteadyTime now) override;
  Result<void> commit() override;
  Result<void> end(const RecordEnd& end) override;
  [[nodiscard]] const std::string& path() const override { return database_.path(); }

 private:
  // A record that failed once stays failed: what follows would hide the gap.
  Result<void> keep(Result<void> result);
  Result<void> open_transaction();
  Result<void> add_reading(const safety::Event& event);
  Result<void> add_other(const safety::Event& event);
  void fold();
  [[nodiscard]] std::int64_t since(Instant at) const { return (at - began_).count(); }

  Database database_;
  Instant began_;
  Statement reading_;
  Statement event_;
  Statement progress_;
  bool in_transaction_ = false;
  std::optional<SteadyTime> first_uncommitted_;
  std::optional<Failure> failed_;
  bool ended_ = false;
};

Result<void> Writer::keep(Result<void> result) {
  if (result.has_error() && !failed_) failed_ = result.error();
  return result;
}

Result<void> Writer::store_header(const RecordHeader& header) {
  if (auto done = database_.execute("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; BEGIN");
      done.has_error()) {
    return done;
  }
  if (auto done = database_.execute(record_schema); done.has_error()) return done;
  const auto insert = [this](const char* sql, const auto&... values) -> Result<void> {
    Result<Statement> statement = database_.prepare(sql);
    if (statement.has_error()) return statement.error();
    return statement->run(values...);
  };
  auto done =
      insert("INSERT INTO run VALUES (1, ?, ?, ?, ?, ?, ?, ?)", header.bench, header.channel,
             header.profile, header.cell, unix_ns(header.started), header.speed, header.version);
  if (done.has_error()) return done;
  for (const RecordedFile& file : header.files) {
    done = insert("INSERT INTO file VALUES (?, ?, ?, ?)", file.role, file.name, sha256(file.text),
                  file.text);
    if (done.has_error()) return done;
  }
  for (const auto& [instrument, answer] : header.identities) {
    done = insert("INSERT INTO identity VALUES (?, ?)", instrument, answer);
    if (done.has_error()) return done;
  }
  for (std::size_t i = 0; i < header.instruments.size(); ++i) {
    done = insert("INSERT INTO instrument VALUES (?, ?)", static_cast<std::int64_t>(i),
                  header.instruments[i]);
    if (done.has_error()) return done;
  }
  for (std::size_t i = 0; i < header.steps.size(); ++i) {
    done = insert("INSERT INTO step VALUES (?, ?)", static_cast<std::int64_t>(i), header.steps[i]);
    if (done.has_error()) return done;
  }
  if (header.resumed) {
    const safety::Carried& carried = header.resumed->carried;
    done = insert(
        "INSERT INTO resumption VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", header.resumed->run,
        header.resumed->times, int{carried.step}, drivers::in_seconds(carried.step_time),
        drivers::in_ampere_hours(carried.charge_in), drivers::in_ampere_hours(carried.charge_out),
        drivers::in_ampere_hours(carried.uncertain), drivers::in_watt_hours(carried.energy_in),
        drivers::in_watt_hours(carried.energy_out), drivers::in_seconds(carried.on_time));
    if (done.has_error()) return done;
  }
  return database_.execute("COMMIT");
}

Result<void> Writer::prepare() {
  struct Wanted {
    Statement& into;
    const char* sql;
  };
  for (const Wanted& wanted :
       {Wanted{reading_, "INSERT INTO reading VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?)"},
        Wanted{event_,
               "INSERT INTO event VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, "
               "?, ?)"},
        Wanted{progress_, "INSERT INTO progress VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?)"}}) {
    Result<Statement> statement = database_.prepare(wanted.sql);
    if (statement.has_error()) return statement.error();
    wanted.into = std::move(*statement);
  }
  return {};
}

Result<void> Writer::open_transaction() {
  if (failed_) return *failed_;
  if (ended_) return Failure{{.file = path()}, "the record has been ended already", {}};
  if (in_transaction_) return {};
  in_transaction_ = true;
  return database_.execute("BEGIN");
}

Result<void> Writer::add(const safety::Event& event) {
  if (auto open = open_transaction(); open.has_error()) return keep(open);
  const bool is_reading = event.kind == safety::Event::Kind::reading;
  if (auto added = is_reading ? add_reading(event) : add_other(event); added.has_error()) {
    return keep(added);
  }
  return is_urgent(event.kind) ? commit() : Result<void>{};
}

Result<void> Writer::add_reading(const safety::Event& event) {
  const drivers::Reading& reading = event.reading;
  if (reading.answered < began_) return {};  // of the watch before the run
  const double value = reading.valid() ? reading.value : std::nan("");
  return reading_.run(since(reading.asked), since(reading.answered), key_of(reading.measurand),
                      int{reading.instrument}, int{reading.input}, int{event.at_source},
                      key_of(reading.validity), value);
}

Result<void> Writer::add_other(const safety::Event& event) {
  const safety::Fault& fault = event.fault;
  const bool faulty = fault.cause != safety::Cause::none;
  const auto origin = static_cast<safety::Origin>(fault.origin);
  return event_.run(since(event.at), key_of(event.kind), words_for(event), int{event.step},
                    int{event.on}, safety::key_of(event.from), safety::key_of(event.to),
                    faulty ? safety::key_of(fault.cause) : "",
                    safety::is_limit(fault.cause) ? safety::key_of(origin) : "", int{fault.sensor},
                    fault.measured, fault.limit,
                    event.refusal == safety::Refusal::none ? "" : safety::key_of(event.refusal),
                    int{event.cut_stage}, int{event.instrument}, int{event.device_error},
                    std::int64_t{event.number}, event.volts, event.amperes);
}

Result<void> Writer::add(const Progress& progress, Instant at) {
  if (auto open = open_transaction(); open.has_error()) return keep(open);
  return keep(progress_.run(since(at), key_of(progress.phase), int{progress.step},
                            int{progress.step_in_file}, int{progress.steps}, int{progress.cycle},
                            key_of(progress.binding), progress.fraction, progress.seconds_left));
}

Result<void> Writer::turn(SteadyTime now) {
  if (failed_) return *failed_;
  if (!in_transaction_) return {};
  if (!first_uncommitted_) first_uncommitted_ = now;
  if (now - *first_uncommitted_ < commit_interval) return {};
  return commit();
}

Result<void> Writer::commit() {
  if (failed_) return *failed_;
  first_uncommitted_.reset();
  if (!in_transaction_) return {};
  in_transaction_ = false;
  return keep(database_.execute("COMMIT"));
}

Result<void> Writer::end(const RecordEnd& end) {
  if (auto open = open_transaction(); open.has_error()) return keep(open);
  Result<Statement> insert =
      database_.prepare("INSERT INTO run_end VALUES (1, ?, ?, ?, ?, ?, ?, ?)");
  if (insert.has_error()) return keep(insert.error());
  auto done = insert->run(key_of(end.phase), unix_ns(end.at), end.charge_in_ah, end.charge_out_ah,
                          end.energy_in_wh, end.energy_out_wh, end.on_time_s);
  if (done.has_error()) return keep(done);
  if (done = commit(); done.has_error()) return done;
  ended_ = true;
  fold();
  return {};
}

// The log into the one file, which needs to be alone with it. If someone is reading at this moment
// the record is complete all the same, and the last to close it folds what is left. What failed
// half-way leaves a journal behind, without whose undoing nobody may read: it is done anew.
void Writer::fold() {
  constexpr auto folding = "PRAGMA busy_timeout = 0; PRAGMA journal_mode = DELETE";
  for (Statement* statement : {&reading_, &event_, &progress_}) *statement = Statement{};
  if (!database_.execute(folding).has_error()) return;
  Result<Database> anew = Database::open(path(), Database::Mode::write);
  if (anew.has_error()) return;
  database_ = std::move(*anew);
  (void)database_.execute(folding);
}

}  // namespace

Result<std::unique_ptr<RecordWriter>> RecordWriter::create(const std::string& folder,
                                                           const RecordHeader& header) {
  Result<std::string> path = create_record_file(folder, record_stem(header));
  if (path.has_error()) return path.error();
  const auto without_a_trace = [&](const Failure& failure) {
    for (const char* suffix : {"", "-wal", "-shm"}) unlink((*path + suffix).c_str());
    return failure;
  };
  Result<Database> database = Database::open(*path, Database::Mode::write);
  if (database.has_error()) return without_a_trace(database.error());
  auto writer = std::make_unique<Writer>(std::move(*database), header.began);
  auto done = writer->store_header(header);
  if (!done.has_error()) done = writer->prepare();
  if (done.has_error()) return without_a_trace(done.error());
  return std::unique_ptr<RecordWriter>(std::move(writer));
}

}  // namespace chargewright::daemon

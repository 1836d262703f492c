#include "tests/calls/trial.h"

#include <algorithm>
#include <csignal>
#include <cstring>
#include <filesystem>
#include <thread>

#include "daemon/state/store.h"
#include "tests/bench/benches.h"
#include "tests/bench/recorded.h"
#include "tests/support/fail_report.h"
#include "tests/support/places.h"

namespace chargewright::test {
namespace {

namespace fs = std::filesystem;
using namespace std::chrono_literals;

constexpr auto start_bound = 30s;
constexpr auto end_bound =
    40s;  // the daemon's own bounds add up to 13 s, on a machine that is busy
constexpr auto charged_for = 800ms;
// Readings of the bench that is used may be 2 s old before the guard cuts: more than that in a run
// that went on was judged and is not on record.
constexpr double gap_most_s = 2.2;

struct Story {
  ServedBench bench{buffer_bench({})};
  FailReport report{bench.folder().path()};
  std::unique_ptr<Process> daemon;
  bool ready = false;
  bool started = false;
  bool charged = false;
  bool asked_to_end = false;
  Finished end;
};

bool says(Process& daemon, const char* what) {
  daemon.pump(0ms);
  return daemon.err().find(what) != std::string::npos;
}

void begin_daemon(Story& story, const Failing& failing) {
  story.daemon = std::make_unique<Process>(
      story.bench.daemon_words(),
      std::vector<std::string>{
          "LD_PRELOAD=" + in_build("preloaded/fail_call.so"), "FAIL_CALL_IN=chargewrightd",
          "FAIL_CALL_REPORT=" + story.report.path(),
          "FAIL_CALL=" + failing.kind + ':' + std::to_string(failing.call) + ':' + failing.how});
  until([&] { return says(*story.daemon, " ready") || !story.daemon->running(); }, start_bound);
  story.ready = says(*story.daemon, " ready") && story.daemon->running();
}

// The run: approved, started, charged for a moment, stopped.
void run_once(Story& story) {
  ServedBench& bench = story.bench;
  Process& daemon = *story.daemon;
  if (bench.command({"approve", bench.profile_file(), "--cell", bench.cell_file(), "--yes"}, 30s)
          .exit_code != 0) {
    return;
  }
  story.started = bench.start().exit_code == 0;
  if (!story.started) return;
  story.charged = until(
      [&] {
        daemon.pump(0ms);
        return bench.simulator().is_charging() || !daemon.running();
      },
      8s);
  std::this_thread::sleep_for(charged_for);
  if (!daemon.running() || bench.command({"stop"}, 30s).exit_code != 0) return;
  until([&] { return !bench.simulator().output_is_on(); }, 10s);
}

void end_daemon(Story& story) {
  story.asked_to_end = story.daemon->running();
  if (story.asked_to_end) story.daemon->signal(SIGTERM);
  story.end = story.daemon->wait(end_bound);
}

std::vector<std::string> records_of(Story& story) {
  std::vector<std::string> records;
  std::error_code none;
  for (const auto& entry : fs::directory_iterator(story.bench.folder().path() + "/runs", none)) {
    if (entry.path().extension() == ".run") records.push_back(entry.path().string());
  }
  return records;
}

// Empty: whole.
std::string lacks(const std::string& record, double on_for_s) {
  if (on_for_s < 0.3) return {};  // not a reading in it, perhaps
  // Of the readings while the output was on; with it off they are slower, as they may be.
  const double gap = std::stod(in_record(
      record,
      "SELECT coalesce(max(gap), 1e9) FROM (SELECT (answered - lag(answered) OVER (ORDER BY id)) "
      "/ 1e9 AS gap FROM reading WHERE measurand = 'voltage' AND at_source = 0 AND answered "
      "BETWEEN (SELECT min(at) FROM event WHERE kind = 'output-changed' AND is_on) AND "
      "(SELECT max(at) FROM event WHERE kind = 'state-changed' AND from_state = 'energised'))"));
  if (gap > gap_most_s) return "a gap of " + std::to_string(gap) + " s";
  const std::string span = in_record(
      record,
      "SELECT coalesce((max(at) - min(at)) / 1e9, 0) FROM event WHERE kind = 'output-changed'");
  const double recorded_s = std::stod(span);
  if (std::abs(recorded_s - on_for_s) > 0.5) {
    return "on for " + std::to_string(on_for_s) + " s, recorded " + std::to_string(recorded_s);
  }
  return {};
}

// What the bench did: since when the output is off, and how long it was on.
struct Bench {
  double on_s = -1, off_s = -1;
};
Bench bench_of(Story& story) {
  Bench bench;
  for (const BenchEvent& event : story.bench.simulator().log()) {
    if (event.kind == "output-on" && bench.on_s < 0) bench.on_s = event.monotonic_s;
    if (event.kind == "output-off") bench.off_s = event.monotonic_s;
  }
  return bench;
}

Ended judge(Story& story, Trial& trial) {
  // The output first of all. A daemon that died leaves it to those that stand behind it.
  const bool off = until([&] { return !story.bench.simulator().output_is_on(); }, 5s);
  if (!off) return Ended::left_on;
  const Bench bench = bench_of(story);
  const bool was_on = bench.on_s >= 0;
  const double failed_s = static_cast<double>(story.report.get().at_ns) * 1e-9;
  if (was_on && failed_s > bench.on_s && failed_s < bench.off_s) {
    trial.off_after_s = bench.off_s - failed_s;
  }
  const bool hung = story.end.exit_code < 0 && story.end.signal == 0;
  if (hung) return Ended::hung;
  {
    const auto state = daemon::StateStore::open(story.bench.folder().path() + "/state",
                                                "hut-buffer", {"left"}, {});
    if (!state || !(*state)->damage().empty()) {
      trial.note = state ? describe((*state)->damage().front()) : describe(state.error());
      return Ended::damaged_state;
    }
  }
  std::string phase;
  for (const std::string& record : records_of(story)) {
    const std::string sound = in_record(record, "PRAGMA integrity_check");
    if (sound != "ok" || in_record(record, "SELECT count(*) FROM run") != "1") {
      trial.note = record + ": " + sound;
      return Ended::broken_record;
    }
    phase = in_record(record, "SELECT phase FROM run_end");
    if (phase != "stopped" && phase != "done") continue;
    if (const std::string lack = lacks(record, bench.off_s - bench.on_s); !lack.empty()) {
      trial.note = phase + ", " + lack;
      return Ended::lost_data;
    }
  }
  if (!story.ready) return story.end.exit_code == 0 ? Ended::broken_trial : Ended::refused_start;
  if (!story.asked_to_end || story.end.exit_code != 0) return Ended::died;
  if (!was_on) return story.started ? Ended::run_failed : Ended::refused_run;
  if (phase == "tripped") return Ended::tripped;
  if (phase == "stopped" || phase == "done") return Ended::went_on;
  return Ended::run_failed;
}

}  // namespace

std::string_view key_of(Ended ended) {
  constexpr std::array<std::string_view, ended_kinds> keys{
      "went-on",   "refused-start", "refused-run", "tripped", "run-failed",
      "died",      "not-reached",   "LEFT-ON",     "HUNG",    "BROKEN-RECORD",
      "LOST-DATA", "DAMAGED-STATE", "BROKEN-TRIAL"};
  return keys[static_cast<std::size_t>(ended)];
}

Trial try_with(const Failing& failing) {
  Trial trial;
  try {
    Story story;
    begin_daemon(story, failing);
    const auto count = [&] {
      for (std::size_t k = 0; k < fail_kinds; ++k) trial.counts[k] = story.report.get().count[k];
    };
    count();
    if (story.ready && !failing.start_only) run_once(story);
    if (!failing.start_only) count();
    end_daemon(story);
    if (!failing.start_only) count();
    if (story.report.get().fired != 0) trial.where = story.report.get().what;
    if (failing.start_only && story.ready && story.end.exit_code == 0) {
      trial.ended = Ended::went_on;
    } else {
      trial.ended = judge(story, trial);
    }
    if (failing.call > 0 && story.report.get().fired == 0 && !is_defect(trial.ended)) {
      trial.ended = Ended::not_reached;
    }
    if (trial.note.empty() && (is_defect(trial.ended) || trial.ended == Ended::died)) {
      std::string said = story.end.err;
      if (said.size() > 300) said = said.substr(said.size() - 300);
      std::ranges::replace(said, '\n', '|');
      trial.note = "exit " + std::to_string(story.end.exit_code) + " signal " +
                   std::to_string(story.end.signal) + ": " + said;
    }
  } catch (const std::exception& failure) {
    trial.ended = Ended::broken_trial;
    trial.note = failure.what();
    std::ranges::replace(trial.note, '\n', '|');
  }
  return trial;
}

}  // namespace chargewright::test

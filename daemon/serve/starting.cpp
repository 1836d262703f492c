#include "daemon/serve/starting.h"

#include <algorithm>
#include <boost/json.hpp>
#include <thread>

#include "daemon/bench/plant.h"
#include "daemon/plan/rehearse.h"
#include "daemon/record/digest.h"
#include "daemon/serve/cautions.h"
#include "safety/facts.h"

namespace chargewright::daemon {
namespace {

using boost::json::array;
using boost::json::object;

// From the end of the warning to the guard's order (a choice): arming comes after it.
constexpr std::chrono::seconds going_on_within{15};

safety::Snapshot look(GuardSide& guard) {
  safety::Snapshot snapshot;
  guard.snapshot(snapshot);
  return snapshot;
}

class Counted {
 public:
  explicit Counted(std::atomic<int>& count) : count_(count) { ++count_; }
  ~Counted() { --count_; }
  Counted(const Counted&) = delete;
  Counted& operator=(const Counted&) = delete;

 private:
  std::atomic<int>& count_;
};

// Counted on, from the step at which it stood; and the guard arms only on the same cell.
void go_on(safety::RunPlan& plan, const GoingOn& how) {
  plan.carried = how.resumed.carried;
  plan.open_circuit_min = std::max(plan.open_circuit_min, how.window.lowest);
  plan.open_circuit_max = std::min(plan.open_circuit_max, how.window.highest);
}

}  // namespace

Answer<PreparedRun> Starting::prepared(const NamedText& profile, const NamedText& cell,
                                       std::uint8_t channel) const {
  return prepare(profile, cell, on_.bench, channel, on_.policy,
                 basis_of(on_.bench.channels[channel], on_.dialects, parts_.link_times.worst()));
}

// The guard's answer: acknowledged or refused.
Answer<safety::Event> Starting::ask_to_acknowledge(std::uint8_t channel, By by) {
  const std::uint32_t number = parts_.next_number++;
  if (by == By::person) parts_.pump.person_looks(channel, number);
  if (!on_.guard.request(
          {.kind = safety::Request::Kind::acknowledge, .channel = channel, .number = number})) {
    return deny(Denial::unavailable, "the guard's queue is full", "try again");
  }
  const auto answer = parts_.pump.await_answer(number, std::chrono::seconds(3));
  if (!answer) return deny(Denial::own_fault, "the guard does not answer", "look at its log");
  return *answer;
}

// A moment after a trip it has.
bool Starting::has_ended(std::uint8_t channel) {
  for (int looks = 0; looks < 200 && parts_.run_thread.is_running(channel); ++looks) {
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  return !parts_.run_thread.is_running(channel);
}

Answer<object> Starting::acknowledge(std::uint8_t channel, const Person& by) {
  const std::lock_guard lock{one_at_a_time_};
  if (by.has_left()) return nobody_waits();
  const std::optional<LatchedTrip> kept = on_.state.trip(channel);
  // A run that was begun and has not looked at its channel yet would never hear of the trip.
  if (kept && !has_ended(channel)) {
    return deny(Denial::refused, "the run has not ended yet on this channel",
                "look at its state, and acknowledge again");
  }
  parts_.operated("acknowledge", name_of(channel), by);
  const auto answer = ask_to_acknowledge(channel, By::person);
  if (!answer) return answer.error();
  if (answer->kind == safety::Event::Kind::acknowledged) {
    // Which one it was: not always the one that the person had read of.
    if (answer->fault.cause == safety::Cause::none) return object{{"acknowledged", true}};
    const bool same = kept && kept->fault.cause == answer->fault.cause;
    const LatchedTrip trip =
        same ? *kept : LatchedTrip{.fault = answer->fault, .at = on_.wall(), .run = {}};
    return object{{"acknowledged", true}, {"trip", trip_json(trip)}};
  }
  if (answer->refusal == safety::Refusal::wrong_state) {
    return deny(Denial::refused,
                "no trip waits to be acknowledged on this channel, or its cut is "
                "still going on",
                "look at the channel's state");
  }
  return deny(Denial::refused, "the condition of the trip is still there",
              std::string{describe(answer->refusal)});
}

Answer<object> Starting::approve(std::uint8_t channel, const NamedText& profile,
                                 const NamedText& cell, bool commit, const Person& by) {
  const std::lock_guard lock{one_at_a_time_};
  const auto run = prepared(profile, cell, channel);
  if (!run) return run.error();
  object json = approvals_.shown(*run);
  json["approved"] = commit;
  if (!commit) return json;
  if (by.has_left()) return nobody_waits();
  if (auto kept = approvals_.approve(*run, by, on_.wall()); !kept) {
    return own_fault(kept.error());
  }
  parts_.operated("approve " + run->profile.name + " on " + run->cell.name, name_of(channel), by);
  return json;
}

std::optional<Denied> Starting::ending_or(bool over, Denied why) const {
  if (closed_) return deny(Denial::unavailable, "the daemon is ending");
  if (over) return why;
  return {};
}

std::optional<Denied> Starting::not_now(std::uint8_t channel) const {
  if (auto ending = ending_or(false, {})) return ending;
  if (auto damage = on_.state.damage(); !damage.empty()) {
    return Denied{.denial = Denial::refused, .why = {.list = std::move(damage)}, .facts = {}};
  }
  if (parts_.disk_hangs()) {
    return deny(Denial::refused, "the disk or the log hangs: nothing would be recorded");
  }
  if (parts_.run_thread.is_running(channel)) {
    return deny(Denial::refused, "a run is going on there already", "stop it, or wait for its end");
  }
  if (const auto trip = on_.state.trip(channel)) {
    const std::string why = trip->interrupted
                                ? "the daemon ended while a run was armed on this channel"
                                : "a trip is latched: " + describe(trip->fault);
    return deny(Denial::refused, why,
                "find out why and look at the cell, then `chargewright acknowledge`");
  }
  if (on_.speed != 1) {
    for (const auto& instrument : on_.guard.instruments()) {
      if (instrument.simulated) continue;
      return deny(Denial::refused,
                  "the clock is sped up, and `" + instrument.name +
                      "` has not identified itself as simulated",
                  "start the daemon without --speed");
    }
  }
  if (parts_.pump.is_busy(channel)) {
    return deny(Denial::refused, "the run before is not closed yet", "wait a moment");
  }
  const safety::State state = look(on_.guard).channel[channel].state;
  if (state == safety::State::off) return {};
  return deny(Denial::refused,
              "the channel is not verified off (its state is " + std::string{key_of(state)} + ")",
              "see that its instruments answer");
}

std::optional<Denied> Starting::cautions_missing(bool accept, const Person& by) {
  if (on_.state.cautions_accepted()) return {};
  if (!accept) {
    Denied denied = deny(Denial::cautions, "the cautions were not accepted on this bench yet",
                         "read them, and accept them with the start");
    denied.facts["cautions"] = array(cautions.begin(), cautions.end());
    return denied;
  }
  if (auto kept = on_.state.accept_cautions(by.uid, on_.wall()); !kept) {
    return own_fault(kept.error());
  }
  parts_.operated("cautions accepted", "", by);
  return {};
}

// Counted only where a start has read the count before, and will see it grow.
bool Starting::stop(std::uint8_t channel) {
  Underway& there = underway_[channel];
  if (there.starts == 0) return false;
  ++there.stops;
  return true;
}

Answer<object> Starting::start(std::uint8_t channel, const StartRequest& request,
                               const Person& by) {
  Underway& here = underway_[channel];
  const std::uint32_t stops = here.stops;
  const Counted counted(here.starts);
  const auto over = [&]() -> std::optional<Denied> {
    if (here.stops != stops) return deny(Denial::refused, "it was stopped before it began");
    return ending_or(by.has_left(), nobody_waits());
  };
  const std::lock_guard lock{one_at_a_time_};
  const auto run = prepared(request.profile, request.cell, channel);
  if (!run) return run.error();
  // A run that is over has its record closed and its marker removed in a moment: worth waiting for.
  if (!parts_.run_thread.is_running(channel))
    parts_.pump.await_closed(channel, std::chrono::seconds(2));
  if (auto denied = not_now(channel)) return *denied;
  if (auto denied = cautions_missing(request.accept_cautions, by)) return *denied;
  if (auto denied = approvals_.missing(*run)) return *denied;
  auto begun = begin(channel, *run, {.over = over});
  if (begun) {
    parts_.operated("start", name_of(channel), by);
    parts_.link_times.remember();
  }
  return begun;
}

// All that can fail without a trace comes first. Then a crash is found by the next life: the record
// is open, the limits are kept, the marker stands, and only then is the guard asked to arm.
Answer<object> Starting::begin(std::uint8_t channel, const PreparedRun& run, const Wish& wish) {
  const auto now = look(on_.guard);
  const std::uint64_t lost = on_.guard.events_lost();
  Sequencer::Setup setup = setup_of(channel, run, now.channel[channel]);
  RecordHeader header = header_of(channel, run);
  if (wish.how) {
    header.resumed = wish.how->resumed;
    go_on(setup.run_plan, *wish.how);
  }
  const auto offer = offer_of(run, wish.how);  // its clocks are those of the record's beginning
  const auto path = parts_.recorder.begin(channel, header);
  if (!path) return own_fault(path.error());
  const std::string id = run_id(*path);
  const Energised marker{.since = header.started,
                         .run = id,
                         .profile = run.profile.name,
                         .cell = run.cell.name,
                         .offer = offer};
  RunFacts facts{.id = id,
                 .profile = run.profile.name,
                 .cell = run.cell.name,
                 .steps = names_of(run.report.procedure.steps),
                 .progress = {},
                 .resumes = wish.how ? wish.how->resumed.run : std::string{}};
  facts.progress.channel = channel;
  facts.progress.began = facts.progress.step_began = now.at;
  parts_.pump.begin_run(channel, facts, on_.state.limits(channel));
  if (auto denied = arm(std::move(setup), marker, wish)) {
    facts.progress.phase = Phase::refused;
    facts.progress.ended = now.at;
    parts_.pump.progress(facts.progress, now.at);  // closes record and marker in good order
    return *denied;
  }
  // By a word that came too early to find anything to stop.
  if (wish.over()) parts_.run_thread.stop(channel);
  // So did who would have failed it: what is not recorded does not run (S10).
  if (parts_.recorder.failed(channel) || on_.guard.events_lost() != lost) {
    parts_.run_thread.fail(channel);
  }
  return object{{"run", id}, {"channel", name_of(channel)}};
}

// A disk may stand still in here, and a person go away meanwhile: asked anew before each thing that
// could not be taken back.
std::optional<Denied> Starting::arm(Sequencer::Setup setup, const Energised& marker,
                                    const Wish& wish) {
  const std::uint8_t channel = setup.channel;
  if (auto kept = on_.state.keep_limits(channel, setup.run_plan.limits); !kept) {
    return own_fault(kept.error());
  }
  if (auto marked = on_.state.mark_energised(channel, marker); !marked) {
    return own_fault(marked.error());
  }
  if (auto denied = wish.over()) return denied;
  if (wish.how) {
    if (auto denied = acknowledged_beforehand(channel, wish)) return denied;
    if (auto denied = wish.over()) return denied;
  }
  if (auto started = parts_.run_thread.start(std::move(setup)); !started) {
    return deny(Denial::refused, started.error().cause, started.error().advice);
  }
  return {};
}

std::optional<ResumptionOffer> Starting::offer_of(const PreparedRun& run,
                                                  const std::optional<GoingOn>& how) const {
  if (!run.report.resumption) return {};
  const MachineClock clock = on_.clocks();
  return ResumptionOffer{.resumed = how ? how->resumed.times : 0,
                         .boot = clock.boot,
                         .armed_since_boot_s = clock.since_boot_s,
                         .profile_sha256 = sha256(run.profile.text),
                         .cell_sha256 = sha256(run.cell.text)};
}

Answer<object> Starting::resume(std::uint8_t channel, const PreparedRun& run, const GoingOn& how) {
  const std::lock_guard lock{one_at_a_time_};
  // What the warning was about is looked at no more: a disk that stands still in here, or under
  // another channel's start, must not bring it about minutes later.
  const auto over = [&]() -> std::optional<Denied> {
    if (parts_.disk_hangs() || std::chrono::steady_clock::now() - how.looked_at > going_on_within) {
      return deny(Denial::refused, "the disk took too long");
    }
    // A hand switched the output on since, and the guard cut it: somebody works there.
    if (parts_.pump.last_cut(channel) != how.last_cut) {
      return deny(Denial::refused, "an output had to be cut there");
    }
    return ending_or(parts_.is_withdrawn(channel), deny(Denial::refused, "it was withdrawn"));
  };
  if (auto denied = over()) return *denied;
  const auto trip = on_.state.trip(channel);
  if (!trip || !trip->interrupted || trip->run != how.resumed.run) {
    return deny(Denial::refused, "the channel is not the interrupted run's any more");
  }
  if (parts_.run_thread.is_running(channel) || parts_.pump.is_busy(channel)) {
    return deny(Denial::refused, "a run is going on there already");
  }
  // Other limits may have been approved while it waited.
  if (auto denied = approvals_.missing(run)) return *denied;
  return begin(channel, run, {.how = how, .over = over});
}

// By whoever approved a profile that resumes. The guard judges as for a person, and proves the
// output off anew; only then may the run arm.
std::optional<Denied> Starting::acknowledged_beforehand(std::uint8_t channel, const Wish& wish) {
  const auto answer = ask_to_acknowledge(channel, By::itself);
  if (!answer) return answer.error();
  if (answer->kind != safety::Event::Kind::acknowledged) {
    return deny(Denial::refused, std::string{describe(answer->refusal)});
  }
  if (on_.state.trip(channel)) {
    return deny(Denial::own_fault, "the trip could not be taken off the disk");
  }
  const auto deadline = std::chrono::steady_clock::now() + std::chrono::seconds(10);
  while (look(on_.guard).channel[channel].state != safety::State::off) {
    if (auto denied = wish.over()) return denied;
    if (std::chrono::steady_clock::now() >= deadline) {
      return deny(Denial::refused, "the channel is not verified off");
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  return {};
}

RecordHeader Starting::header_of(std::uint8_t channel, const PreparedRun& run) const {
  RecordHeader header{.bench = on_.bench.name,
                      .channel = name_of(channel),
                      .profile = run.profile.name,
                      .cell = run.cell.name,
                      .started = on_.wall(),
                      .began = on_.guard.now(),
                      .speed = on_.speed,
                      .files = on_.files,
                      .identities = {},
                      .instruments = names_of(on_.bench.instruments),
                      .steps = names_of(run.report.procedure.steps),
                      .version = CHARGEWRIGHT_VERSION};
  for (const auto& instrument : on_.guard.instruments()) {
    header.identities.emplace_back(instrument.name, instrument.identity);
  }
  header.files.push_back({"cell", run.cell.file, run.cell.text});
  header.files.push_back({"profile", run.profile.file, run.profile.text});
  return header;
}

Sequencer::Setup Starting::setup_of(std::uint8_t channel, const PreparedRun& run,
                                    const safety::ChannelSnapshot& state) const {
  Sequencer::Setup setup{.channel = channel,
                         .channel_plan = on_.plant.channels[channel],
                         .run_plan = run.report.plan,
                         .procedure = run.report.procedure,
                         .expected = {}};
  setup.run_plan.approved = true;  // start() and resume() have seen to it
  // For the time left, and nothing else: how long each step takes on the cell's model.
  CellStart start;
  if (state.voltage.valid()) start.voltage = state.voltage.voltage();
  const Rehearsal rehearsal = rehearse({.bench = on_.bench,
                                        .channel = channel,
                                        .cell = run.cell,
                                        .procedure = run.report.procedure,
                                        .plan = run.report.plan,
                                        .start = start,
                                        .dialects = on_.dialects,
                                        .longest = std::chrono::hours(72)});
  if (rehearsal.phase == Phase::done) {
    for (const auto& step : rehearsal.steps) setup.expected.push_back(step.duration);
  }
  return setup;
}

}  // namespace chargewright::daemon

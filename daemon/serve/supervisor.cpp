#include "daemon/serve/supervisor.h"

#include <algorithm>
#include <boost/json.hpp>
#include <thread>

#include "daemon/bench/plant.h"
#include "daemon/plan/rehearse.h"
#include "daemon/record/digest.h"
#include "daemon/serve/cautions.h"
#include "daemon/serve/shapes.h"
#include "safety/facts.h"

namespace chargewright::daemon {
namespace {

using boost::json::array;
using boost::json::object;

// An ordinary disk that is busy may take some seconds (common practice, no source).
constexpr std::chrono::seconds disk_silent_max{30};

std::vector<std::string> channel_names(const profiles::Bench& bench) {
  std::vector<std::string> names;
  for (const auto& channel : bench.channels) names.push_back(channel.name);
  return names;
}

std::vector<std::string> instrument_names(const profiles::Bench& bench) {
  std::vector<std::string> names;
  for (const auto& instrument : bench.instruments) names.push_back(instrument.name);
  return names;
}

// How often the sequencers look: often enough that several looks fit into a heartbeat and none of
// the readings is missed, in real time.
std::chrono::nanoseconds tick_of(const safety::Plant& plant, double speed) {
  std::chrono::nanoseconds tick = std::chrono::milliseconds(50);
  for (const auto& channel : plant.channels) {
    tick = std::min({tick, channel.heartbeat / 5, channel.every / 2});
  }
  const auto real = std::chrono::nanoseconds{
      static_cast<std::chrono::nanoseconds::rep>(static_cast<double>(tick.count()) / speed)};
  return std::max<std::chrono::nanoseconds>(real, std::chrono::microseconds(500));
}

std::vector<std::string> step_names(const profiles::Procedure& procedure) {
  std::vector<std::string> names;
  for (const auto& step : procedure.steps) names.push_back(step.name);
  return names;
}

object failure_json(const drivers::Failure& failure) {
  return {{"file", failure.place.file}, {"cause", failure.cause}, {"advice", failure.advice}};
}

// Counted on, from the step at which it stood; and the guard arms only on the same cell.
void go_on(safety::RunPlan& plan, const GoingOn& how) {
  plan.carried = how.resumed.carried;
  plan.open_circuit_min = std::max(plan.open_circuit_min, how.window.lowest);
  plan.open_circuit_max = std::min(plan.open_circuit_max, how.window.highest);
}

}  // namespace

Supervisor::Supervisor(Parts parts, std::function<void(const std::string& why)> died)
    : parts_(std::move(parts)),
      died_(std::move(died)),
      approvals_(parts_.state),
      records_(parts_.runs_folder),
      recorder_(parts_.runs_folder,
                [this](std::uint8_t channel, const drivers::Failure& failure) {
                  // What is not recorded does not run (S10).
                  // The record's last commit comes after the threads that could still be told.
                  if (ended_) return parts_.log(LogLevel::critical, describe(failure));
                  run_thread_.fail(channel);
                  pump_.tell(LogLevel::critical, {{"kind", "record-failed"},
                                                  {"channel", parts_.bench.channels[channel].name},
                                                  {"description", describe(failure)}});
                }),
      pump_({.guard = parts_.guard,
             .recorder = recorder_,
             .state = parts_.state,
             .backlog = parts_.backlog,
             .channels = channel_names(parts_.bench),
             .instruments = instrument_names(parts_.bench),
             .wall = parts_.wall,
             .log = parts_.log,
             .events_lost = [this] { fail_every_run(); }}),
      run_thread_(
          parts_.guard, tick_of(parts_.plant, parts_.speed),
          [this](const Progress& progress, drivers::Instant at) { pump_.progress(progress, at); }),
      resuming_(
          {.bench = parts_.bench,
           .plant = parts_.plant,
           .files = parts_.files,
           .runs_folder = parts_.runs_folder,
           .speed = parts_.speed,
           .guard = parts_.guard,
           .state = parts_.state,
           .clocks = parts_.clocks,
           .proved_off = parts_.proved_off,
           .prepare = [this](const NamedText& profile, const NamedText& cell,
                             std::uint8_t channel) { return prepared(profile, cell, channel); },
           .is_approved = [this](const PreparedRun& run) { return approvals_.covers(run); },
           .begin = [this](std::uint8_t channel, const PreparedRun& run,
                           const GoingOn& how) { return resume(channel, run, how); },
           .tell = [this](LogLevel level, object event) { pump_.tell(level, std::move(event)); }}) {
  pump_.start(died_);
}

Supervisor::~Supervisor() {
  resuming_.stop();
  pump_.stop();
  ended_ = true;
}

void Supervisor::start_resuming() { resuming_.start(died_); }

// Told to end is told to stop, whether or not there is time left to close the records.
void Supervisor::shut_down(std::chrono::milliseconds within) {
  shutting_down_ = true;
  const auto deadline = std::chrono::steady_clock::now() + within;
  const auto count = static_cast<std::uint8_t>(parts_.bench.channels.size());
  for (std::uint8_t i = 0; i < count; ++i) withdraw(i);
  for (std::uint8_t i = 0; i < count; ++i) run_thread_.stop(i);
  const auto any_busy = [&] {
    for (std::uint8_t i = 0; i < count; ++i) {
      if (pump_.is_busy(i)) return true;
    }
    return false;
  };
  while (any_busy() && std::chrono::steady_clock::now() < deadline) {
    std::this_thread::sleep_for(std::chrono::milliseconds(5));
  }
  remember_round_trips();
}

// What is not recorded does not run (S10).
void Supervisor::fail_every_run() {
  for (std::uint8_t i = 0; i < parts_.bench.channels.size(); ++i) run_thread_.fail(i);
}

void Supervisor::watch_the_disk(std::chrono::steady_clock::time_point now) {
  const std::array<std::uint64_t, 2> beats{recorder_.pulses(), pump_.pulses()};
  bool silent = false;
  for (std::size_t i = 0; i < beats.size(); ++i) {
    Pulse& pulse = writers_[i];
    if (pulse.beats != beats[i] || pulse.at == decltype(pulse.at){}) pulse = {beats[i], now};
    silent = silent || now - pulse.at > disk_silent_max;
  }
  if (silent) fail_every_run();  // also one that was started meanwhile
  if (std::exchange(disk_hangs_, silent) || !silent) return;
  pump_.tell(LogLevel::critical,
             {{"kind", "record-failed"},
              {"description", "the disk or the log hangs: nothing was recorded for " +
                                  std::to_string(disk_silent_max.count()) + " s"}});
}

safety::Snapshot Supervisor::look() {
  safety::Snapshot snapshot;
  parts_.guard.snapshot(snapshot);
  return snapshot;
}

Answer<std::uint8_t> Supervisor::find(const std::string& channel) const {
  const auto& channels = parts_.bench.channels;
  const auto found = std::ranges::find(channels, channel, &profiles::BenchChannel::name);
  if (found != channels.end()) return static_cast<std::uint8_t>(found - channels.begin());
  std::string names;
  for (const auto& known : channels) names += (names.empty() ? "" : ", ") + known.name;
  return deny(Denial::unknown, "this bench has no channel `" + channel + "`",
              "its channels are: " + names);
}

void Supervisor::operated(const std::string& what, const std::string& channel, const Person& by) {
  object event{{"kind", "operated"}, {"what", what}, {"uid", by.uid}, {"pid", by.pid}};
  if (!channel.empty()) event["channel"] = channel;
  pump_.tell(LogLevel::info, std::move(event));
}

// ---- looking

object Supervisor::bench() {
  object json{{"bench", parts_.bench.name},
              {"file", parts_.bench.file},
              {"policy", parts_.policy.file},
              {"speed", parts_.speed},
              {"version", CHARGEWRIGHT_VERSION},
              {"cautions_accepted", parts_.state.cautions_accepted()},
              {"file_sha256", sha256(parts_.bench.text)},
              {"policy_sha256", sha256(parts_.policy.text)}};
  const auto answers = parts_.guard.instruments();
  const std::vector<drivers::Duration> worst = round_trips();
  array instruments;
  for (std::size_t i = 0; i < parts_.bench.instruments.size(); ++i) {
    const auto& instrument = parts_.bench.instruments[i];
    object facts{
        {"name", instrument.name}, {"link", instrument.link_text}, {"dialect", instrument.dialect}};
    facts["identity"] = i < answers.size() ? answers[i].identity : "";
    facts["up"] = i < answers.size() && answers[i].up;
    facts["answers"] = i < answers.size() && answers[i].answers;
    facts["simulated"] = i < answers.size() && answers[i].simulated;
    facts["round_trip_worst_s"] = drivers::in_seconds(worst[i]);
    instruments.push_back(std::move(facts));
  }
  json["instruments"] = std::move(instruments);
  array names;
  for (const auto& channel : parts_.bench.channels) names.emplace_back(channel.name);
  json["channels"] = std::move(names);
  array damage;
  for (const auto& failure : parts_.state.damage()) damage.push_back(failure_json(failure));
  json["damage"] = std::move(damage);
  return json;
}

object Supervisor::facts_of(std::uint8_t channel, const safety::Snapshot& snapshot) {
  ChannelFacts facts{
      .bench = parts_.bench.name,
      .name = parts_.bench.channels[channel].name,
      .run = pump_.run(channel),
      .trip = parts_.state.trip(channel),
      .speed = parts_.speed,
      .resumption = resuming_.facts(channel),
      .reading_age_max = safety::Ages(parts_.plant.channels[channel]).watched_reading};
  if (!facts.trip) facts.resumption.reset();  // a person has looked, or it goes on
  const safety::ChannelSnapshot& state = snapshot.channel[channel];
  if (!facts.trip && state.state == safety::State::tripped) {
    // The guard is a moment ahead of what is kept. It never shows a trip without its cause.
    facts.trip = LatchedTrip{.fault = state.trip, .at = parts_.wall(), .run = {}};
  }
  if (facts.run) {
    if (const auto progress = run_thread_.progress(channel)) facts.run->progress = *progress;
  }
  return channel_json(facts, state, snapshot.at);
}

array Supervisor::channels() {
  const auto snapshot = look();
  array json;
  for (std::uint8_t i = 0; i < parts_.bench.channels.size(); ++i) {
    json.push_back(facts_of(i, snapshot));
  }
  return json;
}

Answer<object> Supervisor::channel(const std::string& name) {
  const auto channel = find(name);
  if (!channel) return channel.error();
  return facts_of(*channel, look());
}

// ---- operating

Answer<object> Supervisor::cut(const std::optional<std::string>& name, const Person& by) {
  std::uint8_t first = 0;
  auto last = static_cast<std::uint8_t>(parts_.bench.channels.size());
  if (name) {
    const auto channel = find(*name);
    if (!channel) return channel.error();
    first = *channel;
    last = static_cast<std::uint8_t>(first + 1);
  }
  bool asked = true;
  for (std::uint8_t i = first; i < last; ++i) {
    asked &= parts_.guard.request(
        {.kind = safety::Request::Kind::cut, .channel = i, .number = next_number_++});
    withdraw(i);
  }
  operated("cut", name.value_or(""), by);
  if (asked) return object{{"cut", true}};
  return deny(Denial::own_fault, "the guard does not take the request",
              "use the supply's own switch, or `cut --direct`");
}

Answer<object> Supervisor::stop(const std::string& name, const Person& by) {
  const auto channel = find(name);
  if (!channel) return channel.error();
  const bool stopped = run_thread_.stop(*channel);
  pump_.withdraw_offer(*channel);
  const bool waited = resuming_.withdraw(*channel);
  if (!stopped && !waited) return deny(Denial::refused, "no run is going on there");
  operated("stop", name, by);
  if (!stopped) return object{{"resumption_withdrawn", true}};
  return object{{"stopping", true}};
}

Answer<object> Supervisor::acknowledge(const std::string& name, const Person& by) {
  const auto channel = find(name);
  if (!channel) return channel.error();
  resuming_.withdraw(*channel);
  const std::lock_guard lock{starting_};
  const std::uint32_t number = next_number_++;
  const std::optional<LatchedTrip> kept = parts_.state.trip(*channel);
  operated("acknowledge", name, by);
  if (!parts_.guard.request(
          {.kind = safety::Request::Kind::acknowledge, .channel = *channel, .number = number})) {
    return deny(Denial::unavailable, "the guard's queue is full", "try again");
  }
  const auto answer = pump_.await_answer(number, std::chrono::seconds(3));
  if (!answer) return deny(Denial::own_fault, "the guard does not answer", "look at its log");
  if (answer->kind == safety::Event::Kind::acknowledged) {
    // Which one it was: not always the one that the person had read of.
    if (answer->fault.cause == safety::Cause::none) return object{{"acknowledged", true}};
    const bool same = kept && kept->fault.cause == answer->fault.cause;
    return object{
        {"acknowledged", true},
        {"trip",
         trip_json(same ? *kept
                        : LatchedTrip{.fault = answer->fault, .at = parts_.wall(), .run = {}})}};
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

std::optional<Denied> Supervisor::not_now(std::uint8_t channel,
                                          const safety::ChannelSnapshot& state) const {
  if (shutting_down_) return deny(Denial::unavailable, "the daemon is ending");
  if (auto damage = parts_.state.damage(); !damage.empty()) {
    return Denied{.denial = Denial::refused, .why = {.list = std::move(damage)}, .facts = {}};
  }
  if (run_thread_.is_running(channel)) {
    return deny(Denial::refused, "a run is going on there already", "stop it, or wait for its end");
  }
  if (const auto trip = parts_.state.trip(channel)) {
    const std::string why = trip->interrupted
                                ? "the daemon ended while a run was armed on this channel"
                                : "a trip is latched: " + describe(trip->fault);
    return deny(Denial::refused, why,
                "find out why and look at the cell, then `chargewright acknowledge`");
  }
  if (parts_.speed != 1) {
    for (const auto& instrument : parts_.guard.instruments()) {
      if (instrument.simulated) continue;
      return deny(Denial::refused,
                  "the clock is sped up, and `" + instrument.name +
                      "` has not identified itself as simulated",
                  "start the daemon without --speed");
    }
  }
  if (pump_.is_busy(channel)) {
    return deny(Denial::refused, "the run before is not closed yet", "wait a moment");
  }
  if (state.state == safety::State::off) return {};
  return deny(
      Denial::refused,
      "the channel is not verified off (its state is " + std::string{key_of(state.state)} + ")",
      "see that its instruments answer");
}

std::optional<Denied> Supervisor::cautions_missing(bool accept, const Person& by) {
  if (parts_.state.cautions_accepted()) return {};
  if (!accept) {
    Denied denied = deny(Denial::cautions, "the cautions were not accepted on this bench yet",
                         "read them, and accept them with the start");
    denied.facts["cautions"] = array(cautions.begin(), cautions.end());
    return denied;
  }
  if (auto kept = parts_.state.accept_cautions(by.uid, parts_.wall()); !kept) {
    return own_fault(kept.error());
  }
  operated("cautions accepted", "", by);
  return {};
}

// ---- how fast the instruments answer: what the response-time budget rests on (S7)

// Of this life; the guard's clock may be sped up, the instruments are not.
RoundTrips Supervisor::measured() {
  RoundTrips worst;
  for (const auto& instrument : parts_.guard.instruments()) {
    if (instrument.round_trip_worst == drivers::Duration::zero()) continue;
    worst[instrument.name] =
        drivers::seconds(drivers::in_seconds(instrument.round_trip_worst) / parts_.speed);
  }
  return worst;
}

// Of this life and of the last one.
std::vector<drivers::Duration> Supervisor::round_trips() {
  RoundTrips worst = parts_.state.round_trips();
  for (const auto& [instrument, time] : measured()) {
    worst[instrument] = std::max(worst[instrument], time);
  }
  std::vector<drivers::Duration> all;
  for (const auto& instrument : parts_.bench.instruments) all.push_back(worst[instrument.name]);
  return all;
}

void Supervisor::remember_round_trips() {
  const RoundTrips worst = measured();
  if (worst.empty()) return;
  if (auto kept = parts_.state.remember(worst); !kept) {
    parts_.log(LogLevel::warning, describe(kept.error()));
  }
}

Answer<PreparedRun> Supervisor::prepared(const NamedText& profile, const NamedText& cell,
                                         std::uint8_t channel) {
  return prepare(profile, cell, parts_.bench, channel, parts_.policy,
                 basis_of(parts_.bench.channels[channel], parts_.dialects, round_trips()));
}

Answer<object> Supervisor::start(const std::string& name, const StartRequest& request,
                                 const Person& by) {
  const auto channel = find(name);
  if (!channel) return channel.error();
  const std::lock_guard lock{starting_};
  const auto run = prepared(request.profile, request.cell, *channel);
  if (!run) return run.error();
  // A run that is over has its record closed and its marker removed in a moment: worth waiting for.
  if (!run_thread_.is_running(*channel)) pump_.await_closed(*channel, std::chrono::seconds(2));
  if (auto denied = not_now(*channel, look().channel[*channel])) return *denied;
  if (auto denied = cautions_missing(request.accept_cautions, by)) return *denied;
  if (auto denied = approvals_.missing(*run)) return *denied;
  auto begun = begin(*channel, *run);
  if (begun) {
    operated("start", name, by);
    remember_round_trips();
  }
  return begun;
}

// All that can fail without a trace comes first. Then a crash is found by the next life: the record
// is open, the limits are kept, the marker stands, and only then is the guard asked to arm.
Answer<object> Supervisor::begin(std::uint8_t channel, const PreparedRun& run,
                                 const std::optional<GoingOn>& how) {
  const auto now = look();
  Sequencer::Setup setup = setup_of(channel, run, now.channel[channel]);
  RecordHeader header = header_of(channel, run);
  if (how) {
    header.resumed = how->resumed;
    go_on(setup.run_plan, *how);
  }
  const auto offer = offer_of(run, how);  // its clocks are those of the record's beginning
  const auto path = recorder_.begin(channel, header);
  if (!path) return own_fault(path.error());
  const std::string id = run_id(*path);
  const Energised marker{.since = header.started,
                         .run = id,
                         .profile = run.profile.name,
                         .cell = run.cell.name,
                         .offer = offer};
  RecordEnd refused{.phase = Phase::refused, .at = parts_.wall()};
  auto marked = parts_.state.keep_limits(channel, run.report.plan.limits);
  if (marked) marked = parts_.state.mark_energised(channel, marker);
  if (!marked) {
    recorder_.end(channel, refused);
    return own_fault(marked.error());
  }
  RunFacts facts{.id = id,
                 .profile = run.profile.name,
                 .cell = run.cell.name,
                 .steps = step_names(run.report.procedure),
                 .progress = {},
                 .resumes = how ? how->resumed.run : std::string{}};
  facts.progress.channel = channel;
  facts.progress.began = facts.progress.step_began = now.at;
  pump_.begin_run(channel, facts);
  std::optional<Denied> denied;
  if (how) denied = acknowledged_beforehand(channel);
  if (!denied) {
    if (auto started = run_thread_.start(std::move(setup)); !started) {
      denied = deny(Denial::refused, started.error().cause, started.error().advice);
    }
  }
  if (denied) {
    facts.progress.phase = Phase::refused;
    facts.progress.ended = now.at;
    pump_.progress(facts.progress, now.at);  // closes record and marker in good order
    return *denied;
  }
  // By a word that came too early to find anything to stop.
  if (shutting_down_ || (how && resuming_.is_withdrawn(channel))) run_thread_.stop(channel);
  return object{{"run", id}, {"channel", parts_.bench.channels[channel].name}};
}

// ---- going on by itself (S9)

void Supervisor::withdraw(std::uint8_t channel) {
  resuming_.withdraw(channel);
  pump_.withdraw_offer(channel);
}

std::optional<ResumptionOffer> Supervisor::offer_of(const PreparedRun& run,
                                                    const std::optional<GoingOn>& how) const {
  if (!run.report.resumption) return {};
  const MachineClock clock = parts_.clocks();
  return ResumptionOffer{.resumed = how ? how->resumed.times : 0,
                         .boot = clock.boot,
                         .armed_since_boot_s = clock.since_boot_s,
                         .profile_sha256 = sha256(run.profile.text),
                         .cell_sha256 = sha256(run.cell.text)};
}

// What a start checks, but for the trip, which is the interruption itself.
Answer<object> Supervisor::resume(std::uint8_t channel, const PreparedRun& run,
                                  const GoingOn& how) {
  const std::lock_guard lock{starting_};
  if (shutting_down_ || resuming_.is_withdrawn(channel)) {
    return deny(Denial::refused, "it was withdrawn");
  }
  const auto trip = parts_.state.trip(channel);
  if (!trip || !trip->interrupted || trip->run != how.resumed.run) {
    return deny(Denial::refused, "the channel is not the interrupted run's any more");
  }
  if (run_thread_.is_running(channel) || pump_.is_busy(channel)) {
    return deny(Denial::refused, "a run is going on there already");
  }
  return begin(channel, run, how);
}

// By whoever approved a profile that resumes. The guard judges as for a person, and proves the
// output off anew; only then may the run arm.
std::optional<Denied> Supervisor::acknowledged_beforehand(std::uint8_t channel) {
  const std::uint32_t number = next_number_++;
  if (!parts_.guard.request(
          {.kind = safety::Request::Kind::acknowledge, .channel = channel, .number = number})) {
    return deny(Denial::unavailable, "the guard's queue is full");
  }
  const auto answer = pump_.await_answer(number, std::chrono::seconds(3));
  if (!answer) return deny(Denial::own_fault, "the guard does not answer");
  if (answer->kind != safety::Event::Kind::acknowledged) {
    return deny(Denial::refused, std::string{describe(answer->refusal)});
  }
  if (parts_.state.trip(channel)) {
    return deny(Denial::own_fault, "the trip could not be taken off the disk");
  }
  const auto deadline = std::chrono::steady_clock::now() + std::chrono::seconds(10);
  while (look().channel[channel].state != safety::State::off) {
    if (shutting_down_ || resuming_.is_withdrawn(channel)) {
      return deny(Denial::refused, "it was withdrawn");
    }
    if (std::chrono::steady_clock::now() >= deadline) {
      return deny(Denial::refused, "the channel is not verified off");
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  return {};
}

RecordHeader Supervisor::header_of(std::uint8_t channel, const PreparedRun& run) {
  RecordHeader header{.bench = parts_.bench.name,
                      .channel = parts_.bench.channels[channel].name,
                      .profile = run.profile.name,
                      .cell = run.cell.name,
                      .started = parts_.wall(),
                      .began = parts_.guard.now(),
                      .speed = parts_.speed,
                      .files = parts_.files,
                      .identities = {},
                      .instruments = instrument_names(parts_.bench),
                      .steps = step_names(run.report.procedure),
                      .version = CHARGEWRIGHT_VERSION};
  for (const auto& instrument : parts_.guard.instruments()) {
    header.identities.emplace_back(instrument.name, instrument.identity);
  }
  header.files.push_back({"cell", run.cell.file, run.cell.text});
  header.files.push_back({"profile", run.profile.file, run.profile.text});
  return header;
}

Sequencer::Setup Supervisor::setup_of(std::uint8_t channel, const PreparedRun& run,
                                      const safety::ChannelSnapshot& state) const {
  Sequencer::Setup setup{.channel = channel,
                         .channel_plan = parts_.plant.channels[channel],
                         .run_plan = run.report.plan,
                         .procedure = run.report.procedure,
                         .expected = {}};
  setup.run_plan.approved = true;  // start() and resume() have seen to it
  // For the time left, and nothing else: how long each step takes on the cell's model.
  CellStart start;
  if (state.voltage.valid()) start.voltage = state.voltage.voltage();
  const Rehearsal rehearsal = rehearse({.bench = parts_.bench,
                                        .channel = channel,
                                        .cell = run.cell,
                                        .procedure = run.report.procedure,
                                        .plan = run.report.plan,
                                        .start = start,
                                        .abilities = parts_.plant.channels[channel].abilities,
                                        .longest = std::chrono::hours(72)});
  if (rehearsal.phase == Phase::done) {
    for (const auto& step : rehearsal.steps) setup.expected.push_back(step.duration);
  }
  return setup;
}

Answer<object> Supervisor::approve(const std::string& name, const NamedText& profile,
                                   const NamedText& cell, bool commit, const Person& by) {
  const auto channel = find(name);
  if (!channel) return channel.error();
  const std::lock_guard lock{starting_};
  const auto run = prepared(profile, cell, *channel);
  if (!run) return run.error();
  object json = approvals_.shown(*run);
  json["approved"] = commit;
  if (!commit) return json;
  if (auto kept = approvals_.approve(*run, by, parts_.wall()); !kept) {
    return own_fault(kept.error());
  }
  operated("approve " + run->profile.name + " on " + run->cell.name, name, by);
  return json;
}

// ---- records

Answer<array> Supervisor::runs() { return records_.all(); }

Answer<object> Supervisor::run(const std::string& id) { return records_.one(id); }

Answer<std::string> Supervisor::export_run(const std::string& id, RecordFormat format) {
  return records_.exported(id, format);
}

}  // namespace chargewright::daemon

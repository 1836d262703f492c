#include "daemon/serve/supervisor.h"

#include <algorithm>
#include <boost/json.hpp>
#include <filesystem>
#include <thread>

#include "daemon/record/digest.h"
#include "daemon/serve/daemon_files.h"
#include "daemon/serve/shapes.h"
#include "safety/facts.h"

namespace chargewright::daemon {
namespace {

using boost::json::array;
using boost::json::object;

// An ordinary disk that is busy may take some seconds (common practice, no source).
constexpr std::chrono::seconds disk_silent_max{30};

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

object failure_json(const drivers::Failure& failure) {
  return {{"file", failure.place.file}, {"cause", failure.cause}, {"advice", failure.advice}};
}

}  // namespace

Supervisor::Supervisor(Parts parts, std::function<void(const std::string& why)> died)
    : parts_(std::move(parts)),
      died_(std::move(died)),
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
             .channels = names_of(parts_.bench.channels),
             .instruments = names_of(parts_.bench.instruments),
             .wall = parts_.wall,
             .log = parts_.log,
             .events_lost = [this] { fail_every_run(); }}),
      run_thread_(
          parts_.guard, tick_of(parts_.plant, parts_.speed),
          [this](const Progress& progress, drivers::Instant at) { pump_.progress(progress, at); }),
      link_times_(parts_),
      starting_(
          parts_,
          {.recorder = recorder_,
           .pump = pump_,
           .run_thread = run_thread_,
           .link_times = link_times_,
           .next_number = next_number_,
           .is_withdrawn = [this](std::uint8_t channel) { return resuming_.is_withdrawn(channel); },
           .disk_hangs = [this] { return disk_hangs_.load(); },
           .operated = [this](const std::string& what, const std::string& channel,
                              const Person& by) { operated(what, channel, by); }}),
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
           .prepare =
               [this](const NamedText& profile, const NamedText& cell, std::uint8_t channel) {
                 return starting_.prepared(profile, cell, channel);
               },
           .is_approved = [this](const PreparedRun& run) { return starting_.is_approved(run); },
           .last_cut = [this](std::uint8_t channel) { return pump_.last_cut(channel); },
           .begin = [this](std::uint8_t channel, const PreparedRun& run,
                           const GoingOn& how) { return starting_.resume(channel, run, how); },
           .tell = [this](LogLevel level, object event) { pump_.tell(level, std::move(event)); }}) {
  pump_.start(died_);
}

Supervisor::~Supervisor() {
  resuming_.stop();
  pump_.stop();
  ended_ = true;
  link_times_.remember();  // of no haste: by now the guard has stopped
}

void Supervisor::start_resuming() { resuming_.start(died_); }

// Told to end is told to stop, whether or not there is time left to close the records.
void Supervisor::shut_down(std::chrono::milliseconds within) {
  starting_.close();
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
  if (disk_hangs_.exchange(silent) || !silent) return;
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
              {"file", std::filesystem::absolute(parts_.bench.file).string()},
              {"policy", parts_.policy.file},
              {"speed", parts_.speed},
              {"version", CHARGEWRIGHT_VERSION},
              {"cautions_accepted", parts_.state.cautions_accepted()},
              {"file_sha256", sha256(parts_.bench.text)},
              {"policy_sha256", sha256(parts_.policy.text)},
              {"dialects_sha256", dialects_sha256(parts_.files)}};
  const auto answers = parts_.guard.instruments();
  const std::vector<drivers::Duration> worst = link_times_.worst();
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
    // Not that of the run before, where this one came to nothing.
    const auto progress = run_thread_.progress(channel);
    if (progress && progress->began >= facts.run->progress.began) facts.run->progress = *progress;
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
    // And what is being started: it might arm once the cut has been acknowledged.
    (void)starting_.stop(i);
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
  // First what could still lead to a run: it looks back once it has begun one.
  const bool waited = resuming_.withdraw(*channel);
  pump_.withdraw_offer(*channel);
  const bool kept = starting_.stop(*channel);
  const bool stopped = run_thread_.stop(*channel) || kept;
  if (!stopped && !waited) return deny(Denial::refused, "no run is going on there");
  operated("stop", name, by);
  if (!stopped) return object{{"resumption_withdrawn", true}};
  return object{{"stopping", true}};
}

void Supervisor::withdraw(std::uint8_t channel) {
  resuming_.withdraw(channel);
  pump_.withdraw_offer(channel);
}

Answer<object> Supervisor::acknowledge(const std::string& name, const Person& by) {
  const auto channel = find(name);
  if (!channel) return channel.error();
  resuming_.withdraw(*channel);
  return starting_.acknowledge(*channel, by);
}

Answer<object> Supervisor::start(const std::string& name, const StartRequest& request,
                                 const Person& by) {
  const auto channel = find(name);
  if (!channel) return channel.error();
  return starting_.start(*channel, request, by);
}

Answer<object> Supervisor::approve(const std::string& name, const NamedText& profile,
                                   const NamedText& cell, bool commit, const Person& by) {
  const auto channel = find(name);
  if (!channel) return channel.error();
  return starting_.approve(*channel, profile, cell, commit, by);
}

// ---- records

Answer<array> Supervisor::runs() { return records_.all(); }

Answer<object> Supervisor::run(const std::string& id) { return records_.one(id); }

Answer<std::string> Supervisor::export_run(const std::string& id, RecordFormat format) {
  return records_.exported(id, format);
}

}  // namespace chargewright::daemon

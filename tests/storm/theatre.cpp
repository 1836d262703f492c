#include "tests/storm/theatre.h"

#include <algorithm>
#include <cstdio>

#include "daemon/run/resumption.h"
#include "safety/cut_chain.h"
#include "tests/storm/dice.h"

namespace chargewright::storm {

using namespace std::chrono_literals;
using drivers::Duration;
using drivers::in_seconds;
using drivers::Instant;
using safety::Event;
using safety::Request;
using safety::State;

namespace {

constexpr Duration look_every = 10min;             // for whatever spins
constexpr std::uint64_t moments_most = 5'000'000;  // in that time

class Play {
 public:
  Play(const Scenario& scenario, const PlayOptions& options)
      : scenario_(scenario),
        options_(options),
        stage_({.model = scenario.model,
                .plant = scenario.plant,
                .instruments = scenario.instruments,
                .links = scenario.links,
                .tick = tick_of(scenario.plant),
                .start = opening}),
        oracle_(scenario, stage_, options.overshoot_share),
        noise_(scenario.seed),
        people_(scenario.bench.channels.size()) {
    stage_.on_event = [this](const Event& event) { see(event); };
    stage_.on_arrival = [this] { oracle_.arrived(); };
    stage_.on_moment = [this] {
      oracle_.moment();
      look_at_lurking();
    };
  }

  Outcome run();

 private:
  struct Ending {
    Instant at{};
    const Happening* of = nullptr;
  };
  // A run that the guard died under, as its record has it.
  struct Interrupted {
    daemon::InterruptedRun run;
    Instant died_at{};
    std::optional<Duration> unseen;  // until it was proved off
  };
  struct Person {
    std::size_t next_job = 0;
    const Job* job = nullptr;  // of the present run
    std::optional<Interrupted> interrupted;
    Instant looks_at{};
    bool counted = true;  // the end of the present run
    Instant began{};
  };
  static Duration tick_of(const safety::Plant& plant) {
    Duration tick = 1h;
    for (const auto& channel : plant.channels) {
      tick = std::min({tick, channel.heartbeat / 3, channel.every});
    }
    return tick;
  }
  void see(const Event& event);
  void trace(const Event& event) const;
  void say(Instant at, const std::string& what) const {
    std::printf("%14.6f  %s\n", in_seconds(at - opening), what.c_str());
  }
  bool go(Instant to);
  void begin(const Happening& happening);
  void look_at_lurking();
  void end(const Happening& happening);
  void switch_at_panel(const Happening& happening);
  [[nodiscard]] bool feeds(const drivers::simulated::BenchFault& fault, std::uint8_t channel) const;
  void look(std::uint8_t channel);
  void start(std::uint8_t channel);
  bool go_on(std::uint8_t channel);
  void begin_run(std::uint8_t channel, const safety::RunPlan& plan);
  void keep_interrupted(std::uint8_t channel);
  void see_interrupted(const Event& event);
  void count_end(std::uint8_t channel);
  void count_broken_off(std::uint8_t channel);
  void finish();

  const Scenario& scenario_;
  PlayOptions options_;
  daemon::WiredStage stage_;
  Oracle oracle_;
  Dice noise_;
  std::vector<Person> people_;
  std::vector<Ending> endings_;
  std::vector<const Happening*> lurking_;
  Coverage coverage_;
};

void Play::see(const Event& event) {
  if (options_.trace) trace(event);
  if (event.kind == Event::Kind::tripped) {
    ++coverage_.trips[std::string(key_of(event.fault.cause))];
  } else if (event.kind == Event::Kind::cause_present) {
    ++coverage_.causes[std::string(key_of(event.fault.cause))];
  }
  if (event.channel < people_.size()) see_interrupted(event);
  oracle_.see(event);
}

void Play::trace(const Event& event) const {
  const std::string head = "channel " + std::to_string(event.channel) + ": ";
  const auto name = [&] {
    return event.instrument < scenario_.bench.instruments.size()
               ? scenario_.bench.instruments[event.instrument].name
               : std::string("?");
  };
  switch (event.kind) {
    case Event::Kind::reading:
      return;
    case Event::Kind::state_changed:
      return say(event.at,
                 head + std::string(key_of(event.from)) + " -> " + std::string(key_of(event.to)));
    case Event::Kind::setpoints_set:
      return say(event.at, head + "setpoints " + std::to_string(event.volts) + " V, " +
                               std::to_string(event.amperes) + " A");
    case Event::Kind::output_changed:
      return say(event.at, head + (event.on ? "output on" : "output off"));
    case Event::Kind::refused:
      return say(event.at, head + "refused: " + std::string(key_of(event.refusal)));
    case Event::Kind::cause_present:
      return say(event.at, head + "cause: " + describe(event.fault));
    case Event::Kind::cut_stage:
      return say(event.at, head + "cut " +
                               std::string(key_of(static_cast<safety::CutStage>(event.cut_stage))));
    case Event::Kind::tripped:
      return say(event.at, head + "TRIPPED " + std::string(key_of(event.fault.cause)));
    case Event::Kind::acknowledged:
      return say(event.at, head + "acknowledged");
    case Event::Kind::alarm:
      return say(event.at, head + "ALARM " + describe(event.fault));
    case Event::Kind::instrument_error:
      return say(event.at, head + "error " + std::to_string(event.device_error) + " of " + name());
    case Event::Kind::link_changed:
      return say(event.at, head + name() + (event.on ? " link up" : " link down"));
  }
}

void Play::begin(const Happening& h) {
  if (options_.trace) say(stage_.bench().now(), "* " + describe(h, scenario_.bench).substr(16));
  auto& link = stage_.link(h.device);
  bool lasts = true;
  std::string name(h.deed == Deed::fault ? name_of(h.fault.kind) : name_of(h.deed));
  // What a device suffers, the first channel that needs it stands for.
  const std::uint8_t seen = h.deed >= Deed::cut && h.deed < Deed::dead_man_lost ? h.channel : 0;
  ++coverage_.deeds[name + " while " + std::string(key_of(stage_.channel(seen).state))];
  Request request;
  request.channel = h.channel;
  switch (h.deed) {
    case Deed::fault:
      lasts = !drivers::simulated::happens_once(h.fault.kind);
      // Only then is the oracle told: an output that goes on by itself is looked for.
      if (h.fault.kind == drivers::simulated::FaultKind::output_switched) switch_at_panel(h);
      stage_.bench().inject(h.fault);
      break;
    case Deed::stall:
      link.trouble.stalled = true;
      break;
    case Deed::pieces:
      link.trouble.piece = h.size;
      link.trouble.between_pieces = h.time;
      break;
    case Deed::late:
      link.trouble.late = h.time;
      break;
    case Deed::twice:
      link.trouble.twice = true;
      break;
    case Deed::drop:
      link.drop(stage_.bench().now());
      oracle_.disturbed(h.device);
      lasts = false;
      break;
    case Deed::noise: {
      std::string bytes;
      for (std::size_t k = 0; k < h.size; ++k) bytes += "@#x%\n~?{}\r"[noise_.below(10)];
      link.whisper(bytes, stage_.bench().now());
      oracle_.disturbed(h.device);
      lasts = false;
      break;
    }
    case Deed::hang:
      stage_.sequencers_hang = true;
      break;
    case Deed::cut:
      request.kind = Request::Kind::cut;
      oracle_.cut_wanted(h.channel);
      stage_.request(request);
      lasts = false;
      break;
    case Deed::acknowledge:
      request.kind = Request::Kind::acknowledge;
      stage_.request(request);
      lasts = false;
      break;
    case Deed::stop:
      if (auto* sequencer = stage_.sequencer(h.channel)) sequencer->stop(stage_.now());
      lasts = false;
      break;
    case Deed::start:
      request.kind = Request::Kind::arm;
      request.plan = scenario_.jobs[h.channel].front().checked.plan;
      // A second arm while a run is under way; else a run as the person begins it.
      if (stage_.sequencer(h.channel) && !stage_.sequencer(h.channel)->is_over()) {
        stage_.request(request);
      } else {
        start(h.channel);
      }
      lasts = false;
      break;
    case Deed::dead_man_lost:
      for (std::uint8_t c = 0; c < people_.size(); ++c) oracle_.cut_wanted(c);
      stage_.wires().dead_man_lost(stage_.now());
      stage_.request({});
      lasts = false;
      break;
    case Deed::restart: {
      for (std::uint8_t c = 0; c < people_.size(); ++c) keep_interrupted(c);
      const std::vector<safety::Fault> trips = oracle_.restart();
      for (std::uint8_t c = 0; c < people_.size(); ++c) count_broken_off(c);
      stage_.restart(trips);
      lasts = false;
      break;
    }
    case Deed::reorder:
      stage_.first_served = h.size;
      lasts = false;
      break;
  }
  if (lasts) endings_.push_back({drivers::later(stage_.bench().now(), h.lasts), &h});
  oracle_.befallen();
}

// Is it this channel's source at which the fault happens once?
bool Play::feeds(const drivers::simulated::BenchFault& fault, std::uint8_t channel) const {
  const auto& source = scenario_.plant.channels[channel].source;
  return source.instrument == fault.device &&
         std::max<std::uint8_t>(source.channel, 1) == std::max<std::uint8_t>(fault.channel, 1);
}

void Play::switch_at_panel(const Happening& h) {
  for (std::uint8_t c = 0; c < people_.size(); ++c) {
    if (feeds(h.fault, c)) oracle_.panel(c);
  }
}

void Play::look_at_lurking() {
  std::erase_if(lurking_, [&](const Happening* h) {
    for (std::uint8_t c = 0; c < people_.size(); ++c) {
      if (!feeds(h->fault, c)) continue;
      const auto& circuit = stage_.bench().circuit(c);
      const double full = scenario_.jobs[c].front().cell.voltage.full.value();
      if (!(circuit.current().value() > 0)) return false;
      if (circuit.voltage().value() < h->nearly_full * full) return false;
      begin(*h);
      return true;
    }
    return true;
  });
}

void Play::end(const Happening& h) {
  if (options_.trace)
    say(stage_.bench().now(), "* over: " + describe(h, scenario_.bench).substr(16));
  auto& trouble = stage_.link(h.device).trouble;
  switch (h.deed) {
    case Deed::fault:
      return stage_.bench().clear(h.fault.kind, h.device);
    case Deed::stall:
      trouble.stalled = false;
      return;
    case Deed::pieces:
      trouble.piece = 0;
      return;
    case Deed::late:
      trouble.late = {};
      return;
    case Deed::twice:
      trouble.twice = false;
      return;
    case Deed::hang:
      stage_.sequencers_hang = false;
      return;
    default:
      return;
  }
}

void Play::start(std::uint8_t channel) {
  Person& person = people_[channel];
  const auto& jobs = scenario_.jobs[channel];
  person.interrupted.reset();
  person.job = &jobs[person.next_job++ % jobs.size()];
  stage_.bench().place_cell(channel, person.job->fullness);
  oracle_.run_began(channel, *person.job);
  begin_run(channel, person.job->checked.plan);
}

void Play::begin_run(std::uint8_t channel, const safety::RunPlan& plan) {
  Person& person = people_[channel];
  stage_.run({.channel = channel,
              .channel_plan = scenario_.plant.channels[channel],
              .run_plan = plan,
              .procedure = person.job->checked.procedure,
              .expected = {}});
  person.counted = false;
  person.began = stage_.now();
  ++coverage_.runs;
  if (options_.trace) say(stage_.now(), "channel " + std::to_string(channel) + ": a run begins");
}

// What its record would say of a run that the guard dies under.
void Play::keep_interrupted(std::uint8_t channel) {
  Person& person = people_[channel];
  person.interrupted.reset();
  const daemon::Sequencer* sequencer = stage_.sequencer(channel);
  if (!scenario_.resumes || person.job == nullptr || sequencer == nullptr) return;
  const safety::ChannelSnapshot& snapshot = stage_.channel(channel);
  const bool runs = snapshot.state == State::ready || snapshot.state == State::energised;
  if (sequencer->progress().phase != daemon::Phase::running || !runs) return;
  const Instant now = stage_.now();
  daemon::InterruptedRun run;
  run.carried = {.charge_in = drivers::coulombs(snapshot.charge_in),
                 .charge_out = drivers::coulombs(snapshot.charge_out),
                 .uncertain = {},
                 .energy_in = drivers::joules(snapshot.energy_in),
                 .energy_out = drivers::joules(snapshot.energy_out),
                 .on_time = snapshot.on_time,
                 .step = snapshot.step,
                 .step_time = now - sequencer->progress().step_began};
  run.unread = now - snapshot.current.answered;
  person.interrupted = Interrupted{.run = std::move(run), .died_at = now, .unseen = {}};
}

void Play::see_interrupted(const Event& event) {
  auto& interrupted = people_[event.channel].interrupted;
  if (!interrupted) return;
  const bool off = event.to == State::off || event.to == State::tripped;
  if (event.kind == Event::Kind::state_changed && off && !interrupted->unseen) {
    interrupted->unseen = event.at - interrupted->died_at;
  }
  // Tripped for another reason, it stays so.
  const bool other = event.fault.cause != safety::Cause::guard_internal;
  if (event.kind == Event::Kind::tripped && other) interrupted.reset();
}

// An interrupted run goes on, on the same cell, with all that may have flowed meanwhile (S9).
bool Play::go_on(std::uint8_t channel) {
  Person& person = people_[channel];
  const auto interrupted = std::move(person.interrupted);
  person.interrupted.reset();
  if (!interrupted || !interrupted->unseen) return false;
  safety::RunPlan plan = person.job->checked.plan;
  const auto& procedure = person.job->checked.procedure;
  const auto& step = procedure.steps[procedure.order[interrupted->run.carried.step].step];
  plan.carried = daemon::carried_over(interrupted->run, plan.limits,
                                      step.verb == profiles::StepVerb::rest, *interrupted->unseen);
  if (daemon::reaches_a_limit(plan.carried, plan.limits, plan.full)) return false;
  oracle_.run_goes_on(channel);
  begin_run(channel, plan);
  ++coverage_.outcomes["(went on after an interruption)"];
  return true;
}

void Play::count_end(std::uint8_t channel) {
  Person& person = people_[channel];
  const daemon::Sequencer* sequencer = stage_.sequencer(channel);
  if (person.counted || sequencer == nullptr) return;
  const daemon::Progress& progress = sequencer->progress();
  if (!sequencer->is_over()) return;
  person.counted = true;
  coverage_.charge_hours += in_seconds(progress.ended - person.began) / 3600;
  std::string name(daemon::key_of(progress.phase));
  if (progress.phase == daemon::Phase::refused)
    name += ": " + std::string(key_of(progress.refusal));
  ++coverage_.outcomes[name];
  if (options_.trace)
    say(stage_.now(), "channel " + std::to_string(channel) + ": the run is " + name);
}

void Play::count_broken_off(std::uint8_t channel) {
  count_end(channel);
  Person& person = people_[channel];
  if (person.counted) return;
  person.counted = true;
  coverage_.charge_hours += in_seconds(stage_.now() - person.began) / 3600;
  ++coverage_.outcomes["interrupted"];
}

// The person comes by: acknowledges what tripped, lays in the next cell and starts anew.
void Play::look(std::uint8_t channel) {
  count_end(channel);
  const State state = stage_.channel(channel).state;
  const daemon::Sequencer* sequencer = stage_.sequencer(channel);
  const bool again = state == State::off &&
                     stage_.channel(channel).refusal == safety::Refusal::protection_was_tripped;
  if (state == State::tripped || again) {
    Request request;
    request.kind = Request::Kind::acknowledge;
    request.channel = channel;
    stage_.request(request);
  }
  const bool ready = state == State::off || (state == State::tripped && scenario_.hasty);
  if (!ready || (sequencer != nullptr && !sequencer->is_over())) return;
  if (!go_on(channel)) start(channel);
}

// False: something was violated.
bool Play::go(Instant to) {
  while (stage_.bench().now() < to && !oracle_.violation()) {
    const std::uint64_t before = stage_.moments();
    stage_.advance(std::min(to, stage_.bench().now() + look_every));
    if (stage_.moments() - before > moments_most || stage_.endless_moments() > 0) {
      oracle_.end(true);
      return false;
    }
  }
  return !oracle_.violation();
}

void Play::finish() {
  for (const Ending& ending : endings_) end(*ending.of);
  stage_.sequencers_hang = false;
  for (std::uint8_t c = 0; c < people_.size(); ++c) {
    if (auto* sequencer = stage_.sequencer(c)) sequencer->stop(stage_.now());
  }
  if (!go(stage_.bench().now() + 30s)) return;
  stage_.wires().shut_down(stage_.now());
  stage_.request({});
  if (!go(stage_.bench().now() + 2min)) return;
  oracle_.end(stage_.wires().all_off());
}

Outcome Play::run() {
  auto next = scenario_.happenings.begin();
  const Instant close = opening + scenario_.lasts;
  bool well = true;
  while (well) {
    Instant at = close;
    if (next != scenario_.happenings.end()) at = std::min(at, next->at);
    for (const Ending& ending : endings_) at = std::min(at, ending.at);
    for (const Person& person : people_) {
      at = std::min(at, person.looks_at);
    }
    at = std::max(at, stage_.bench().now());
    well = go(at);
    if (!well || at >= close) break;
    if (next != scenario_.happenings.end() && next->at <= at) {
      if (next->nearly_full > 0) {
        lurking_.push_back(&*next);
      } else {
        begin(*next);
      }
      ++next;
    }
    for (auto ending = endings_.begin(); ending != endings_.end();) {
      if (ending->at > at) {
        ++ending;
        continue;
      }
      end(*ending->of);
      ending = endings_.erase(ending);
    }
    for (std::uint8_t c = 0; c < people_.size(); ++c) {
      if (people_[c].looks_at > at) continue;
      look(c);
      people_[c].looks_at = at + scenario_.patience;
    }
  }
  if (well) finish();
  for (std::uint8_t c = 0; c < people_.size(); ++c) count_end(c);
  coverage_.seeds = 1;
  coverage_.readings = oracle_.readings();
  coverage_.moments = stage_.moments();
  coverage_.overshoots = oracle_.overshoots().seen();
  coverage_.bench_hours =
      in_seconds(stage_.bench().now() - opening) / 3600 * static_cast<double>(people_.size());
  return {oracle_.violation(), std::move(coverage_)};
}

}  // namespace

void Coverage::add(const Coverage& other) {
  const auto join = [](auto& into, const auto& from) {
    for (const auto& [key, count] : from) into[key] += count;
  };
  join(outcomes, other.outcomes);
  join(trips, other.trips);
  join(causes, other.causes);
  join(deeds, other.deeds);
  for (std::size_t k = 0; k < overshoots.size(); ++k) {
    overshoots[k].judged += other.overshoots[k].judged;
    overshoots[k].nearest = std::max(overshoots[k].nearest, other.overshoots[k].nearest);
  }
  seeds += other.seeds;
  runs += other.runs;
  readings += other.readings;
  moments += other.moments;
  bench_hours += other.bench_hours;
  charge_hours += other.charge_hours;
}

Outcome play(const Scenario& scenario, const PlayOptions& options) {
  return Play(scenario, options).run();
}

}  // namespace chargewright::storm

#include "daemon/plan/drill_scene.h"

#include <algorithm>

#include "daemon/plan/stage.h"
#include "daemon/plan/wired_stage.h"

namespace chargewright::daemon {

using drivers::Duration;
using drivers::Instant;
using safety::Event;
using safety::State;

namespace {

using namespace std::chrono_literals;

constexpr Instant start{1h};  // any; not zero, so that ages have a past
// Of a byte, in each direction, where the instrument's round trip is not known.
constexpr Duration way_assumed = 2ms;
// What goes on being seen after the end: a cut has its stages, and a cell its heat.
constexpr Duration aftermath_on_bytes = 5s;
constexpr Duration aftermath_of_run = 5min;

// The guard's events, from the fault on.
void note(DrillOutcome& outcome, const Event& event) {
  if (!outcome.watch.begun()) return;
  const auto first = [&](std::string_view key, std::string text) {
    if (!outcome.noticed_by.empty()) return;
    outcome.noticed_by = key;
    outcome.notice = std::move(text);
    outcome.noticed_at = event.at;
  };
  switch (event.kind) {
    case Event::Kind::refused:
      return first(key_of(event.refusal), std::string(describe(event.refusal)));
    case Event::Kind::cause_present:
    case Event::Kind::alarm:
      if (event.fault.cause == safety::Cause::operator_cut) return;
      return first(key_of(event.fault.cause), describe(event.fault));
    case Event::Kind::state_changed:
      outcome.cut_began = outcome.cut_began || event.to == State::cutting;
      return;
    default:
      return;
  }
}

void note_end(DrillOutcome& outcome, const Progress& progress, Instant now) {
  outcome.phase = progress.phase;
  outcome.over = is_over(progress.phase);
  if (!outcome.noticed_by.empty() || progress.phase != Phase::failed) return;
  outcome.noticed_by = "step-overdue";
  outcome.notice = "the step did not reach its end within its time: run failed, output off";
  outcome.noticed_at = now;
}

void inject(drivers::simulated::Bench& bench, const DrillFault& fault) {
  for (const auto& one : fault.faults) (void)bench.inject(one);
}

// From the step of the moment on.
profiles::Procedure remainder(const profiles::Procedure& whole, std::size_t executed) {
  profiles::Procedure rest = whole;
  rest.order.erase(rest.order.begin(), rest.order.begin() + static_cast<std::ptrdiff_t>(executed));
  return rest;
}

// As slow as the response-time budget has it, where that was stated or measured.
Duration way_to(const profiles::BenchInstrument& instrument, std::size_t id,
                const profiles::Basis& basis) {
  const profiles::InstrumentBasis known =
      id < basis.instruments.size() ? basis.instruments[id] : profiles::InstrumentBasis{};
  if (!known.measured && !instrument.response.round_trip) return way_assumed;
  return profiles::times_of(instrument, known).round_trip / 2;
}

// Stated; without a word of it, at once.
Duration settling_of(const RehearsalSetup& r) {
  return r.bench.source_of(r.bench.channels[r.channel])
      .response.settling.value_or(Duration::zero());
}

// Long enough for every rule that does not need the cell to change: ages, time-outs, on-delays.
Duration patience(const safety::ChannelPlan& plan) {
  const safety::Ages ages(plan);
  return std::max<Duration>(10s, 2 * std::max({ages.readback, plan.disagree_delay, plan.heartbeat,
                                               plan.settling, 4 * plan.allowed_age}));
}

class OnBytes {
 public:
  OnBytes(const DrillScene& scene, const DrillFault& fault)
      : scene_(scene),
        fault_(fault),
        plan_(scene.plant.channels[0]),
        settling_(settling_of(scene.setup.rehearsal)),
        outcome_(DrillWatch(scene.setup.rehearsal.cell, scene.plan, plan_, settling_)),
        stage_(setup_of(scene)),
        stride_(std::clamp<Duration>(plan_.every / 2, 1ms, 1s)) {
    stage_.on_event = [this](const Event& event) { note(outcome_, event); };
    stage_.on_moment = [this] { outcome_.watch.see(stage_.bench(), stage_.now()); };
  }

  DrillOutcome play() {
    const bool before = scene_.time.moment == DrillMoment::before_arming;
    until([&] { return stage_.channel().state == State::off; }, plan_.start_within);
    if (before) strike();
    stage_.run({.channel = 0,
                .channel_plan = plan_,
                .run_plan = scene_.plan,
                .procedure = remainder(scene_.setup.rehearsal.procedure, scene_.time.executed),
                .expected = {}});
    if (!before) {
      until([&] { return established(); }, 2 * plan_.arm_within + 10 * plan_.every);
      pass(scene_.run_in);
      note_unmet();
      strike();
    }
    if (scene_.time.moment == DrillMoment::cutting) {
      outcome_.cut_asked = true;
      stage_.request({.kind = safety::Request::Kind::cut});
    }
    until([&] { return settled(); }, patience(plan_) + (before ? 2 * plan_.arm_within : 0s));
    pass(aftermath_on_bytes + settling_);
    note_end(outcome_, stage_.sequencer()->progress(), stage_.now());
    return std::move(outcome_);
  }

 private:
  static WiredStage::Setup setup_of(const DrillScene& scene) {
    const RehearsalSetup& r = scene.setup.rehearsal;
    WiredStage::Setup setup{.model = twin_of(r.bench, r.channel, r.cell, r.start),
                            .plant = scene.plant,
                            .instruments = scene.setup.instruments};
    setup.model.circuits[0].found = scene.cell;
    for (std::size_t k = 0; k < setup.model.devices.size(); ++k) {
      const profiles::BenchInstrument& instrument = r.bench.instruments[k];
      const Duration way = way_to(instrument, k, scene.setup.basis);
      setup.links.push_back({.to_device = way, .to_host = way});
      if (k >= r.dialects.size()) continue;
      drivers::Dialect& spoken = setup.instruments[k].dialect;
      spoken.respond = instrument.respond.value_or(r.dialects[k].respond);
      spoken.settle = r.dialects[k].settle;
      spoken.between = r.dialects[k].between;
    }
    setup.tick = std::max<Duration>(50ms, scene.plant.channels[0].every / 2);
    setup.start = start;
    return setup;
  }

  // Refused, or at its end already: what follows says nothing of this moment.
  void note_unmet() {
    if (is_at_moment()) return;
    const Progress& progress = stage_.sequencer()->progress();
    outcome_.unmet = progress.refusal == safety::Refusal::none
                         ? std::string(key_of(progress.phase))
                         : std::string(describe(progress.refusal));
  }
  void strike() {
    outcome_.watch.fault(stage_.bench(), stage_.now());
    inject(stage_.bench(), fault_);
    stage_.sequencers_hang = fault_.sequencer_hangs;
    outcome_.watch.see(stage_.bench(), stage_.now());
  }
  [[nodiscard]] bool is_at_moment() {
    const State wanted =
        scene_.time.moment == DrillMoment::resting ? State::ready : State::energised;
    return stage_.sequencer()->progress().phase == Phase::running &&
           stage_.channel().state == wanted;
  }
  [[nodiscard]] bool established() {
    return is_over(stage_.sequencer()->progress().phase) || is_at_moment();
  }
  [[nodiscard]] bool settled() {
    const State state = stage_.channel().state;
    if (state == State::tripped) return true;
    return stage_.sequencer()->is_over() && state == State::off;
  }
  template <class Claim>
  void until(Claim claim, Duration within) {
    for (const Instant last = now_ + within; now_ < last && !claim();) step();
  }
  void pass(Duration span) {
    for (const Instant last = now_ + span; now_ < last;) step();
  }
  void step() {
    now_ += stride_;
    stage_.advance(now_);
  }

  const DrillScene& scene_;
  const DrillFault& fault_;
  const safety::ChannelPlan& plan_;
  Duration settling_;
  DrillOutcome outcome_;
  WiredStage stage_;
  Duration stride_;
  Instant now_ = start;
};

}  // namespace

DrillOutcome play_on_bytes(const DrillScene& scene, const DrillFault& fault) {
  return OnBytes(scene, fault).play();
}

DrillOutcome play_whole_run(const DrillScene& scene, const DrillFault& fault) {
  const RehearsalSetup& r = scene.setup.rehearsal;
  safety::Plant plant = scene.plant;
  plant.channels[0] = paced(plant.channels[0], r.step);
  const safety::ChannelPlan& plan = plant.channels[0];
  DrillOutcome outcome(DrillWatch(r.cell, scene.plan, plan, settling_of(r)));
  Stage stage(twin_of(r.bench, r.channel, r.cell, r.start), plant, start);
  stage.on_event = [&](const Event& event) { note(outcome, event); };
  stage.run({.channel = 0,
             .channel_plan = plan,
             .run_plan = scene.plan,
             .procedure = r.procedure,
             .expected = {}});
  const Instant last = start + r.longest;
  std::optional<Instant> end;
  for (Instant now = start; now < last && !(end && now >= *end); now += plan.every) {
    if (!outcome.watch.begun() && now - start >= scene.time.at) {
      outcome.watch.fault(stage.bench(), now);
      inject(stage.bench(), fault);
      stage.sequencer_hangs = fault.sequencer_hangs;
    }
    stage.turn(now);
    outcome.watch.see(stage.bench(), now);
    if (!end && stage.sequencer().is_over()) {
      note_end(outcome, stage.sequencer().progress(), now);
      end = now + aftermath_of_run;
    }
  }
  return outcome;
}

}  // namespace chargewright::daemon

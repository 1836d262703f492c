#include "daemon/plan/drill.h"

#include <algorithm>

#include "daemon/bench/plant.h"
#include "daemon/plan/drill_bound.h"
#include "daemon/plan/drill_scene.h"
#include "daemon/plan/stage.h"
#include "drivers/quantity_text.h"

namespace chargewright::daemon {

using drivers::Duration;
using drivers::Instant;

namespace {

using namespace std::chrono_literals;

constexpr Instant start{1h};
// A step has gone on for at most so long, on bytes, when the fault comes: readings are steady.
constexpr Duration run_in_most = 10s;
constexpr int run_in_cycles = 30;

Duration run_in_of(const DrillTime& time, const safety::ChannelPlan& plan) {
  if (time.moment == DrillMoment::before_arming) return Duration::zero();
  return std::min({time.into, run_in_most, run_in_cycles * plan.every});
}

// The cell as the undisturbed run has it when each of these scenes begins, in the order of time.
void find_cells(const RehearsalSetup& r, std::vector<DrillScene>& scenes) {
  safety::Plant plant = scenes.front().plant;
  plant.channels[0] = paced(plant.channels[0], r.step);
  Stage stage(twin_of(r.bench, r.channel, r.cell, r.start), plant, start);
  safety::RunPlan plan = r.plan;
  plan.approved = true;
  stage.run({.channel = 0,
             .channel_plan = plant.channels[0],
             .run_plan = plan,
             .procedure = r.procedure,
             .expected = {}});
  std::vector<DrillScene*> waiting;
  for (DrillScene& scene : scenes) waiting.push_back(&scene);
  std::ranges::sort(waiting, {}, [](const DrillScene* s) { return s->time.at - s->run_in; });
  Instant now = start;
  for (DrillScene* scene : waiting) {
    for (; now - start < scene->time.at - scene->run_in && !stage.sequencer().is_over();
         now += plant.channels[0].every) {
      stage.turn(now);
    }
    scene->cell = stage.bench().circuit(0).cell().state();
  }
}

// As `scene`, with all blind that would see a fault before the limits do.
DrillScene with_limits_alone(DrillScene scene) {
  safety::SourceAbilities& can = scene.plant.channels[0].abilities;
  can.reads_setpoints = can.reads_protection = false;
  can.over_voltage_protection = can.over_current_protection = false;
  scene.plan.limits.temperature_rising.reset();
  return scene;
}

// The interval at which a fault is met, and what the budget allows at it.
struct Pace {
  Duration every;
  safety::Budget budget;
};
Pace pace_of(const DrillScene& scene, const safety::ChannelPlan& plan) {
  const RehearsalSetup& r = scene.setup.rehearsal;
  safety::Plant plant = make_plant(r.bench, r.dialects);  // what other channels ask takes time, too
  plant.channels[r.channel] = plan;
  profiles::Basis basis = scene.setup.basis;
  basis.abilities = plan.abilities;
  return {plan.every, safety::budget_of(profiles::budget_setup(plant, scene.plan, r.cell, r.bench,
                                                               r.channel, basis))};
}

std::optional<double> seconds_since_fault(const DrillOutcome& outcome,
                                          const std::optional<Instant>& at) {
  if (!at) return {};
  return std::max(0.0, drivers::in_seconds(*at - outcome.watch.began()));
}

// Whatever is reported to be off: current must not be able to flow.
bool never_stopped(const DrillOutcome& outcome) {
  return (outcome.cut_asked || outcome.cut_began || outcome.over) && !outcome.watch.stopped();
}

DrillVerdict judge(const DrillOutcome& outcome, const std::vector<DrillCrossing>& crossings) {
  if (!outcome.unmet.empty()) return DrillVerdict::not_survived;
  if (!outcome.watch.harm().empty() || never_stopped(outcome)) return DrillVerdict::not_survived;
  if (std::ranges::any_of(crossings, &DrillCrossing::breaks_bound)) {
    return DrillVerdict::not_survived;
  }
  const auto by_itself = outcome.watch.protected_at();
  if (by_itself && (!outcome.noticed_at || *by_itself < *outcome.noticed_at)) {
    return DrillVerdict::by_instrument;
  }
  if (!outcome.noticed_by.empty() || outcome.cut_asked) return DrillVerdict::survived;
  return DrillVerdict::harmless;
}

std::string broken_bound_of(const std::vector<DrillCrossing>& crossings) {
  const auto broken = std::ranges::find_if(crossings, &DrillCrossing::breaks_bound);
  if (broken == crossings.end()) return {};
  return "crossing to no current, or overshoot, is beyond the response-time budget of " +
         std::string(key_of(broken->cause));
}

std::string sentence_of(const DrillOutcome& outcome, DrillVerdict verdict, const DrillFault& fault,
                        const std::vector<DrillCrossing>& crossings) {
  std::string notice = outcome.notice.empty() ? "nothing noticed it" : outcome.notice;
  switch (verdict) {
    case DrillVerdict::not_survived: {
      if (!outcome.unmet.empty()) return "the run did not come to this moment: " + outcome.unmet;
      std::string harm = outcome.watch.harm();
      if (harm.empty() && !never_stopped(outcome)) harm = broken_bound_of(crossings);
      if (harm.empty()) harm = "the output could not be stopped";
      return harm + "; " + notice;
    }
    case DrillVerdict::by_instrument:
      return "the instrument's own protection switched off first; " + notice;
    case DrillVerdict::survived:
      if (outcome.noticed_by.empty()) return "the operator's cut got through all the same";
      return notice;
    case DrillVerdict::harmless:
      break;
  }
  std::string text = outcome.phase == Phase::done
                         ? "the run went on to its end, and the cell stayed within"
                         : "the cell stayed within";
  const bool blind = std::ranges::any_of(fault.faults, [](const auto& one) {
    return one.kind == drivers::simulated::FaultKind::sensor_off_cell ||
           one.kind == drivers::simulated::FaultKind::stuck;
  });
  if (blind) text += "; but what this sensor should see, nobody saw";
  return text;
}

DrillRow row_of(const DrillScene& scene, const DrillFault& fault, const DrillOutcome& outcome,
                const Pace& pace) {
  DrillRow row;
  row.fault = fault;
  row.moment = scene.time.moment;
  row.step = scene.setup.rehearsal.procedure.order[scene.time.executed].step;
  row.moment_words = scene.time.words;
  row.noticed_by = outcome.noticed_by;
  row.notice = outcome.notice;
  row.notice_s = seconds_since_fault(outcome, outcome.noticed_at);
  if (outcome.watch.ever_on())
    row.stopped_s = seconds_since_fault(outcome, outcome.watch.stopped());
  row.volts = outcome.watch.volts();
  row.amperes = outcome.watch.amperes();
  row.degrees_c = outcome.watch.degrees_c();
  row.crossings = drill_crossings(scene, fault, outcome.watch, pace.budget);
  row.every_s = drivers::in_seconds(pace.every);
  row.verdict = judge(outcome, row.crossings);
  row.sentence = sentence_of(outcome, row.verdict, fault, row.crossings);
  return row;
}

// Was it decided soon after the fault, so that the rest of the run adds nothing? The operator's cut
// is played on bytes alone.
bool decided(const DrillScene& scene, const DrillOutcome& outcome) {
  if (scene.time.moment == DrillMoment::cutting) return true;
  return outcome.unmet.empty() && (!outcome.noticed_by.empty() || outcome.watch.protected_at());
}

DrillRow met(const DrillScene& scene, const DrillFault& fault) {
  const safety::ChannelPlan& plan = scene.plant.channels[0];
  const DrillOutcome soon = play_on_bytes(scene, fault);
  if (decided(scene, soon)) return row_of(scene, fault, soon, pace_of(scene, plan));
  return row_of(scene, fault, play_whole_run(scene, fault),
                pace_of(scene, paced(plan, scene.setup.rehearsal.step)));
}

}  // namespace

std::string_view key_of(DrillVerdict verdict) {
  switch (verdict) {
    case DrillVerdict::survived:
      return "survived";
    case DrillVerdict::by_instrument:
      return "covered by the instrument";
    case DrillVerdict::harmless:
      return "not noticed, harmless";
    case DrillVerdict::not_survived:
      break;
  }
  return "NOT SURVIVED";
}

std::size_t Drill::count(DrillVerdict verdict) const {
  return static_cast<std::size_t>(std::ranges::count(rows, verdict, &DrillRow::verdict));
}

Drill drill(const DrillSetup& setup) {
  const RehearsalSetup& r = setup.rehearsal;
  Drill drill{.undisturbed = rehearse(r), .rows = {}};
  if (drill.undisturbed.phase != Phase::done) return drill;
  const safety::Plant plant = plant_of_one(r);
  safety::RunPlan approved = r.plan;
  approved.approved = true;
  std::vector<DrillScene> scenes;
  for (DrillTime& time : drill_times(r.procedure, drill.undisturbed)) {
    const Duration run_in = run_in_of(time, plant.channels[0]);
    scenes.push_back({.setup = setup,
                      .plant = plant,
                      .plan = approved,
                      .time = std::move(time),
                      .cell = {},
                      .run_in = run_in});
  }
  find_cells(r, scenes);
  for (const DrillScene& scene : scenes) {
    drivers::simulated::Cell cell(r.cell.model, 0.5);
    cell.put(scene.cell);
    for (const DrillFault& fault :
         drill_faults(r, plant.channels[0], scene.time, cell.emf().value())) {
      if (!setup.only.empty() && fault.name != setup.only) continue;
      drill.rows.push_back(fault.limits_alone ? met(with_limits_alone(scene), fault)
                                              : met(scene, fault));
    }
  }
  return drill;
}

}  // namespace chargewright::daemon

#include "daemon/plan/rehearse.h"

#include <algorithm>

#include "daemon/bench/plant.h"
#include "daemon/plan/curve.h"
#include "daemon/plan/margins.h"
#include "daemon/plan/stage.h"

namespace chargewright::daemon {

using drivers::Duration;
using drivers::Instant;

safety::ChannelPlan paced(const safety::ChannelPlan& plan, Duration step) {
  safety::ChannelPlan paced = plan;
  paced.every = std::max(plan.every, step);
  paced.allowed_age = std::max(plan.allowed_age, 3 * paced.every);
  paced.disagree_delay = std::max(plan.disagree_delay, 3 * paced.every);
  paced.stuck_after = std::max(plan.stuck_after, 60 * paced.every);
  paced.heartbeat = std::max(plan.heartbeat, 5 * paced.every);
  paced.cut_stage = std::max(plan.cut_stage, 2 * paced.every);
  paced.prove_off_within += 2 * paced.every;  // what proves it is seen at the next step
  return paced;
}

safety::Plant plant_of_one(const RehearsalSetup& setup) {
  const safety::Plant whole = make_plant(setup.bench, setup.dialects);
  safety::Plant plant;
  plant.instruments = whole.instruments;
  plant.channels.push_back(whole.channels[setup.channel]);
  return plant;
}

namespace {

// What is noted of every instant of the rehearsal.
class Notes {
 public:
  Notes(Rehearsal& into, const profiles::Cell& cell, const profiles::Procedure& procedure)
      : into_(into), cell_(cell) {
    into_.steps.reserve(procedure.order.size());
  }
  void see(Stage& stage, Duration dt);
  void end(Stage& stage);

 private:
  void step_changed(const Stage& stage, const Progress& progress);

  Rehearsal& into_;
  const profiles::Cell& cell_;
  Curve<CurvePoint, curve_points_max> curve_;
  bool begun_ = false;
  bool in_step_ = false;
  std::uint16_t step_ = 0;
  Instant step_began_{};
  double step_charge_ = 0;
  double step_energy_ = 0;
  double step_temperature_ = 0;
};

void Notes::step_changed(const Stage& stage, const Progress& progress) {
  const safety::ChannelSnapshot& channel = stage.channel();
  if (in_step_) {
    RehearsedStep& done = into_.steps.back();
    done.duration = stage.now() - step_began_;
    done.charge_in_ah = (channel.charge_in - step_charge_) / 3600;
    done.energy_in_wh = (channel.energy_in - step_energy_) / 3600;
    done.temperature_max = step_temperature_;
  }
  in_step_ = progress.phase == Phase::running;
  if (!in_step_) return;
  into_.steps.push_back({.step = progress.step_in_file, .cycle = progress.cycle});
  step_ = progress.step;
  step_began_ = progress.step_began;
  step_charge_ = channel.charge_in;
  step_energy_ = channel.energy_in;
  step_temperature_ = -1e9;
}

void Notes::see(Stage& stage, Duration dt) {
  const auto& circuit = stage.bench().circuit(0);
  const double volts = circuit.voltage().value();
  const double amperes = circuit.current().value();
  const double degrees_c = circuit.temperature().value();
  if (!begun_) {
    begun_ = true;
    into_.volts_max = into_.volts_min = volts;
    into_.degrees_c_max = into_.degrees_c_min = degrees_c;
    into_.amperes_max = amperes;
    into_.watts_max = volts * amperes;
    into_.state_of_charge_begin = share_of_charge(cell_, circuit.cell());
  }
  into_.volts_max = std::max(into_.volts_max, volts);
  into_.volts_min = std::min(into_.volts_min, volts);
  into_.amperes_max = std::max(into_.amperes_max, amperes);
  into_.watts_max = std::max(into_.watts_max, volts * amperes);
  into_.degrees_c_max = std::max(into_.degrees_c_max, degrees_c);
  into_.degrees_c_min = std::min(into_.degrees_c_min, degrees_c);
  const Progress& progress = stage.sequencer().progress();
  const bool running = progress.phase == Phase::running;
  if (running != in_step_ || (running && progress.step != step_)) step_changed(stage, progress);
  step_temperature_ = std::max(step_temperature_, degrees_c);
  into_.binding_s[static_cast<std::size_t>(progress.binding)] += drivers::in_seconds(dt);
  curve_.add({drivers::in_seconds(stage.now() - progress.began), volts, amperes, degrees_c,
              share_of_charge(cell_, circuit.cell()), progress.binding});
}

void Notes::end(Stage& stage) {
  const Progress& progress = stage.sequencer().progress();
  const safety::ChannelSnapshot& channel = stage.channel();
  into_.phase = progress.phase;
  into_.refusal = progress.refusal;
  into_.trip = progress.trip;
  into_.duration = stage.now() - progress.began;
  into_.on_time = channel.on_time;
  into_.charge_in_ah = channel.charge_in / 3600;
  into_.charge_out_ah = channel.charge_out / 3600;
  into_.energy_in_wh = channel.energy_in / 3600;
  into_.energy_out_wh = channel.energy_out / 3600;
  into_.state_of_charge_end = share_of_charge(cell_, stage.bench().circuit(0).cell());
  into_.curve = curve_.take();
}

}  // namespace

Rehearsal rehearse(const RehearsalSetup& setup) {
  const Instant start{std::chrono::hours(1)};  // any; not zero, so that ages have a past
  safety::Plant plant = plant_of_one(setup);
  plant.channels[0] = paced(plant.channels[0], setup.step);
  const Duration step = plant.channels[0].every;
  Rehearsal rehearsal;
  rehearsal.step = step;
  Stage stage(twin_of(setup.bench, setup.channel, setup.cell, setup.start), plant, start);
  safety::RunPlan plan = setup.plan;
  plan.approved = true;
  stage.run({.channel = 0,
             .channel_plan = plant.channels[0],
             .run_plan = plan,
             .procedure = setup.procedure,
             .expected = {}});
  Notes notes(rehearsal, setup.cell, setup.procedure);
  Instant now = start;
  for (;; now += step) {
    stage.turn(now);
    const bool over = stage.sequencer().is_over();
    notes.see(stage, over ? Duration::zero() : step);  // what binds now does so for the next step
    if (over) break;
    rehearsal.broken_off = now - start > setup.longest;
    if (rehearsal.broken_off) break;
  }
  notes.end(stage);
  if (rehearsal.broken_off) rehearsal.phase = Phase::failed;
  rehearsal.margins = margins_of(plan.limits, rehearsal);
  return rehearsal;
}

}  // namespace chargewright::daemon

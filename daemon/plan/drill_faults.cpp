#include "daemon/plan/drill_faults.h"

#include <algorithm>
#include <cmath>

#include "drivers/quantity_text.h"

namespace chargewright::daemon {

using drivers::Duration;
using drivers::InstrumentId;
using drivers::simulated::BenchFault;
using drivers::simulated::FaultKind;

namespace {

using namespace std::chrono_literals;

// Bad enough to matter, within what a bench can do (common practice, no source).
constexpr double knob_voltage_factor = 1.25;
constexpr double knob_current_factor = 1.5;
constexpr double loose_drop_v = 0.5;
constexpr double swapped_share = 0.25;   // of the span from empty to full
constexpr double heat_factor = 3;        // times what would warm the cell to its very limit
constexpr double cools_within_s = 3600;  // a body that cools more slowly is heated as if it did not
constexpr Duration slow_answer = 5s;

class Faults {
 public:
  Faults(const RehearsalSetup& setup, const safety::ChannelPlan& plan, const DrillTime& time,
         double cell_volts)
      : setup_(setup), plan_(plan), time_(time), cell_volts_(cell_volts) {}

  std::vector<DrillFault> list() {
    talk();
    measuring();
    if (time_.moment == DrillMoment::cutting) {
      disobedience();
      return std::move(faults_);
    }
    thermometers();
    connections();
    panel();
    cell();
    if (output_on()) escaping();
    if (time_.moment != DrillMoment::before_arming) {
      faults_.push_back({"sequencer-hangs", "daemon", "the sequencer hangs", {}, true});
    }
    return std::move(faults_);
  }

 private:
  [[nodiscard]] const std::string& name_of(InstrumentId id) const {
    return setup_.bench.instruments[id].name;
  }
  void add(BenchFault fault, std::string_view what) {
    faults_.push_back({std::string(drivers::simulated::name_of(fault.kind)),
                       name_of(fault.device),
                       name_of(fault.device) + ' ' + std::string(what),
                       {fault}});
  }
  [[nodiscard]] std::vector<InstrumentId> instruments() const {
    std::vector<InstrumentId> ids;
    const auto add = [&](const safety::Terminal& at) {
      if (std::ranges::find(ids, at.instrument) == ids.end()) ids.push_back(at.instrument);
    };
    add(plan_.source);
    add(plan_.voltmeter);
    add(plan_.ammeter);
    for (const auto& thermometer : plan_.thermometers) add(thermometer);
    if (plan_.contactor) add(*plan_.contactor);
    return ids;
  }

  void talk() {
    for (const InstrumentId id : instruments()) {
      add({.kind = FaultKind::mute, .device = id}, "answers nothing");
      add({.kind = FaultKind::slow, .device = id, .delay = slow_answer}, "answers 5 s late");
      add({.kind = FaultKind::garbage, .device = id}, "answers garbage");
      add({.kind = FaultKind::link_dropped, .device = id}, "loses its link");
    }
  }
  void measuring() {
    for (const InstrumentId id : instruments()) {
      if (plan_.contactor && id == plan_.contactor->instrument) continue;
      add({.kind = FaultKind::not_a_number, .device = id}, "measures not a number");
      add({.kind = FaultKind::stuck, .device = id}, "shows the same value for ever");
    }
  }
  void disobedience() {
    add({.kind = FaultKind::ignores_output_off, .device = plan_.source.instrument}, "ignores off");
    if (!plan_.contactor) return;
    add({.kind = FaultKind::ignores_output_off, .device = plan_.contactor->instrument},
        "is welded");
    const std::string& contactor = name_of(plan_.contactor->instrument);
    faults_.push_back(
        {"ignores-output-off-twice",
         name_of(plan_.source.instrument),
         name_of(plan_.source.instrument) + " ignores off, and " + contactor + " is welded",
         {{.kind = FaultKind::ignores_output_off, .device = plan_.source.instrument},
          {.kind = FaultKind::ignores_output_off, .device = plan_.contactor->instrument}}});
  }
  void thermometers() {
    for (const auto& at : plan_.thermometers) {
      const auto input = std::max<std::uint8_t>(at.channel, 1);
      const std::string sensor = "sensor " + std::to_string(input);
      add({.kind = FaultKind::sensor_lost, .device = at.instrument, .channel = input},
          sensor + " breaks");
      add({.kind = FaultKind::sensor_off_cell, .device = at.instrument, .channel = input},
          sensor + " falls off the cell");
    }
  }

  [[nodiscard]] bool output_on() const {
    return time_.moment == DrillMoment::early || time_.moment == DrillMoment::middle ||
           time_.moment == DrillMoment::late;
  }
  [[nodiscard]] double most_amperes() const {
    double most = 0;
    for (const auto& step : setup_.procedure.steps) {
      most = std::max(most, step.ceilings.current.value());
    }
    return most;
  }

  void connections() {
    const InstrumentId source = plan_.source.instrument;
    const auto output = std::max<std::uint8_t>(plan_.source.channel, 1);
    add({.kind = FaultKind::lead_off, .device = source, .channel = output}, "loses a lead");
    const double ohms = loose_drop_v / std::max(most_amperes(), 1e-3);
    add({.kind = FaultKind::leads_loosened, .device = source, .channel = output, .value = ohms},
        "gets " + drivers::to_text(drivers::ohms(std::round(ohms * 1e4) / 1e4)) +
            " more in its leads");
    // With the output on, neither can be done without a lead coming off first.
    if (output_on()) return;
    add({.kind = FaultKind::reversed, .device = source, .channel = output},
        "has its cell the wrong way round");
    const auto& v = setup_.cell.voltage;
    const double span = swapped_share * (v.full - v.empty).value();
    const bool high = cell_volts_ > 0.5 * (v.full + v.empty).value();
    const double other = time_.moment == DrillMoment::before_arming
                             ? v.full.value() * 1.5
                             : cell_volts_ + (high ? -span : span);
    add({.kind = FaultKind::cell_swapped, .device = source, .channel = output, .value = other},
        "finds another cell, of " +
            drivers::to_text(drivers::volts(std::round(other * 1000) / 1000)));
  }

  void panel() {
    const InstrumentId source = plan_.source.instrument;
    const auto output = std::max<std::uint8_t>(plan_.source.channel, 1);
    if (time_.moment == DrillMoment::before_arming) return;  // arming writes all of it anew
    const auto turned = [&](drivers::Measurand what, double value, const std::string& text) {
      BenchFault fault{.kind = FaultKind::knob_turned, .device = source, .channel = output};
      fault.knob = what;
      fault.value = value;
      add(fault, "has its knob turned to " + text);
    };
    const double volts = std::min(knob_voltage_factor * setup_.cell.voltage.full.value(),
                                  plan_.source_voltage_max.value());
    turned(drivers::Measurand::voltage, volts,
           drivers::to_text(drivers::volts(std::round(volts * 1000) / 1000)));
    if (setup_.plan.limits.current_above) {
      const double amperes =
          std::min(knob_current_factor * setup_.plan.limits.current_above->value.value(),
                   plan_.source_current_max.value());
      turned(drivers::Measurand::current, amperes,
             drivers::to_text(drivers::amperes(std::round(amperes * 1000) / 1000)));
    }
    add({.kind = FaultKind::output_switched, .device = source, .channel = output},
        output_on() ? "is switched off at the panel" : "is switched on at the panel");
  }

  [[nodiscard]] BenchFault heats() const {
    const auto& model = setup_.cell.model;
    const double room = setup_.cell.temperature.never_above.value() - model.ambient.value();
    const double cooling =
        std::max(model.cooling.value(), model.heat_capacity.value() / cools_within_s);
    return {.kind = FaultKind::cell_heats,
            .device = plan_.source.instrument,
            .channel = std::max<std::uint8_t>(plan_.source.channel, 1),
            .value = std::ceil(heat_factor * std::max(room, 5.0) * cooling)};
  }

  // What only the limits themselves are left to see: a source that delivers more than it says, a
  // cell that heats.
  void escaping() {
    const auto alone = [&](std::string name, std::string subject, std::string words,
                           std::vector<BenchFault> what) {
      faults_.push_back({.name = std::move(name),
                         .subject = std::move(subject),
                         .words = std::move(words) + ", and only the limits can see it",
                         .faults = std::move(what),
                         .limits_alone = true});
    };
    const safety::Limits& limits = setup_.plan.limits;
    BenchFault volts{.kind = FaultKind::knob_turned,
                     .device = plan_.source.instrument,
                     .channel = std::max<std::uint8_t>(plan_.source.channel, 1)};
    BenchFault amperes = volts;
    volts.value = std::min(knob_voltage_factor * setup_.cell.voltage.full.value(),
                           plan_.source_voltage_max.value());
    amperes.knob = drivers::Measurand::current;
    amperes.value =
        std::min(knob_current_factor *
                     (limits.current_above ? limits.current_above->value.value() : most_amperes()),
                 plan_.source_current_max.value());
    const std::string& source = name_of(plan_.source.instrument);
    alone("source-escapes", source, source + " delivers more than it says", {volts, amperes});
    if (plan_.contactor) {
      alone("source-escapes-and-ignores-off", source,
            source + " delivers more than it says and ignores off",
            {volts,
             amperes,
             {.kind = FaultKind::ignores_output_off, .device = plan_.source.instrument}});
    }
    if (!limits.temperature_above || plan_.thermometers.empty()) return;
    const BenchFault warm = heats();
    alone("cell-heats-unheeded", "cell",
          "the cell makes " + drivers::to_text(drivers::watts(warm.value)) + " more heat", {warm});
  }

  void cell() {
    const BenchFault heats = this->heats();
    const std::string more = drivers::to_text(drivers::watts(heats.value)) + " more heat";
    faults_.push_back({"cell-heats", "cell", "the cell makes " + more, {heats}});
    if (plan_.thermometers.empty()) return;
    // The demand that finds the sensor gone.
    DrillFault both{"sensor-off-cell-and-cell-heats",
                    "cell",
                    "every sensor is off the cell, and it makes " + more,
                    {heats}};
    for (const auto& at : plan_.thermometers) {
      both.faults.push_back({.kind = FaultKind::sensor_off_cell,
                             .device = at.instrument,
                             .channel = std::max<std::uint8_t>(at.channel, 1)});
    }
    faults_.push_back(std::move(both));
  }

  const RehearsalSetup& setup_;
  const safety::ChannelPlan& plan_;
  const DrillTime& time_;
  double cell_volts_;
  std::vector<DrillFault> faults_;
};

}  // namespace

std::vector<DrillFault> drill_faults(const RehearsalSetup& setup, const safety::ChannelPlan& plan,
                                     const DrillTime& time, double cell_volts) {
  return Faults(setup, plan, time, cell_volts).list();
}

std::vector<DrillTime> drill_times(const profiles::Procedure& procedure,
                                   const Rehearsal& undisturbed) {
  std::vector<DrillTime> times{
      {DrillMoment::before_arming, 0, Duration::zero(), Duration::zero(), "before the start"}};
  std::vector<bool> met(procedure.steps.size());
  std::optional<DrillTime> cutting;
  Duration longest{};
  Duration began{};
  for (std::size_t k = 0; k < undisturbed.steps.size(); ++k) {
    const RehearsedStep& rehearsed = undisturbed.steps[k];
    const profiles::PlannedStep& step = procedure.steps[rehearsed.step];
    const auto add = [&](DrillMoment moment, double share, const char* when) {
      const Duration into = drivers::seconds(share * drivers::in_seconds(rehearsed.duration));
      times.push_back({moment, k, into, began + into, when + ('`' + step.name + '`')});
    };
    if (!met[rehearsed.step]) {
      met[rehearsed.step] = true;
      if (step.verb == profiles::StepVerb::charge) {
        add(DrillMoment::early, 0.05, "early in ");
        add(DrillMoment::middle, 0.5, "in the middle of ");
        add(DrillMoment::late, 0.95, "near the end of ");
        if (rehearsed.duration > longest) {
          longest = rehearsed.duration;
          cutting = times[times.size() - 2];
        }
      } else {
        add(DrillMoment::resting, 0.5, "while resting in ");
      }
    }
    began += rehearsed.duration;
  }
  if (cutting) {
    cutting->moment = DrillMoment::cutting;
    cutting->words = "as the operator cuts in `" +
                     procedure.steps[procedure.order[cutting->executed].step].name + '`';
    times.push_back(*cutting);
  }
  return times;
}

}  // namespace chargewright::daemon

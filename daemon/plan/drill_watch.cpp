#include "daemon/plan/drill_watch.h"

#include <algorithm>
#include <cmath>

#include "drivers/quantity_text.h"

namespace chargewright::daemon {

using drivers::Instant;

namespace {

// Beyond what the cell's file says must never be, for longer than this, counts as harm: a slew of
// milliseconds into a large cell does not move its chemistry (common practice, no source).
constexpr double borne_s = 2;
constexpr double borne_kelvins = 0.5;
// A loose joint burns its insulation from about here on (common practice, no source).
constexpr double joint_watts = 10;
constexpr double joint_s = 60;

// To three decimals: more digits would feign an accuracy that no model has.
double shown(double value) { return std::round(value * 1000) / 1000; }

}  // namespace

void DrillWatch::Beyond::see(bool beyond, double value, double passed) {
  stretch = beyond ? stretch + passed : 0;
  seconds = std::max(seconds, stretch);
  if (beyond) most = std::max(most, value);
}

void DrillWatch::Crossed::see(bool beyond, Drive drive, Instant before, Instant now) {
  if (drive != Drive::on) {
    // Crossed and cut between two looks: at the earliest just after the one before.
    if (!since && beyond && flowed) since = before;
    if (since && !stopped && drive == Drive::off) stopped = now;
    flowed = false;
    return;
  }
  flowed = true;
  stopped.reset();
  if (!beyond) {
    since.reset();  // it went back by itself
  } else if (!since) {
    since = now;
  }
}

DrillWatch::DrillWatch(const profiles::Cell& cell, const safety::RunPlan& plan,
                       const safety::ChannelPlan& channel, drivers::Duration settling)
    : cell_(&cell),
      channel_(channel),
      source_{channel.source.instrument, std::max<std::uint8_t>(channel.source.channel, 1)},
      off_amperes_(channel.off_current.value()),
      settling_(settling) {
  const auto& l = plan.limits;
  if (l.voltage_above) volts_.limit = l.voltage_above->value.value();
  if (l.current_above) amperes_.limit = l.current_above->value.value();
  if (l.temperature_above) degrees_c_.limit = l.temperature_above->value.value();
}

bool DrillWatch::shows_beyond(const drivers::simulated::Bench& bench, const safety::Terminal& at,
                              drivers::Measurand what, const DrillExtreme& extreme) const {
  if (!extreme.limit) return false;
  const auto input = std::max<std::uint8_t>(at.channel, 1);
  const auto shown = bench.measure(at.instrument, input, what);
  return shown && *shown > *extreme.limit;
}

void DrillWatch::fault(const drivers::simulated::Bench& bench, Instant now) {
  begun_ = true;
  fault_at_ = seen_ = now;
  const auto& circuit = bench.circuit(0);
  volts_.at_fault = volts_.most = circuit.voltage().value();
  amperes_.at_fault = amperes_.most = circuit.current().value();
  degrees_c_.at_fault = degrees_c_.most = circuit.temperature().value();
  see(bench, now);
}

DrillWatch::Drive DrillWatch::drive(const drivers::simulated::Bench& bench, Instant now) {
  const auto& output = bench.output(source_.device, source_.channel);
  if (!bench.circuit(0).switch_closed) return Drive::off;
  if (output.is_on()) return Drive::on;
  // Its own protections stop it at once.
  if (output.over_voltage_tripped() || output.over_current_tripped()) return Drive::off;
  if (drive_ == Drive::on) falls_until_ = later(now, settling_);
  return drive_ != Drive::off && now < falls_until_ ? Drive::falling : Drive::off;
}

void DrillWatch::see(const drivers::simulated::Bench& bench, Instant now) {
  if (!begun_) return;
  const bool fell = drive_ == Drive::falling;
  const Drive next = drive(bench, now);
  // The fall ended between two looks, at a time that is known.
  if (fell && next == Drive::off && bench.circuit(0).switch_closed && falls_until_ < now) {
    look(bench, Drive::falling, falls_until_);
    look(bench, Drive::off, falls_until_);
  }
  look(bench, next, now);
}

void DrillWatch::look(const drivers::simulated::Bench& bench, Drive drive, Instant now) {
  drive_ = drive;
  const auto& circuit = bench.circuit(0);
  const auto& output = bench.output(source_.device, source_.channel);
  const double passed = drivers::in_seconds(now - seen_);
  const bool falling = drive == Drive::falling;
  const double v = std::max(circuit.voltage().value(), falling ? volts_driven_ : 0.0);
  const double i = std::max(circuit.current().value(), falling ? amperes_driven_ : 0.0);
  if (drive == Drive::on) {
    volts_driven_ = v;
    amperes_driven_ = i;
  }
  const double t = circuit.temperature().value();
  volts_.most = std::max(volts_.most, v);
  amperes_.most = std::max(amperes_.most, i);
  degrees_c_.most = std::max(degrees_c_.most, t);
  // A cell that is found too high is not our harm; one that is held or driven there is.
  const bool may_flow = drive != Drive::off;
  too_high_.see(may_flow && v > cell_->voltage.never_above.value(), v, passed);
  too_much_.see(i > cell_->current.never_above.value(), i, passed);
  too_warm_.see(t > cell_->temperature.never_above.value() + borne_kelvins, t, passed);
  backwards_.see(circuit.reversed && i > off_amperes_, i, passed);
  const double joint = i * i * circuit.loosened.value();
  hot_joint_.see(joint > joint_watts, joint, passed);
  using drivers::Measurand;
  crossed_volts_.see(shows_beyond(bench, channel_.voltmeter, Measurand::voltage, volts_), drive,
                     seen_, now);
  crossed_amperes_.see(shows_beyond(bench, channel_.ammeter, Measurand::current, amperes_), drive,
                       seen_, now);
  const bool too_warm = std::ranges::any_of(channel_.thermometers, [&](const auto& at) {
    return shows_beyond(bench, at, Measurand::temperature, degrees_c_);
  });
  crossed_degrees_c_.see(too_warm, drive, seen_, now);
  ever_on_ = ever_on_ || may_flow;
  if (may_flow) {
    stopped_.reset();
  } else if (!stopped_) {
    stopped_ = now;
  }
  if (!protected_ && (output.over_voltage_tripped() || output.over_current_tripped())) {
    protected_ = now;
  }
  seen_ = now;
}

std::string DrillWatch::harm() const {
  using drivers::to_text;
  const auto span = [](const Beyond& b) {
    return " for " + to_text(drivers::seconds(shown(b.seconds)));
  };
  if (too_warm_.seconds > 0) {
    return "the cell reached " + to_text(drivers::celsius(shown(too_warm_.most))) +
           ", above its never-above " + to_text(cell_->temperature.never_above);
  }
  if (too_high_.seconds > borne_s) {
    return "the cell stood at up to " + to_text(drivers::volts(shown(too_high_.most))) +
           span(too_high_) + ", above its never-above " + to_text(cell_->voltage.never_above);
  }
  if (too_much_.seconds > borne_s) {
    return "the cell took up to " + to_text(drivers::amperes(shown(too_much_.most))) +
           span(too_much_) + ", above its never-above " + to_text(cell_->current.never_above);
  }
  if (backwards_.seconds > borne_s) {
    return "the reversed cell was driven with up to " +
           to_text(drivers::amperes(shown(backwards_.most))) + span(backwards_);
  }
  if (hot_joint_.seconds > joint_s) {
    return "the loose joint burned up to " + to_text(drivers::watts(shown(hot_joint_.most))) +
           span(hot_joint_);
  }
  return {};
}

}  // namespace chargewright::daemon

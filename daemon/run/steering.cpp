#include "daemon/run/steering.h"

#include <algorithm>
#include <cmath>

namespace chargewright::daemon {

using drivers::Amperes;
using drivers::Instant;
using drivers::Volts;

namespace {

// A change of a current setpoint below this share of it is not worth a conversation.
constexpr double current_matters = 0.002;
constexpr double voltage_matters_v = 0.001;

bool matters(Amperes from, Amperes to) {
  const double most = std::max(std::abs(from.value()), std::abs(to.value()));
  return std::abs(to.value() - from.value()) > current_matters * most;
}

}  // namespace

std::optional<drivers::Reading> hottest(const safety::ChannelSnapshot& snapshot) {
  const drivers::Reading* found = nullptr;
  for (std::size_t i = 0; i < snapshot.thermometers; ++i) {
    const drivers::Reading& reading = snapshot.temperatures[i];
    if (!reading.valid()) return std::nullopt;  // the one that cannot be read may be the hottest
    if (found == nullptr || reading.value > found->value) found = &reading;
  }
  if (found == nullptr) return std::nullopt;
  return *found;
}

Steering::Steering(const safety::ChannelPlan& channel, const safety::RunPlan& plan,
                   const profiles::Ceilings& ceilings)
    : ceilings_(ceilings),
      voltage_tolerance_(std::max(drivers::volts(0.005), 0.002 * ceilings.voltage)),
      current_tolerance_(std::max(channel.setpoint_current_tolerance, 0.01 * ceilings.current)),
      source_voltage_max_(channel.source_voltage_max),
      source_current_max_(channel.source_current_max),
      source_power_max_(channel.source_power_max) {
  if (ceilings.temperature) foldback_.emplace(*ceilings.temperature, ceilings.current);
  if (!(channel.voltmeter == channel.source)) {
    leads_.emplace(ceilings.voltage, channel.loop_resistance, plan.lead_compensation_max);
  }
  if (ceilings.power) power_current_ = *ceilings.power / ceilings.voltage;
  given_voltage_ = ceilings.voltage;
  set_voltage();
  set_current();
}

bool Steering::is_tapering(const safety::ChannelSnapshot& snapshot, Amperes in_force) const {
  if (!snapshot.voltage.valid() || !snapshot.current.valid()) return false;
  // A source gives what it was set to within a tenth, be it ever so coarse (common practice).
  const Amperes clearly = std::max(current_tolerance_, 0.1 * in_force);
  return at_voltage_ceiling(snapshot.voltage.voltage()) &&
         snapshot.current.current() < in_force - clearly;
}

void Steering::see(const safety::ChannelSnapshot& snapshot) {
  const drivers::Reading& voltage = snapshot.voltage;
  const bool new_voltage = voltage.valid() && (!begun_ || voltage.answered > voltage_seen_);
  if (new_voltage) {
    voltage_seen_ = voltage.answered;
    const bool flows = snapshot.state == safety::State::energised;
    if (ceilings_.power && flows) see_power(voltage.voltage());
    if (leads_ && flows && snapshot.current.valid()) {
      leads_->see(voltage.voltage(), snapshot.current.current());
      set_voltage();
    }
  }
  bool new_temperature = false;
  if (foldback_) {
    const auto temperature = hottest(snapshot);
    new_temperature =
        temperature.has_value() && (!begun_ || temperature->answered > temperature_seen_);
    if (new_temperature) {
      temperature_seen_ = temperature->answered;
      const Amperes flowing =
          snapshot.current.valid() ? snapshot.current.current() : drivers::amperes(0);
      foldback_->see(temperature->temperature(), flowing, temperature->answered);
    }
  }
  begun_ = true;
  if (new_voltage || new_temperature) set_current();
}

// Begins as if the voltage stood at its ceiling. Upwards it goes half of the way per reading: the
// voltage rises with the current, and so is seen before the power is exceeded.
void Steering::see_power(Volts at_cell) {
  if (at_cell.value() <= 0) return;  // an empty capacitor takes any current at no power
  const Amperes target = *ceilings_.power / at_cell;
  const Amperes now = *power_current_;
  power_current_ = target < now ? target : now + 0.5 * (target - now);
}

void Steering::set_voltage() {
  Volts voltage = ceilings_.voltage;
  if (leads_) voltage += leads_->rise();
  if (source_voltage_max_.value() > 0) voltage = std::min(voltage, source_voltage_max_);
  if (std::abs(voltage.value() - given_voltage_.value()) < voltage_matters_v) return;
  given_voltage_ = voltage;
  moved_ = true;
}

void Steering::set_current() {
  Amperes current = ceilings_.current;
  Binding by = Binding::step_current;
  const auto at_most = [&](Amperes most, Binding binding) {
    if (most < current) {
      current = most;
      by = binding;
    }
  };
  if (source_current_max_.value() > 0) at_most(source_current_max_, Binding::source_rating);
  if (source_power_max_.value() > 0 && given_voltage_.value() > 0) {
    // At the setpoint: the gate judges what the source might deliver, not what it does.
    at_most(source_power_max_ / given_voltage_, Binding::source_rating);
  }
  if (power_current_) at_most(*power_current_, Binding::step_power);
  if (foldback_) at_most(foldback_->current(), Binding::step_temperature);
  set_by_ = by;
  if (!matters(given_current_, current)) return;
  given_current_ = current;
  moved_ = true;
}

bool Steering::take_moved() { return std::exchange(moved_, false); }

Binding Steering::binding(const safety::ChannelSnapshot& snapshot) const {
  return judge_binding({.output_on = snapshot.state == safety::State::energised,
                        .at_cell = snapshot.voltage.voltage(),
                        .current = snapshot.current.current(),
                        .voltage_ceiling = ceilings_.voltage,
                        .current_setpoint = given_current_,
                        .current_setpoint_by = set_by_,
                        .voltage_tolerance = voltage_tolerance_,
                        .current_tolerance = current_tolerance_,
                        .voltage_is_rating = source_voltage_max_.value() > 0 &&
                                             given_voltage_ >= source_voltage_max_ &&
                                             ceilings_.voltage > source_voltage_max_});
}

}  // namespace chargewright::daemon

#include "drivers/simulated/circuit.h"

#include <algorithm>
#include <cmath>

namespace chargewright::drivers::simulated {
namespace {

using namespace std::chrono_literals;

// Beyond a border by more than rounding (volts or amperes): then the regulation has changed.
constexpr double hair = 1e-9;
// Changes of regulation in one advance() that are followed exactly; more than these are noise.
constexpr int changes_max = 32;

double power_current(double emf, double r, double power) {
  const double root = std::sqrt(emf * emf + 4 * r * power);
  return 2 * power / (emf + root);  // the stable form of (root - emf)/(2 r); r may be tiny
}

}  // namespace

Circuit::Flow Circuit::flow(const SupplyOutput& supply) const {
  const double emf = sense() * cell_.emf().value();
  if (!supply.is_on()) return {emf, 0, Regulation::off};
  const double r = leads().value() + cell_.series().value();
  const double v_set = supply.voltage_setpoint().value();
  const double i_set = supply.current_setpoint().value();
  const double power = supply.model().power_max.value();
  const double i_held = (v_set - emf) / r;
  if (i_held <= 0) return {emf, 0, Regulation::constant_voltage};  // it cannot sink
  Flow found = i_held <= i_set ? Flow{v_set, i_held, Regulation::constant_voltage}
                               : Flow{emf + i_set * r, i_set, Regulation::constant_current};
  if (found.v * found.i > power) {
    const double i = power_current(emf, r, power);
    found = {emf + i * r, i, Regulation::constant_power};
  }
  return found;
}

// Advances in the regulation that `start` found, and answers how far the end lies beyond what that
// regulation allows: above zero, it changed on the way.
double Circuit::step(Duration dt, const SupplyOutput& supply, const Flow& start) {
  const double sign = sense();
  const double v_set = supply.voltage_setpoint().value();
  const double i_set = supply.current_setpoint().value();
  const double power = supply.model().power_max.value();
  const double v_trip = supply.over_voltage_armed() ? supply.over_voltage().value() : 1e9;
  const double i_trip = supply.over_current_armed() ? supply.over_current().value() : 1e9;
  const auto terminal = [&](double i) {
    return sign * cell_.emf().value() + i * (leads().value() + cell_.series().value());
  };
  switch (start.regulation) {
    case Regulation::off:
      cell_.advance(dt, amperes(0));
      return -1;
    case Regulation::constant_current: {
      cell_.advance(dt, amperes(sign * start.i));
      double v_most = std::min(v_set, v_trip);
      if (start.i > 0) v_most = std::min(v_most, power / start.i);
      return terminal(start.i) - v_most;
    }
    case Regulation::constant_voltage: {
      if (start.i <= 0) {  // blocked: the cell stands above the setpoint, and may sink below it
        cell_.advance(dt, amperes(0));
        return v_set - terminal(0);
      }
      const double i = sign * cell_.advance_held(dt, volts(sign * v_set), leads()).value();
      const double i_most = std::min({i_set, i_trip, v_set > 0 ? power / v_set : i_set});
      return std::max(i - i_most, -i);
    }
    case Regulation::constant_power: {
      const Cell::State before = cell_.state();
      cell_.advance(dt / 2, amperes(sign * start.i));
      const double r = leads().value() + cell_.series().value();
      const double middle = power_current(sign * cell_.emf().value(), r, power);
      cell_.put(before);
      cell_.advance(dt, amperes(sign * middle));
      const double i = power_current(sign * cell_.emf().value(), r, power);
      return std::max(terminal(i) - std::min(v_set, v_trip), i - std::min(i_set, i_trip));
    }
  }
  return -1;
}

void Circuit::show(SupplyOutput& supply, const Flow& flow) {
  supply.delivers(volts(flow.v), amperes(flow.i), flow.regulation);
  current_ = flow.i;
  voltage_ = flow.v - flow.i * leads().value();
}

void Circuit::settle(SupplyOutput* supply) {
  if (playback_) {
    const bool on = is_joined(supply) && supply->is_on();
    playback_->output(on);
    voltage_ = playback_->voltage().value() * sense();
    current_ = playback_->current().value();
    if (supply != nullptr) {
      supply->delivers(playback_->source_voltage(), playback_->source_current(),
                       on ? Regulation::constant_current : Regulation::off);
      if (supply->protect()) settle(supply);
    }
    return;
  }
  if (!is_joined(supply)) {
    advance_apart(Duration::zero(), supply);
    return;
  }
  show(*supply, flow(*supply));
  if (supply->protect()) show(*supply, flow(*supply));
}

void Circuit::advance(Duration dt, SupplyOutput* supply) {
  tripped_after_.reset();
  if (playback_) {
    playback_->advance(dt);
    const bool was_on = supply != nullptr && supply->is_on();
    settle(supply);
    if (was_on && !supply->is_on()) tripped_after_ = dt;
  } else if (is_joined(supply)) {
    advance_joined(dt, *supply);
  } else {
    advance_apart(dt, supply);
  }
}

void Circuit::advance_joined(Duration dt, SupplyOutput& supply) {
  Duration done{};
  int changes = 0;
  Flow now = flow(supply);
  while (done < dt) {
    Duration h = dt - done;
    if (now.regulation == Regulation::constant_power) h = std::min<Duration>(h, 100ms);
    const Cell::State before = cell_.state();
    double beyond = step(h, supply, now);
    if (beyond > hair && changes < changes_max) {
      // Bisection on whole nanoseconds: at most 64 turns, and only where the regulation changes.
      ++changes;
      Duration low{}, high = h;
      double g_low = -1, g_high = beyond;
      bool straight = false;  // alternate secant and bisection
      while (high - low > 1ns) {
        straight = !straight && g_low < 0 && g_low > -1;
        const double share = straight ? g_low / (g_low - g_high) : 0.5;
        Duration at =
            low +
            Duration{static_cast<Duration::rep>(share * static_cast<double>((high - low).count()))};
        at = std::clamp<Duration>(at, low + 1ns, high - 1ns);
        cell_.put(before);
        const double g = step(at, supply, now);
        (g > hair ? high : low) = at;
        (g > hair ? g_high : g_low) = g;
      }
      cell_.put(before);
      beyond = step(high, supply, now);
      h = high;
    }
    done += h;
    now = flow(supply);
    show(supply, now);
    if (supply.protect()) {
      if (!tripped_after_) tripped_after_ = done;
      now = flow(supply);
      show(supply, now);
    }
  }
}

// Nothing flows: the cell rests, and the supply's own terminal slews to where it is set.
void Circuit::advance_apart(Duration dt, SupplyOutput* supply) {
  if (dt > Duration::zero()) cell_.advance(dt, amperes(0));
  voltage_ = sense() * cell_.emf().value();
  current_ = 0;
  if (supply == nullptr) return;
  const auto slew = [&](Duration span) {
    const double aim = supply->is_on() ? supply->voltage_setpoint().value() : 0;
    const double reach = supply->model().slew_v_per_s * in_seconds(span);
    const double v = supply->voltage().value();
    supply->delivers(volts(v + std::clamp(aim - v, -reach, reach)), amperes(0),
                     supply->is_on() ? Regulation::constant_voltage : Regulation::off);
  };
  const double before = supply->voltage().value();
  slew(dt);
  if (supply->protect()) {
    const double level = supply->over_voltage().value();
    const double rate = supply->model().slew_v_per_s;
    const Duration at = before < level ? std::min(dt, seconds((level - before) / rate)) : 0ns;
    tripped_after_ = at;
    supply->delivers(volts(std::max(before, level)), amperes(0), Regulation::off);
    slew(dt - at);
  }
}

Celsius Circuit::temperature() const {
  return playback_ ? playback_->temperature() : cell_.temperature();
}

}  // namespace chargewright::drivers::simulated

#include "safety/tally.h"

#include <cmath>

namespace chargewright::safety {

using drivers::coulombs;
using drivers::joules;

void Tally::begin(drivers::Instant now) {
  *this = Tally(gap_);
  on_since_ = now;
}

void Tally::add(drivers::Instant at, drivers::Amperes current, drivers::Volts voltage) {
  if (!std::isfinite(current.value()) || !std::isfinite(voltage.value())) return;
  if (has_last_ && at <= last_) return;  // late or repeated: already counted
  if (has_last_) {
    const double dt = drivers::in_seconds(at - last_);
    const double mean_current = 0.5 * (last_current_.value() + current.value());
    const double charge = mean_current * dt;
    if (at - last_ > gap_) {
      uncertain_ += coulombs(std::abs(charge));
    } else {
      // Product of the means, not mean of the products: with a current that is straight between
      // two samples the difference is of second order, and charge and energy stay consistent.
      const double energy = charge * 0.5 * (last_voltage_.value() + voltage.value());
      if (charge >= 0) {
        charge_in_ += coulombs(charge);
        energy_in_ += joules(energy);
      } else {
        charge_out_ -= coulombs(charge);
        energy_out_ -= joules(energy);
      }
    }
  }
  has_last_ = true;
  last_ = at;
  last_current_ = current;
  last_voltage_ = voltage;
}

void Tally::break_at(drivers::Instant) { has_last_ = false; }

void Tally::output(bool on, drivers::Instant at) {
  if (on == on_) return;
  if (on_) on_time_ += at - on_since_;
  on_ = on;
  on_since_ = at;
}

drivers::Duration Tally::on_time(drivers::Instant now) const {
  return on_ ? on_time_ + (now - on_since_) : on_time_;
}

}  // namespace chargewright::safety

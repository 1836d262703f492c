#include "safety/tally.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {

using drivers::coulombs;
using drivers::joules;

std::string_view defect(const Carried& carried) {
  constexpr drivers::Duration longest = std::chrono::hours(24 * 365 * 100);
  for (const double amount :
       {carried.charge_in.value(), carried.charge_out.value(), carried.uncertain.value(),
        carried.energy_in.value(), carried.energy_out.value()}) {
    if (!(amount >= 0) || std::isinf(amount)) return "what was counted before is no amount";
  }
  for (const drivers::Duration time : {carried.on_time, carried.step_time}) {
    if (time < drivers::Duration::zero() || time > longest) return "a time before is no time";
  }
  return {};
}

void Tally::begin(drivers::Instant now, const Carried& carried) {
  *this = Tally(gap_);
  on_since_ = now;
  charge_in_ = carried.charge_in;
  charge_out_ = carried.charge_out;
  uncertain_ = carried.uncertain;
  energy_in_ = carried.energy_in;
  energy_out_ = carried.energy_out;
  on_time_ = carried.on_time;
}

void Tally::account(double charge, double volts, drivers::Duration over) {
  if (over > gap_) {
    uncertain_ += coulombs(std::abs(charge));
  } else if (charge >= 0) {
    charge_in_ += coulombs(charge);
    energy_in_ += joules(charge * volts);
  } else {
    charge_out_ -= coulombs(charge);
    energy_out_ -= joules(charge * volts);
  }
}

void Tally::add(drivers::Instant at, drivers::Amperes current, drivers::Volts voltage) {
  if (!std::isfinite(current.value()) || !std::isfinite(voltage.value())) return;
  const bool ever = last_ != drivers::Instant{};
  if (ever && at <= last_) return;  // late or repeated: already counted
  if (has_last_) {
    // Product of the means, not mean of the products: with a current that is straight between two
    // samples the difference is of second order, and charge and energy stay consistent.
    const double mean_current = 0.5 * (last_current_.value() + current.value());
    const double mean_voltage = 0.5 * (last_voltage_.value() + voltage.value());
    account(mean_current * drivers::in_seconds(at - last_), mean_voltage, at - last_);
  } else if (on_ && at > edge_) {
    account(current.value() * drivers::in_seconds(at - edge_), voltage.value(), at - edge_);
  }
  has_last_ = true;
  last_ = at;
  last_current_ = current;
  last_voltage_ = voltage;
}

void Tally::break_at(drivers::Instant at) {
  has_last_ = false;
  // What is read first after the output went on holds back to that moment.
  if (on_ && last_ < on_since_) return;
  // What was read last holds over any change since.
  const drivers::Instant since = std::max(last_, edge_);
  if (on_ && at > since) {
    account(last_current_.value() * drivers::in_seconds(at - since), last_voltage_.value(),
            at - since);
  }
  edge_ = at;
}

void Tally::output(bool on, drivers::Instant at) {
  if (on == on_) return;
  break_at(at);
  if (on_) on_time_ += at - on_since_;
  on_ = on;
  on_since_ = at;
}

drivers::Duration Tally::on_time(drivers::Instant now) const {
  return on_ ? on_time_ + (now - on_since_) : on_time_;
}

}  // namespace chargewright::safety

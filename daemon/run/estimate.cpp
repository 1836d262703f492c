#include "daemon/run/estimate.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace chargewright::daemon {

using profiles::Condition;
using profiles::Subject;

namespace {

constexpr double unknown = std::numeric_limits<double>::quiet_NaN();
// A slope over less than this is noise; and it is renewed this often, so that it follows.
constexpr auto window = std::chrono::seconds(20);

// Seconds until a straight line reaches `target` on the right side; 0 if it is there.
double until(double target, double value, double slope, bool rising) {
  if (rising ? value >= target : value <= target) return 0;
  if (rising ? !(slope > 0) : !(slope < 0)) return unknown;
  return (target - value) / slope;
}

bool is_rising(profiles::Comparison comparison) {
  return comparison == profiles::Comparison::at_least || comparison == profiles::Comparison::above;
}

}  // namespace

void Estimate::Trend::see(double v, drivers::Instant now) {
  value = v;
  if (!has_began) {
    has_began = true;
    began = now;
    began_value = v;
    return;
  }
  if (now - began < window) return;
  slope = (v - began_value) / drivers::in_seconds(now - began);
  known = true;
  began = now;
  began_value = v;
}

void Estimate::see(const profiles::Measured& measured, bool tapering, drivers::Instant now) {
  last_ = measured;
  if (measured.voltage) voltage_.see(measured.voltage->value(), now);
  if (measured.charge) charge_.see(measured.charge->value(), now);
  if (measured.energy) energy_.see(measured.energy->value(), now);
  if (tapering && measured.current && measured.current->value() > 0) {
    log_current_.see(std::log(measured.current->value()), now);
  } else {
    log_current_.forget();
  }
}

double Estimate::seconds_left() const {
  return condition_ == nullptr || condition_->empty() ? unknown : left(0);
}

double Estimate::left(std::size_t index) const {
  const Condition::Node& node = condition_->nodes[index];
  if (node.kind == Condition::Node::Kind::compare) return left_of_comparison(node);
  const bool any = node.kind == Condition::Node::Kind::any;
  double result = any ? unknown : 0;
  for (std::size_t child = index + 1; child < index + node.size;
       child += condition_->nodes[child].size) {
    const double time = left(child);
    if (any) {
      result = std::fmin(result, time);  // the sooner of those that are known
    } else {
      result = std::isnan(time) || std::isnan(result) ? unknown : std::max(result, time);
    }
  }
  return result;
}

double Estimate::left_of_comparison(const Condition::Node& node) const {
  const bool rising = is_rising(node.comparison);
  const double hold = drivers::in_seconds(node.hold);
  switch (node.subject) {
    case Subject::step_time:
      if (!last_.step_time || !rising) return unknown;
      return std::max(0.0, node.value - drivers::in_seconds(*last_.step_time));
    case Subject::run_time:
      if (!last_.run_time || !rising) return unknown;
      return std::max(0.0, node.value - drivers::in_seconds(*last_.run_time));
    case Subject::charge:
      return charge_.known ? until(node.value, charge_.value, charge_.slope, rising) + hold
                           : unknown;
    case Subject::energy:
      return energy_.known ? until(node.value, energy_.value, energy_.slope, rising) + hold
                           : unknown;
    case Subject::voltage:
      return voltage_.known ? until(node.value, voltage_.value, voltage_.slope, rising) + hold
                            : unknown;
    case Subject::current:
      if (rising || !log_current_.known || !(node.value > 0)) return unknown;
      return until(std::log(node.value), log_current_.value, log_current_.slope, false) + hold;
    case Subject::temperature:
    case Subject::power:
      return unknown;
  }
  return unknown;
}

}  // namespace chargewright::daemon

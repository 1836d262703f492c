#pragma once
// Charge and energy by the trapezoid rule over monotonic time, from the moments at which the
// readings were answered. A gap longer than a minute, or than a reading may be old, is not bridged
// silently: its charge is counted apart as uncertain. Time counts while the output is on.

#include <algorithm>
#include <cstdint>
#include <string_view>

#include "drivers/quantity.h"

namespace chargewright::safety {

// What was counted of a run before an interruption, so that the limits of the whole run keep their
// meaning where it goes on (S9). All zero: a run from its beginning.
struct Carried {
  drivers::Coulombs charge_in{};
  drivers::Coulombs charge_out{};  // positive
  drivers::Coulombs uncertain{};   // what may have flowed unseen; counts for limits alone
  drivers::Joules energy_in{};
  drivers::Joules energy_out{};
  drivers::Duration on_time{};
  std::uint16_t step = 0;         // executed steps before the one that is interrupted
  drivers::Duration step_time{};  // how long that one has lasted
};
// Why it cannot be, or empty: negative, no number, or longer than a century.
std::string_view defect(const Carried& carried);

class Tally {
 public:
  // Readings further apart than `allowed_age` were too old before, and cut.
  explicit Tally(drivers::Duration allowed_age = {})
      : gap_(std::max<drivers::Duration>(std::chrono::minutes(1), allowed_age)) {}
  void begin(drivers::Instant now, const Carried& carried = {});
  // One sample: current into the cell, voltage at its terminals.
  void add(drivers::Instant at, drivers::Amperes current, drivers::Volts voltage);
  // Current changed abruptly at this moment (output or setpoint): the trapezoid is not laid across
  // it. While the output is on, the sample before holds up to it and the sample after back to it.
  void break_at(drivers::Instant at);
  void output(bool on, drivers::Instant at);

  [[nodiscard]] drivers::Coulombs charge_in() const { return charge_in_; }
  [[nodiscard]] drivers::Coulombs charge_out() const { return charge_out_; }  // positive
  [[nodiscard]] drivers::Joules energy_in() const { return energy_in_; }
  [[nodiscard]] drivers::Joules energy_out() const { return energy_out_; }
  [[nodiscard]] drivers::Coulombs uncertain() const { return uncertain_; }
  [[nodiscard]] drivers::Duration on_time(drivers::Instant now) const;

 private:
  void account(double charge, double volts, drivers::Duration over);

  drivers::Duration gap_;
  drivers::Instant edge_{};  // while the output is on
  bool has_last_ = false;
  drivers::Instant last_{};
  drivers::Amperes last_current_{};
  drivers::Volts last_voltage_{};
  drivers::Coulombs charge_in_{};
  drivers::Coulombs charge_out_{};
  drivers::Coulombs uncertain_{};
  drivers::Joules energy_in_{};
  drivers::Joules energy_out_{};
  bool on_ = false;
  drivers::Instant on_since_{};
  drivers::Duration on_time_{};
};

}  // namespace chargewright::safety

#pragma once
// The ceilings of one charge step, turned into the two setpoints of a source: the tightest of
// current, power, temperature and rating makes the current; the voltage ceiling, raised by what the
// leads drop, makes the voltage. Setpoints move only when it matters, since each move costs the
// instrument a conversation.

#include <optional>

#include "daemon/run/binding.h"
#include "daemon/run/foldback.h"
#include "daemon/run/lead_compensation.h"
#include "daemon/run/progress.h"
#include "profiles/profile.h"
#include "safety/guard.h"

namespace chargewright::daemon {

// Where the hottest thermometer stands; empty: there is none, or not all of them can be read.
std::optional<drivers::Reading> hottest(const safety::ChannelSnapshot& snapshot);

class Steering {
 public:
  Steering(const safety::ChannelPlan& channel, const safety::RunPlan& plan,
           const profiles::Ceilings& ceilings);

  // New readings move the ceilings; readings seen before change nothing.
  void see(const safety::ChannelSnapshot& snapshot);

  [[nodiscard]] drivers::Volts voltage() const { return given_voltage_; }
  [[nodiscard]] drivers::Amperes current() const { return given_current_; }
  // Did see() move a setpoint enough to be sent? Answers once.
  bool take_moved();

  [[nodiscard]] Binding binding(const safety::ChannelSnapshot& snapshot) const;
  // The current is low because the cell is warm, not because it is full: it says nothing about the
  // end of the charge.
  [[nodiscard]] bool is_folding() const { return set_by_ == Binding::step_temperature; }
  [[nodiscard]] bool at_voltage_ceiling(drivers::Volts at_cell) const {
    return at_cell >= ceilings_.voltage - voltage_tolerance_;
  }

  // Not the setpoint but the voltage holds the current: the cell is at its ceiling, and takes
  // clearly less than `in_force`, the lowest setpoint that the source may have.
  [[nodiscard]] bool is_tapering(const safety::ChannelSnapshot& snapshot,
                                 drivers::Amperes in_force) const;

 private:
  void see_power(drivers::Volts at_cell);
  void set_current();
  void set_voltage();

  profiles::Ceilings ceilings_;
  drivers::Volts voltage_tolerance_{};
  drivers::Amperes current_tolerance_{};
  drivers::Volts source_voltage_max_{};
  drivers::Amperes source_current_max_{};
  drivers::Watts source_power_max_{};
  std::optional<Foldback> foldback_;
  std::optional<LeadCompensation> leads_;
  std::optional<drivers::Amperes> power_current_;  // what the power ceiling allows
  drivers::Instant voltage_seen_{};
  drivers::Instant temperature_seen_{};
  bool begun_ = false;
  Binding set_by_ = Binding::step_current;
  drivers::Volts given_voltage_{};
  drivers::Amperes given_current_{};
  bool moved_ = true;
};

}  // namespace chargewright::daemon

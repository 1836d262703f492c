#pragma once
// One output of a simulated supply: settings with their resolution and range, constant-voltage and
// constant-current regulation, over-voltage and over-current protection that latch. One quadrant:
// it never sinks current. What it drives is a Circuit, which tells it what it delivers.

#include <cstdint>

#include "drivers/quantity.h"

namespace chargewright::drivers::simulated {

struct SupplyModel {
  Volts voltage_max = volts(20);
  Amperes current_max = amperes(20);
  Watts power_max{};  // 0: voltage_max times current_max
  Volts voltage_resolution = volts(0.001);
  Amperes current_resolution = amperes(0.001);
  Volts voltage_readback_resolution = volts(0.0001);
  Amperes current_readback_resolution = amperes(0.0001);
  Volts voltage_offset{};  // of the readback, against the truth
  Amperes current_offset{};
  bool has_over_voltage = true;
  bool has_over_current = true;
  // How fast a terminal with nothing connected moves to its setpoint.
  double slew_v_per_s = 2000;  // full scale in 10 ms: common practice, no source
  // A supply without remote setting: these setpoints, always on; a contactor switches it.
  bool fixed = false;
  Volts fixed_voltage{};
  Amperes fixed_current{};
};

// Rounds to a whole number of steps; step 0: as it is.
double rounded(double value, double step);

enum class Regulation : std::uint8_t { off, constant_voltage, constant_current, constant_power };

class SupplyOutput {
 public:
  explicit SupplyOutput(const SupplyModel& model);

  // Settings. False: out of range, nothing changed.
  bool set_voltage(Volts v);
  bool set_current(Amperes i);
  bool set_over_voltage(Volts v);  // the level; arming is separate
  bool set_over_current(Amperes i);
  void arm_over_voltage(bool armed) { over_voltage_armed_ = armed; }
  void arm_over_current(bool armed) { over_current_armed_ = armed; }
  // False while a protection is latched.
  bool switch_on();
  void switch_off();
  void clear_over_voltage() { over_voltage_tripped_ = false; }
  void clear_over_current() { over_current_tripped_ = false; }
  void reset();  // *RST: off, setpoints zero, protections at their highest and armed as at start

  [[nodiscard]] Volts voltage_setpoint() const { return voltage_set_; }
  [[nodiscard]] Amperes current_setpoint() const { return current_set_; }
  [[nodiscard]] Volts over_voltage() const { return over_voltage_; }
  [[nodiscard]] Amperes over_current() const { return over_current_; }
  [[nodiscard]] Volts over_voltage_max() const { return model_.voltage_max * 1.1; }
  [[nodiscard]] Amperes over_current_max() const { return model_.current_max * 1.1; }
  [[nodiscard]] bool over_voltage_armed() const { return over_voltage_armed_; }
  [[nodiscard]] bool over_current_armed() const { return over_current_armed_; }
  [[nodiscard]] bool over_voltage_tripped() const { return over_voltage_tripped_; }
  [[nodiscard]] bool over_current_tripped() const { return over_current_tripped_; }
  [[nodiscard]] bool is_on() const { return on_; }
  [[nodiscard]] const SupplyModel& model() const { return model_; }

  // What flows, as it truly is and as the supply reads it back.
  [[nodiscard]] Volts voltage() const { return volts(voltage_); }
  [[nodiscard]] Amperes current() const { return amperes(current_); }
  [[nodiscard]] Regulation regulation() const { return regulation_; }
  [[nodiscard]] Volts voltage_readback() const;
  [[nodiscard]] Amperes current_readback() const;

  // From the circuit: what is delivered now.
  void delivers(Volts v, Amperes i, Regulation regulation) {
    voltage_ = v.value();
    current_ = i.value();
    regulation_ = regulation;
  }
  // Trips where a level is exceeded; true if it just did. The output is then off.
  bool protect();

 private:
  SupplyModel model_;
  Volts voltage_set_{};
  Amperes current_set_{};
  Volts over_voltage_{};
  Amperes over_current_{};
  bool over_voltage_armed_ = false, over_current_armed_ = false;
  bool over_voltage_tripped_ = false, over_current_tripped_ = false;
  bool on_ = false;
  double voltage_ = 0, current_ = 0;
  Regulation regulation_ = Regulation::off;
};

}  // namespace chargewright::drivers::simulated

#pragma once
// An electro-thermal cell: open-circuit voltage over charge, series resistance, two RC pairs, ohmic
// heat into one lumped body. A capacitor is the same with a straight open-circuit line through 0 V.
//
//   dv_k/dt = I/C_k - v_k/(R_k C_k),   V = OCV(q) + v_1 + v_2 + I R0,   C_th dT/dt = heat - hA
//   (T-Ta)
//
// At constant current, and at constant voltage behind a resistance, the step is the closed solution
// of these equations, so its size does not change the answer; only Arrhenius resistances are held
// over a step of at most one second. Current into the cell is positive. Plain values: a copy is a
// snapshot. No allocation after construction.

#include <cstdint>

#include "drivers/simulated/cell_model.h"
#include "drivers/simulated/kept.h"

namespace chargewright::drivers::simulated {

class Cell {
 public:
  // How full it starts, as a share of `capacity`; of a capacitor likewise.
  Cell(const CellModel& model, double state_of_charge);
  // Rested at this open-circuit voltage.
  static Cell with_voltage(const CellModel& model, Volts open_circuit);

  [[nodiscard]] Volts open_circuit() const { return volts(ocv_v_); }
  // Thevenin at this instant: terminal voltage = emf + current * series.
  [[nodiscard]] Volts emf() const { return volts(ocv_v_ + state_.v1 + state_.v2); }
  [[nodiscard]] Ohms series() const { return ohms(r0_); }
  [[nodiscard]] Volts terminal(Amperes current) const {
    return volts(ocv_v_ + state_.v1 + state_.v2 + current.value() * r0_);
  }
  [[nodiscard]] Volts pair_voltage(int k) const { return volts(k == 0 ? state_.v1 : state_.v2); }
  // Of a battery: charge over capacity. Of a capacitor: charge over its `capacity` likewise.
  [[nodiscard]] double state_of_charge() const { return state_.q / capacity_; }
  [[nodiscard]] Coulombs charge() const { return coulombs(state_.q); }
  [[nodiscard]] Celsius temperature() const { return celsius(state_.t); }
  [[nodiscard]] Joules heat() const { return joules(state_.heat); }  // since construction

  void advance(Duration dt, Amperes current);
  // `held` stands behind `leads` in series with the cell; answers the current at the end.
  Amperes advance_held(Duration dt, Volts held, Ohms leads);

  void set_temperature(Celsius t);
  // Heat that it makes besides, while current flows: a cell that is failing inside.
  void set_extra_heat(Watts heat) { extra_heat_ = heat.value(); }
  void set_ambient(Celsius t) { ambient_ = t.value(); }
  [[nodiscard]] Celsius ambient() const { return celsius(ambient_); }

  // What changes with time; put() returns to an earlier snapshot, for finding a crossing.
  struct State {
    double q = 0;  // C
    double v1 = 0, v2 = 0;
    double t = 0;  // degC
    double heat = 0;
  };
  [[nodiscard]] const State& state() const { return state_; }
  void put(const State& state);

 private:
  struct Segment {
    double q0, v0, slope;  // V per C
  };
  // Factors of a constant-current step, and of a constant-voltage one, kept for equal steps.
  struct Steps {
    double a1 = 1, a2 = 1;  // exp(-dt/tau)
    double m1 = 0, m2 = 0;  // tau (1-a)/dt: mean of the exponential over the step
    double n1 = 0, n2 = 0;  // tau (1-a^2)/(2 dt): mean of its square
    double a_t = 1;         // thermal
  };
  struct HeldStep {
    double dt = 0, r = 0, slope = 0;
    bool operator==(const HeldStep&) const = default;
  };
  struct Held {
    std::array<std::array<double, 3>, 3> m{};  // (dq, v1, v2) from (e, v1, v2)
  };

  void put(const State& state, std::size_t segment);
  void find_segment();
  void scale_resistances();
  void prepare(double dt);
  void prepare_held(double dt, double r);
  void step(double dt, double i);
  double step_held(double dt, double held, double leads);
  double step_in_segment(double dt, double held, double r);
  void warm(double dt, double mean_heat_w);

  std::vector<Segment> segments_;
  std::size_t segment_ = 0;
  double capacity_ = 1;
  double c1_ = 1, c2_ = 1;
  double r0_ref_ = 0, r1_ref_ = 0, r2_ref_ = 0;
  double r0_ = 0, r1_ = 0, r2_ = 0;  // at this temperature
  double arrhenius_ = 0, heat_capacity_ = 1, cooling_ = 0, ambient_ = 20;
  double extra_heat_ = 0;
  double scaled_at_ = -1e9;  // the temperature, in steps of the grid
  State state_;
  double ocv_v_ = 0;
  static constexpr std::size_t steps_kept = 16;
  Kept<double, Steps, steps_kept> steps_;  // by length, in seconds
  Kept<HeldStep, Held, steps_kept> held_;
};

}  // namespace chargewright::drivers::simulated

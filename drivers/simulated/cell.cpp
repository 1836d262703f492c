#include "drivers/simulated/cell.h"

#include <algorithm>
#include <cmath>
#include <utility>

namespace chargewright::drivers::simulated {
namespace {

constexpr double longest_step_s = 1.0;  // where something is held over a step
constexpr double least_resistance = 1e-6;
constexpr double reference_k = 298.15;
constexpr double zero_celsius_k = 273.15;

using Matrix = std::array<std::array<double, 4>, 4>;

Matrix times(const Matrix& a, const Matrix& b) {
  Matrix c{};
  for (std::size_t i = 0; i < 4; ++i)
    for (std::size_t k = 0; k < 4; ++k)
      for (std::size_t j = 0; j < 4; ++j) c[i][j] += a[i][k] * b[k][j];
  return c;
}

// exp(a) by scaling and squaring; 4x4, entries bounded by step over time constant.
Matrix exponential(Matrix a) {
  double norm = 0;
  for (const auto& row : a)
    for (const double x : row) norm = std::max(norm, std::abs(x));
  const int halvings =
      norm > 0.06 ? std::min(60, static_cast<int>(std::ceil(std::log2(norm / 0.06)))) : 0;
  const double scale = std::ldexp(1.0, -halvings);
  for (auto& row : a)
    for (double& x : row) x *= scale;
  Matrix sum{};
  Matrix term{};
  for (std::size_t i = 0; i < 4; ++i) sum[i][i] = term[i][i] = 1;
  for (int n = 1; n <= 9; ++n) {  // 0.24^9/9! is below 1e-11 of a term that is small itself
    term = times(term, a);
    for (auto& row : term)
      for (double& x : row) x /= n;
    for (std::size_t i = 0; i < 4; ++i)
      for (std::size_t j = 0; j < 4; ++j) sum[i][j] += term[i][j];
  }
  for (int n = 0; n < halvings; ++n) sum = times(sum, sum);
  return sum;
}

// Mean of x^2 over a step, from the ends and their slopes: Hermite midpoint, then Simpson.
double mean_square(double x0, double slope0, double x1, double slope1, double dt) {
  const double mid = 0.5 * (x0 + x1) + dt * (slope0 - slope1) / 8;
  return (x0 * x0 + 4 * mid * mid + x1 * x1) / 6;
}

}  // namespace

Cell::Cell(const CellModel& model, double state_of_charge)
    : c1_(model.rc[0].c.value()),
      c2_(model.rc[1].c.value()),
      r0_ref_(std::max(model.r0.value(), least_resistance)),
      r1_ref_(model.rc[0].r.value()),
      r2_ref_(model.rc[1].r.value()),
      arrhenius_(model.arrhenius.value()),
      heat_capacity_(model.heat_capacity.value()),
      cooling_(model.cooling.value()),
      ambient_(model.ambient.value()) {
  capacity_ = model.capacity.value();
  if (model.kind == CellModel::Kind::capacitor) {
    segments_ = {{0, 0, 1 / model.capacitance.value()}};
  } else {
    for (std::size_t k = 0; k + 1 < model.ocv.size(); ++k) {
      const auto& from = model.ocv[k];
      const auto& to = model.ocv[k + 1];
      const double q0 = from.state_of_charge * capacity_;
      const double q1 = to.state_of_charge * capacity_;
      segments_.push_back(
          {q0, from.voltage.value(), (to.voltage - from.voltage).value() / (q1 - q0)});
    }
    if (segments_.empty())
      segments_ = {{0, model.ocv.empty() ? 0 : model.ocv[0].voltage.value(), 0}};
  }
  state_.q = state_of_charge * capacity_;
  state_.t = ambient_;
  scale_resistances();
  find_segment();
}

Cell Cell::with_voltage(const CellModel& model, Volts open_circuit) {
  Cell cell(model, 0.5);
  std::size_t k = 0;
  while (k + 1 < cell.segments_.size() && cell.segments_[k + 1].v0 <= open_circuit.value()) ++k;
  const Segment& line = cell.segments_[k];
  cell.state_.q = line.q0;
  if (line.slope > 0) cell.state_.q += (open_circuit.value() - line.v0) / line.slope;
  cell.find_segment();
  return cell;
}

void Cell::put(const State& state) { put(state, segment_); }

void Cell::put(const State& state, std::size_t segment) {
  state_ = state;
  segment_ = segment;
  if (arrhenius_ > 0) scale_resistances();
  find_segment();
}

void Cell::set_temperature(Celsius t) {
  state_.t = t.value();
  scale_resistances();
}

// The end segments go on straight beyond the table: an overfilled cell's voltage rises on.
void Cell::find_segment() {
  while (segment_ + 1 < segments_.size() && state_.q >= segments_[segment_ + 1].q0) ++segment_;
  while (segment_ > 0 && state_.q < segments_[segment_].q0) --segment_;
  const Segment& line = segments_[segment_];
  ocv_v_ = line.v0 + (state_.q - line.q0) * line.slope;
}

// On a grid of 0.02 K, so that the factors of a step stay good while the temperature creeps: a
// resistance is then within 0.03 % of its own, and still depends on nothing but the temperature.
void Cell::scale_resistances() {
  constexpr double grid_k = 0.02;
  const double at = std::nearbyint(state_.t / grid_k);
  if (at == scaled_at_) return;
  scaled_at_ = at;
  const double factor =
      arrhenius_ > 0 ? std::exp(arrhenius_ * (1 / (at * grid_k + zero_celsius_k) - 1 / reference_k))
                     : 1;
  r0_ = r0_ref_ * factor;
  r1_ = r1_ref_ * factor;
  r2_ = r2_ref_ * factor;
  if (arrhenius_ > 0) {
    steps_.clear();
    held_.clear();
  }
}

void Cell::prepare(double dt) {
  if (steps_.find(dt)) return;
  Steps& made = steps_.current();
  const auto pair = [dt](double r, double c, double& a, double& m, double& n) {
    if (r <= 0) {
      a = m = n = 0;
      return;
    }
    const double tau = r * c;
    a = std::exp(-dt / tau);
    m = -std::expm1(-dt / tau) * tau / dt;
    n = -std::expm1(-2 * dt / tau) * tau / (2 * dt);
  };
  pair(r1_, c1_, made.a1, made.m1, made.n1);
  pair(r2_, c2_, made.a2, made.m2, made.n2);
  made.a_t = std::exp(-dt * cooling_ / heat_capacity_);
}

// Exact for heat that is constant over the step.
void Cell::warm(double dt, double mean_heat_w) {
  state_.heat += mean_heat_w * dt;
  if (cooling_ > 0) {
    const double settled = ambient_ + mean_heat_w / cooling_;
    state_.t = settled + (state_.t - settled) * steps_.current().a_t;
  } else {
    state_.t += mean_heat_w * dt / heat_capacity_;
  }
  if (arrhenius_ > 0) scale_resistances();
}

void Cell::advance(Duration dt, Amperes current) {
  double left = in_seconds(dt);
  if (arrhenius_ > 0) {
    for (; left > longest_step_s; left -= longest_step_s) step(longest_step_s, current.value());
  }
  if (left > 0) step(left, current.value());
}

void Cell::step(double dt, double i) {
  prepare(dt);
  const Steps& s = steps_.current();
  const double settled1 = i * r1_;
  const double settled2 = i * r2_;
  const double gap1 = state_.v1 - settled1;
  const double gap2 = state_.v2 - settled2;
  double heat = i * i * r0_;
  // Mean of v^2/R over the step, from v = settled + gap exp(-t/tau).
  if (r1_ > 0)
    heat += (settled1 * settled1 + 2 * settled1 * gap1 * s.m1 + gap1 * gap1 * s.n1) / r1_;
  if (r2_ > 0)
    heat += (settled2 * settled2 + 2 * settled2 * gap2 * s.m2 + gap2 * gap2 * s.n2) / r2_;
  state_.v1 = settled1 + gap1 * s.a1;
  state_.v2 = settled2 + gap2 * s.a2;
  state_.q += i * dt;
  find_segment();
  warm(dt, i != 0 ? heat + extra_heat_ : heat);
}

Amperes Cell::advance_held(Duration dt, Volts held, Ohms leads) {
  double left = in_seconds(dt);
  for (; left > longest_step_s; left -= longest_step_s) {
    step_held(longest_step_s, held.value(), leads.value());
  }
  if (left > 0) step_held(left, held.value(), leads.value());
  return amperes((held - emf()).value() / (leads.value() + r0_));
}

// (dq, v1, v2, e0) is a linear system with i = (e0 - slope dq - v1 - v2)/R inside one segment.
void Cell::prepare_held(double dt, double r) {
  const double slope = segments_[segment_].slope;
  if (held_.find({dt, r, slope})) return;
  Held& made = held_.current();
  Matrix a{};
  const std::array<double, 4> current{-slope / r, -1 / r, -1 / r, 1 / r};
  for (std::size_t j = 0; j < 4; ++j) {
    a[0][j] = current[j] * dt;
    if (r1_ > 0) a[1][j] = current[j] / c1_ * dt;
    if (r2_ > 0) a[2][j] = current[j] / c2_ * dt;
  }
  if (r1_ > 0) a[1][1] -= dt / (r1_ * c1_);
  if (r2_ > 0) a[2][2] -= dt / (r2_ * c2_);
  // dq is in coulombs, hundreds of times its own scale: work in dq*slope-like units, so that the
  // norm is of voltages only.
  const double unit = std::max(slope, 1e-4);
  for (std::size_t j = 0; j < 4; ++j) a[0][j] *= unit;
  for (std::size_t i = 0; i < 4; ++i) a[i][0] /= unit;
  const Matrix m = exponential(a);
  for (std::size_t i = 0; i < 3; ++i) {
    const double scale = i == 0 ? 1 / unit : 1;
    made.m[i] = {m[i][3] * scale, m[i][1] * scale, m[i][2] * scale};
  }
}

double Cell::step_held(double dt, double held, double leads) {
  const double r = std::max(leads + r0_, least_resistance);
  // A step that leaves its segment of the open-circuit table is cut where it leaves.
  for (int cuts = 0; cuts < 8; ++cuts) {
    const State before = state_;
    const std::size_t segment = segment_;
    const double i = step_in_segment(dt, held, r);
    if (segment_ == segment) return i;
    const double border = segments_[segment_ > segment ? segment + 1 : segment].q0;
    const State after = state_;
    // Where did the charge pass the border? Regula falsi on the closed solution.
    double low = 0, high = dt;
    double q_low = before.q - border, q_high = after.q - border;
    for (int n = 0; n < 60 && high - low > 1e-10; ++n) {
      double at = low - q_low * (high - low) / (q_high - q_low);
      at = std::clamp(at, low + 0.02 * (high - low), high - 0.02 * (high - low));
      put(before, segment);
      step_in_segment(at, held, r);
      const double q = state_.q - border;
      (q * q_low > 0 || q == 0 ? low : high) = at;
      (q * q_low > 0 || q == 0 ? q_low : q_high) = q;
      if (q == 0) break;
    }
    put(before, segment);
    step_in_segment(high, held, r);
    dt -= high;
    if (dt <= 0) break;
  }
  if (dt > 0) step_in_segment(dt, held, r);
  return (held - ocv_v_ - state_.v1 - state_.v2) / r;
}

double Cell::step_in_segment(double dt, double held, double r) {
  prepare_held(dt, r);
  const State before = state_;
  const double e = held - ocv_v_;
  const double i0 = (e - before.v1 - before.v2) / r;
  const auto& m = held_.current().m;
  const double dq = m[0][0] * e + m[0][1] * before.v1 + m[0][2] * before.v2;
  state_.v1 = m[1][0] * e + m[1][1] * before.v1 + m[1][2] * before.v2;
  state_.v2 = m[2][0] * e + m[2][1] * before.v1 + m[2][2] * before.v2;
  state_.q += dq;
  const double slope = segments_[segment_].slope;
  const double i1 = (e - slope * dq - state_.v1 - state_.v2) / r;
  const auto slope_of = [&](double v, double i, double rk, double ck) {
    return rk > 0 ? (i - v / rk) / ck : 0.0;
  };
  const double u10 = slope_of(before.v1, i0, r1_, c1_), u11 = slope_of(state_.v1, i1, r1_, c1_);
  const double u20 = slope_of(before.v2, i0, r2_, c2_), u21 = slope_of(state_.v2, i1, r2_, c2_);
  double heat =
      r0_ * mean_square(i0, -(slope * i0 + u10 + u20) / r, i1, -(slope * i1 + u11 + u21) / r, dt);
  if (r1_ > 0) heat += mean_square(before.v1, u10, state_.v1, u11, dt) / r1_;
  if (r2_ > 0) heat += mean_square(before.v2, u20, state_.v2, u21, dt) / r2_;
  find_segment();
  prepare(dt);
  warm(dt, heat + extra_heat_);
  return i1;
}

}  // namespace chargewright::drivers::simulated

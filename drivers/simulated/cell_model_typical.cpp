// Typical cells by chemistry. The curves are invented shapes for rehearsal: the right plateau, the
// right ends, and a resistance of the right order for a small power cell. They stand in until the
// cell file states a measured `model:`; the response-time budget mistrusts them
// (profiles/slopes.h).

#include <cmath>

#include "drivers/simulated/cell_model.h"

namespace chargewright::drivers::simulated {
namespace {

struct Shape {
  std::array<double, 11> ocv_v;  // at 0 %, 10 %, ... 100 % state of charge
  double r0_ohm_ah;              // series resistance times capacity
  double r1_ohm_ah, tau1_s;
  double r2_ohm_ah, tau2_s;
  double arrhenius_k;
  double heat_capacity_j_per_k_ah = 19;
};

constexpr Shape nmc{{3.00, 3.42, 3.52, 3.58, 3.62, 3.67, 3.75, 3.85, 3.95, 4.06, 4.18},
                    0.060,
                    0.030,
                    15,
                    0.050,
                    300,
                    2400};
constexpr Shape high_voltage{{3.00, 3.55, 3.67, 3.72, 3.76, 3.82, 3.90, 4.00, 4.10, 4.22, 4.33},
                             0.070,
                             0.035,
                             15,
                             0.050,
                             300,
                             2400};
constexpr Shape lfp{{2.50, 3.15, 3.22, 3.26, 3.29, 3.30, 3.305, 3.33, 3.335, 3.34, 3.45},
                    0.040,
                    0.020,
                    20,
                    0.040,
                    400,
                    2400};
constexpr Shape lto{{1.70, 2.12, 2.17, 2.20, 2.23, 2.26, 2.30, 2.35, 2.42, 2.52, 2.68},
                    0.015,
                    0.008,
                    10,
                    0.010,
                    200,
                    2000};
constexpr Shape nimh{{1.05, 1.21, 1.25, 1.27, 1.285, 1.295, 1.305, 1.32, 1.34, 1.37, 1.43},
                     0.050,
                     0.025,
                     20,
                     0.040,
                     400,
                     1500};
constexpr Shape lead_acid{{1.94, 1.965, 1.985, 2.00, 2.02, 2.04, 2.06, 2.08, 2.10, 2.12, 2.14},
                          0.100,
                          0.060,
                          60,
                          0.120,
                          1800,
                          1500};
// A lithium-ion capacitor is straight between its ends, which are never 0 V.
constexpr Shape lic{{2.20, 2.36, 2.52, 2.68, 2.84, 3.00, 3.16, 3.32, 3.48, 3.64, 3.80},
                    0.0015,
                    0.0005,
                    1,
                    0.0005,
                    20,
                    1500,
                    220};  // of far less charge for its size than a battery: 0.1 J/K for a farad

double ah(Coulombs capacity) { return in_ampere_hours(capacity); }

CellModel battery(const Shape& shape, Coulombs capacity) {
  CellModel model;
  model.capacity = capacity;
  for (std::size_t k = 0; k < shape.ocv_v.size(); ++k) {
    model.ocv.push_back({static_cast<double>(k) / 10.0, volts(shape.ocv_v[k])});
  }
  const auto pair = [&](double r_ohm_ah, double tau_s) {
    const double r = r_ohm_ah / ah(capacity);
    return CellModel::RcPair{ohms(r), farads(tau_s / r)};
  };
  model.r0 = ohms(shape.r0_ohm_ah / ah(capacity));
  model.rc = {pair(shape.r1_ohm_ah, shape.tau1_s), pair(shape.r2_ohm_ah, shape.tau2_s)};
  model.arrhenius = kelvins(shape.arrhenius_k);
  // Heat is held by volume and lost by surface.
  const double heat_capacity = shape.heat_capacity_j_per_k_ah * ah(capacity);
  model.heat_capacity = joules_per_kelvin(heat_capacity);
  model.cooling = watts_per_kelvin(0.035 * std::pow(heat_capacity / 19, 2.0 / 3.0));
  return model;
}

CellModel double_layer(Coulombs capacity) {
  constexpr double rated_v = 2.7;
  CellModel model;
  model.kind = CellModel::Kind::capacitor;
  model.capacity = capacity;
  model.capacitance = farads(capacity.value() / rated_v);
  const double c = model.capacitance.value();
  model.r0 = ohms(0.5 / c);  // ESR times capacitance: about half a second
  model.heat_capacity = joules_per_kelvin(0.15 * c + 1);
  model.cooling = watts_per_kelvin(0.0015 * std::pow(c, 2.0 / 3.0) + 0.002);
  return model;
}

}  // namespace

std::optional<CellModel> typical_model(std::string_view chemistry, Coulombs capacity) {
  if (!(capacity.value() > 0)) return std::nullopt;
  if (chemistry == "li-ion-nmc") return battery(nmc, capacity);
  if (chemistry == "li-ion-hv") return battery(high_voltage, capacity);
  if (chemistry == "li-ion-lfp" || chemistry == "lfp") return battery(lfp, capacity);
  if (chemistry == "lto") return battery(lto, capacity);
  if (chemistry == "lic") return battery(lic, capacity);
  if (chemistry == "nimh") return battery(nimh, capacity);
  if (chemistry == "lead-acid") return battery(lead_acid, capacity);
  if (chemistry == "edlc") return double_layer(capacity);
  return std::nullopt;
}

}  // namespace chargewright::drivers::simulated

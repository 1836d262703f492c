#include "profiles/wiring.h"

#include <algorithm>
#include <array>

#include "profiles/fields.h"

namespace chargewright::profiles {

using namespace drivers;

namespace {

// IEC 60228: resistivity of annealed copper at 20 degC, 100 % IACS (published, secondary).
constexpr double rho20_ohm_m = 1.7241e-8;

struct Size {
  double area_mm2;
  double ohm_per_km;
};
// IEC 60228, class 5, plain copper, maximum at 20 degC (published, secondary in three tables).
constexpr std::array class_5{Size{0.5, 39.0}, Size{0.75, 26.0}, Size{1, 19.5},  Size{1.5, 13.3},
                             Size{2.5, 7.98}, Size{4, 4.95},    Size{6, 3.3},   Size{10, 1.91},
                             Size{16, 1.21},  Size{25, 0.78},   Size{35, 0.554}};

// Of the table's maximum over rho/S: about 1.13. Smooth in the area, unlike the resistance itself.
double excess(const Size& size) {
  return size.ohm_per_km * 1e-3 * size.area_mm2 * 1e-6 / rho20_ohm_m;
}

template <class T>
std::optional<T> not_negative(Mapping& fields, std::string_view key, bool zero_allowed) {
  auto value = quantity<T>(fields, key, Presence::optional);
  if (value && (value->value() < 0 || (!zero_allowed && value->value() == 0))) {
    fields.complain(*fields.take(key),
                    '`' + std::string(key) + "` must be " +
                        (zero_allowed ? "nothing or more" : "more than nothing"));
    return std::nullopt;
  }
  return value;
}

}  // namespace

OhmsPerMetre solid_copper(SquareMetres area) {
  return OhmsPerMetre::from_value(rho20_ohm_m / area.value());
}

OhmsPerMetre flexible_copper(SquareMetres area) {
  const double mm2 = area.value() * 1e6;
  const auto* above = std::ranges::lower_bound(class_5, mm2 * (1 - 1e-9), {}, &Size::area_mm2);
  double factor = 0;
  if (above == class_5.begin()) {
    factor = excess(class_5.front());
  } else if (above == class_5.end()) {
    factor = excess(class_5.back());
  } else {
    const Size& below = *(above - 1);
    const double part = (mm2 - below.area_mm2) / (above->area_mm2 - below.area_mm2);
    factor = excess(below) + std::min(part, 1.0) * (excess(*above) - excess(below));
  }
  return factor * solid_copper(area);
}

double copper_factor(Celsius at) {
  return 1 + 0.00393 * (at.value() - 20);  // international annealed copper standard, at 20 degC
}

Ohms loop_resistance(const Wiring& wiring, Celsius at) {
  if (wiring.resistance) return *wiring.resistance;
  if (!wiring.gauge || !wiring.length) return wiring.joints;
  const OhmsPerMetre each = wiring.conductor == Wiring::Conductor::awg
                                ? solid_copper(*wiring.gauge)
                                : flexible_copper(*wiring.gauge);
  return 2.0 * copper_factor(at) * each * *wiring.length + wiring.joints;
}

Wiring read_wiring(const Document& document, const Node& node, Failures& problems) {
  Wiring wiring;
  wiring.place = document.place(node);
  Mapping fields(document, node, problems, "`wiring`");
  wiring.gauge = parsed<SquareMetres>(fields, "gauge", Presence::optional, parse_gauge);
  if (const Node* gauge = fields.take("gauge");
      gauge != nullptr && gauge->scalar.ends_with("AWG")) {
    wiring.conductor = Wiring::Conductor::awg;
  }
  wiring.length = not_negative<Metres>(fields, "length", false);
  wiring.joints = not_negative<Ohms>(fields, "joints", true).value_or(ohms(0));
  wiring.resistance = not_negative<Ohms>(fields, "resistance", true);
  wiring.rated = not_negative<Amperes>(fields, "rated", false);
  if (const Node* rated = fields.take("rated")) wiring.rated_place = document.place(*rated);
  const bool has_gauge = fields.take("gauge") != nullptr;
  const bool has_length = fields.take("length") != nullptr;
  if (node.kind == NodeKind::mapping && fields.take("resistance") == nullptr &&
      !(has_gauge && has_length)) {
    fields.complain(node, "wiring of unknown resistance",
                    "give `gauge` and `length`, or the measured `resistance` of the loop");
  }
  fields.finish();
  return wiring;
}

}  // namespace chargewright::profiles

#include "drivers/simulated/cell_model.h"

#include "drivers/quantity_text.h"

namespace chargewright::drivers::simulated {
namespace {

template <class T>
bool take_quantity(Mapping& mapping, std::string_view key, T& into) {
  const Node* node = mapping.take(key);
  if (node == nullptr) return false;
  if (node->kind != NodeKind::scalar) {
    mapping.complain(*node, "'" + std::string(key) + "' must be one quantity with its unit");
    return false;
  }
  return accept(mapping.document(), *node, parse<T>(node->scalar), into, mapping.problems());
}

template <class T>
void take_positive(Mapping& mapping, std::string_view key, T& into, bool zero_allowed = false) {
  T value = into;
  const Node* node = mapping.take(key);
  if (node == nullptr) return;
  if (node->kind != NodeKind::scalar) {
    mapping.complain(*node, "'" + std::string(key) + "' must be one quantity with its unit");
    return;
  }
  if (!accept(mapping.document(), *node, parse<T>(node->scalar), value, mapping.problems())) return;
  if (value.value() < 0 || (!zero_allowed && value.value() == 0)) {
    mapping.complain(*node, "'" + std::string(key) + "' is " + node->scalar + ", but must be " +
                                (zero_allowed ? "zero or more" : "above zero"));
    return;
  }
  into = value;
}

// One `[0.1, 3.45 V]` or `[10 %, 3.45 V]`.
std::optional<CellModel::OcvPoint> read_point(Mapping& mapping, const Node& node) {
  if (node.kind != NodeKind::sequence || node.items.size() != 2 ||
      node.items[0].kind != NodeKind::scalar || node.items[1].kind != NodeKind::scalar) {
    mapping.complain(node, "a point of 'ocv' must be [state of charge, voltage]",
                     "write it like [0.5, 3.70 V]");
    return std::nullopt;
  }
  const std::string& share = node.items[0].scalar;
  const bool percent = share.find('%') != std::string::npos;
  CellModel::OcvPoint point;
  const bool read = accept(mapping.document(), node.items[0],
                           percent ? parse_percent(share) : parse_number(share),
                           point.state_of_charge, mapping.problems());
  if (!accept(mapping.document(), node.items[1], parse<Volts>(node.items[1].scalar), point.voltage,
              mapping.problems()) ||
      !read) {
    return std::nullopt;
  }
  if (point.state_of_charge < 0 || point.state_of_charge > 1) {
    mapping.complain(node.items[0], "state of charge is " + share + ", but must lie in 0..1");
    return std::nullopt;
  }
  return point;
}

void read_ocv(Mapping& mapping, const Node& node, CellModel& model) {
  if (node.kind != NodeKind::sequence || node.items.size() < 2 || node.items.size() > 256) {
    mapping.complain(node, "'ocv' must be a list of 2 to 256 points",
                     "write it like [[0, 3.0 V], [1, 4.2 V]]");
    return;
  }
  std::vector<CellModel::OcvPoint> points;
  for (const Node& item : node.items) {
    const auto point = read_point(mapping, item);
    if (!point) return;
    if (!points.empty() && (point->state_of_charge <= points.back().state_of_charge ||
                            point->voltage < points.back().voltage)) {
      mapping.complain(item,
                       "points of 'ocv' must rise in state of charge and not fall in voltage");
      return;
    }
    points.push_back(*point);
  }
  model.ocv = std::move(points);
}

void read_pairs(Mapping& mapping, const Node& node, CellModel& model) {
  if (node.kind != NodeKind::sequence || node.items.size() > model.rc.size()) {
    mapping.complain(node, "'rc' must be a list of at most two pairs",
                     "write it like [{r: 15 mohm, c: 1000 F}]");
    return;
  }
  model.rc = {};
  for (std::size_t k = 0; k < node.items.size(); ++k) {
    Mapping pair(mapping.document(), node.items[k], mapping.problems(), "a pair of 'rc'");
    pair.need("r");
    pair.need("c");
    model.rc[k].c = farads(1.0);
    take_positive(pair, "r", model.rc[k].r);
    take_positive(pair, "c", model.rc[k].c);
    pair.finish();
  }
}

}  // namespace

CellModel read_cell_model(Mapping& mapping, const CellModel& start) {
  CellModel model = start;
  if (const Node* node = mapping.take("kind")) {
    if (node->scalar == "battery") {
      model.kind = CellModel::Kind::battery;
    } else if (node->scalar == "capacitor") {
      model.kind = CellModel::Kind::capacitor;
    } else {
      mapping.complain(*node, "kind '" + node->scalar + "' is not known",
                       "say battery or capacitor");
    }
  }
  take_positive(mapping, "capacity", model.capacity);
  take_positive(mapping, "capacitance", model.capacitance);
  take_positive(mapping, "r0", model.r0);
  take_positive(mapping, "heat-capacity", model.heat_capacity);
  take_positive(mapping, "cooling", model.cooling, true);
  take_positive(mapping, "arrhenius", model.arrhenius, true);
  take_quantity(mapping, "ambient", model.ambient);
  if (const Node* node = mapping.take("ocv")) read_ocv(mapping, *node, model);
  if (const Node* node = mapping.take("rc")) read_pairs(mapping, *node, model);
  return model;
}

}  // namespace chargewright::drivers::simulated

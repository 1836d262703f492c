#include "profiles/cell.h"

#include <cmath>

#include "profiles/chemistry.h"
#include "profiles/fields.h"

namespace chargewright::profiles {

using namespace drivers;

namespace {

constexpr int cells_max = 1000;

struct Arrangement {
  int series = 1;
  int parallel = 1;
};

// `8s2p`: eight in series, two strings in parallel.
Result<Arrangement> parse_arrangement(std::string_view text) {
  const Failure failure{{},
                        "`" + std::string(text.substr(0, 40)) + "` is not an arrangement",
                        "write cells in series and strings in parallel, for example 8s2p"};
  const auto number = [&](char end) {
    int value = 0;
    std::size_t digits = 0;
    while (digits < text.size() && digits < 4 && text[digits] >= '0' && text[digits] <= '9') {
      value = value * 10 + (text[digits++] - '0');
    }
    if (digits == 0 || digits >= text.size() || text[digits] != end) return 0;
    text.remove_prefix(digits + 1);
    return value;
  };
  const Arrangement arrangement{number('s'), number('p')};
  if (!text.empty() || arrangement.series < 1 || arrangement.parallel < 1 ||
      arrangement.series > cells_max || arrangement.parallel > cells_max) {
    return failure;
  }
  return arrangement;
}

struct Window {
  Celsius from{};
  Celsius to{};
};

Result<Window> parse_window(std::string_view text) {
  const std::size_t at = text.find(" to ");
  if (at == std::string_view::npos) {
    return Failure{{},
                   "`" + std::string(text.substr(0, 40)) + "` is not a range of temperature",
                   "write for example 5 degC to 45 degC"};
  }
  const Result<Celsius> from = parse<Celsius>(text.substr(0, at));
  if (!from) return from.error();
  const Result<Celsius> to = parse<Celsius>(text.substr(at + 4));
  if (!to) return to.error();
  return Window{*from, *to};
}

Place place_of(Mapping& mapping, std::string_view key) {
  const Node* node = mapping.take(key);
  return node == nullptr ? Place{} : mapping.document().place(*node);
}

class Reader {
 public:
  explicit Reader(const Document& document) : document_(document) {
    cell.file = document.file;
    cell.text = document.text;
  }

  void read() {
    Mapping mapping(document_, document_.root, problems, "a cell file");
    cell.name = name_field(mapping, "cell", Presence::needed).value_or("");
    text_field(mapping, "description", Presence::optional, 2000);
    read_chemistry(mapping);
    const auto arrangement =
        parsed<Arrangement>(mapping, "arrangement", Presence::needed, parse_arrangement);
    if (arrangement) {
      cell.series = arrangement->series;
      cell.parallel = arrangement->parallel;
    }
    read_voltage(mapping);
    read_capacity(mapping);
    read_charge(mapping);
    read_current(mapping);
    read_temperature(mapping);
    cell.mass = positive<Kilograms>(mapping, "mass", Presence::optional);
    cell.volume = positive<CubicMetres>(mapping, "volume", Presence::optional);
    read_model(mapping);
    mapping.finish();
  }

  Cell cell;
  Failures problems;

 private:
  template <class T>
  std::optional<T> positive(Mapping& mapping, std::string_view key, Presence presence) {
    auto value = quantity<T>(mapping, key, presence);
    if (value && !(value->value() > 0)) {
      mapping.complain(*mapping.take(key), '`' + std::string(key) + "` must be more than nothing");
      return std::nullopt;
    }
    return value;
  }

  void read_chemistry(Mapping& mapping) {
    const Node* node = mapping.need("chemistry");
    if (node == nullptr) return;
    const std::string* text = scalar(mapping, *node, "chemistry");
    if (text == nullptr) return;
    chemistry_ = find_chemistry(*text);
    if (chemistry_ != nullptr) {
      cell.chemistry = *text;
      return;
    }
    const std::vector<std::string> keys = chemistry_keys();
    const std::string near = nearest_name(*text, keys);
    std::string all;
    for (const std::string& key : keys) all += (all.empty() ? "" : ", ") + key;
    mapping.complain(*node, "unknown chemistry `" + text->substr(0, 40) + '`',
                     near.empty() ? "known are " + all : "did you mean `" + near + "`?");
  }

  void read_voltage(Mapping& mapping) {
    const Node* node = mapping.need("voltage");
    if (node == nullptr) return;
    Mapping fields(document_, *node, problems, "`voltage`");
    const auto empty = quantity<Volts>(fields, "empty", Presence::needed);
    const auto full = quantity<Volts>(fields, "full", Presence::needed);
    const auto above = quantity<Volts>(fields, "never-above", Presence::needed);
    const auto below = quantity<Volts>(fields, "never-below", Presence::needed);
    fields.finish();
    if (!empty || !full || !above || !below) return;
    cell.voltage = {*empty, *full, *above, *below};
    cell.places.full = place_of(fields, "full");
    cell.places.never_above = place_of(fields, "never-above");
    cell.places.never_below = place_of(fields, "never-below");
    has_voltage_ = true;
    // Reversed values are refused, never swapped.
    if (*below > *empty) {
      fields.complain(
          *fields.take("empty"),
          "`empty` is " + to_text(*empty) + ", below `never-below`, which is " + to_text(*below));
    }
    if (*empty >= *full) {
      fields.complain(*fields.take("full"), "`full` is " + to_text(*full) +
                                                ", which is not above `empty`, " + to_text(*empty));
    }
    if (*full >= *above) {
      fields.complain(
          *fields.take("never-above"),
          "`never-above` is " + to_text(*above) + ", which is not above `full`, " + to_text(*full),
          "the interlock needs room between the two");
    }
    check_band(fields);
  }

  void check_band(Mapping& fields) {
    if (chemistry_ == nullptr) return;
    const std::string cells =
        cell.series == 1 ? "" : " for " + std::to_string(cell.series) + " cells in series";
    const std::string advice =
        "the data sheet decides: where it says so, write `chemistry: other`, which has no band";
    if (chemistry_->upper_max) {
      const Volts band = volts(chemistry_->upper_max->value() * cell.series);
      if (cell.voltage.never_above.value() > band.value() * (1 + 1e-9)) {
        fields.complain(*fields.take("never-above"),
                        "`never-above` is " + to_text(cell.voltage.never_above) + ", but " +
                            cell.chemistry + " ends at " + to_text(band) + cells,
                        advice);
      }
    }
    const Volts lowest =
        chemistry_->lower_min ? volts(chemistry_->lower_min->value() * cell.series) : volts(0);
    const bool bounded = chemistry_->lower_min || !chemistry_->capacitor;
    if (bounded && cell.voltage.never_below.value() < lowest.value() - 1e-9) {
      fields.complain(*fields.take("never-below"),
                      "`never-below` is " + to_text(cell.voltage.never_below) + ", but " +
                          cell.chemistry + " must not go below " + to_text(lowest) + cells,
                      advice);
    }
  }

  void read_capacity(Mapping& mapping) {
    cell.capacity = ampere_hours(1);  // to go on with, where the file's own cannot be had
    const Node* capacity = mapping.take("capacity");
    const Node* capacitance = mapping.take("capacitance");
    if (capacity != nullptr && capacitance != nullptr) {
      mapping.complain(*capacitance, "both `capacity` and `capacitance`", "keep one of them");
      return;
    }
    if (capacitance != nullptr && chemistry_ != nullptr && !chemistry_->capacitor) {
      mapping.complain(*capacitance, "`capacitance` of a cell that is not a capacitor",
                       "write `capacity`, for example 2.4 Ah");
      return;
    }
    if (capacitance == nullptr) {
      cell.capacity =
          positive<Coulombs>(mapping, "capacity", Presence::needed).value_or(cell.capacity);
      cell.places.capacity = place_of(mapping, "capacity");
      return;
    }
    cell.capacitance = positive<Farads>(mapping, "capacitance", Presence::needed);
    cell.places.capacity = place_of(mapping, "capacitance");
    if (cell.capacitance && has_voltage_ && cell.voltage.full > cell.voltage.empty) {
      cell.capacity = *cell.capacitance * (cell.voltage.full - cell.voltage.empty);
    }
  }

  // A nickel or lead cell is charged well beyond its capacity at a low rate.
  void read_charge(Mapping& mapping) {
    const Node* node = mapping.take("charge");
    if (node == nullptr) return;
    Mapping fields(document_, *node, problems, "`charge`");
    const auto most = parsed<double>(fields, "never-above", Presence::needed, parse_percent);
    fields.finish();
    if (!most) return;
    const Node& written = *fields.take("never-above");
    const bool bears_it =
        chemistry_ == nullptr || chemistry_->heats_when_full || cell.chemistry == "other";
    const double highest = bears_it ? 2.0 : charge_most_usually;
    if (cell.capacitance) {
      fields.complain(written, "`charge` of a capacitor", "its capacitance says what it takes");
    } else if (!(*most > 1)) {
      fields.complain(written, "`never-above` is not above the capacity",
                      "write per cent of the capacity, for example 160 %");
    } else if (*most > highest * (1 + 1e-9)) {
      fields.complain(written, bears_it
                                   ? "`never-above` is more than 200 % of the capacity"
                                   : "`never-above` is more than 120 % of the capacity, which " +
                                         cell.chemistry + " does not bear");
    }
    cell.charge_never_above = *most * cell.capacity;
    cell.places.charge_never_above = place_of(fields, "never-above");
  }

  std::optional<Amperes> current(Mapping& fields, std::string_view key, Presence presence) {
    const auto text = parsed<CurrentText>(fields, key, presence, parse_current_or_rate);
    if (!text) return std::nullopt;
    const Rate* rate = std::get_if<Rate>(&*text);
    const Amperes value = rate != nullptr ? rate->of(cell.capacity) : std::get<Amperes>(*text);
    if (value.value() > 0 && std::isfinite(value.value())) return value;
    fields.complain(*fields.take(key), '`' + std::string(key) + "` must be more than nothing");
    return std::nullopt;
  }

  void read_current(Mapping& mapping) {
    const Node* node = mapping.need("current");
    if (node == nullptr) return;
    Mapping fields(document_, *node, problems, "`current`");
    cell.current.charge = current(fields, "charge", Presence::needed).value_or(amperes(0));
    // Room for the interlock between what is steered to and what is cut at (common practice, no
    // source).
    cell.current.never_above = current(fields, "never-above", Presence::optional)
                                   .value_or(amperes(1.1 * cell.current.charge.value()));
    cell.current.discharge = current(fields, "discharge", Presence::optional);
    const bool written = fields.take("never-above") != nullptr;
    cell.places.never_above_current = place_of(fields, written ? "never-above" : "charge");
    if (written && cell.current.never_above <= cell.current.charge &&
        cell.current.charge.value() > 0) {
      fields.complain(*fields.take("never-above"),
                      "`never-above` is " + to_text(cell.current.never_above) +
                          ", which is not above `charge`, " + to_text(cell.current.charge),
                      "the interlock needs room between the two");
    }
    cell.places.charge_current = place_of(fields, "charge");
    cell.places.discharge_current = place_of(fields, "discharge");
    fields.finish();
  }

  void read_temperature(Mapping& mapping) {
    const Node* node = mapping.need("temperature");
    if (node == nullptr) return;
    Mapping fields(document_, *node, problems, "`temperature`");
    const auto window = parsed<Window>(fields, "charge", Presence::needed, parse_window);
    const auto above = quantity<Celsius>(fields, "never-above", Presence::needed);
    fields.finish();
    if (!window || !above) return;
    cell.temperature = {window->from, window->to, *above};
    cell.places.charge_temperature = place_of(fields, "charge");
    cell.places.never_above_temperature = place_of(fields, "never-above");
    if (!(window->from.value() < window->to.value())) {
      fields.complain(*fields.take("charge"), "a range of temperature that does not rise");
    }
    if (above->value() < window->to.value()) {
      fields.complain(*fields.take("never-above"), "`never-above` is " + to_text(*above) +
                                                       ", below the end of the charge window, " +
                                                       to_text(window->to));
    }
  }

  // Of a cell that is modelled as a capacitor: what its file says, or what its capacity comes to.
  [[nodiscard]] Farads capacitance() const {
    if (cell.capacitance) return *cell.capacitance;
    const Volts between = cell.voltage.full - cell.voltage.empty;
    return between.value() > 0 ? cell.capacity / between : simulated::CellModel{}.capacitance;
  }

  // Typical values are those of one string of cells of this capacity; a pack has `series` of them.
  simulated::CellModel start_model() const {
    using simulated::CellModel;
    const double series = cell.series;
    std::optional<CellModel> model = simulated::typical_model(cell.chemistry, cell.capacity);
    // The two other cathodes against graphite behave alike for a rehearsal.
    if (!model && cell.chemistry.starts_with("li-ion-")) {
      model = simulated::typical_model("li-ion-nmc", cell.capacity);
    }
    if (!model) {  // a straight line from empty to full
      CellModel straight;
      straight.capacity = cell.capacity;
      straight.kind = cell.capacitance ? CellModel::Kind::capacitor : CellModel::Kind::battery;
      straight.ocv = {{0, cell.voltage.empty}, {1, cell.voltage.full}};
      straight.capacitance = capacitance();
      return straight;
    }
    for (CellModel::OcvPoint& point : model->ocv) point.voltage *= series;
    model->r0 *= series;
    for (CellModel::RcPair& pair : model->rc) {
      pair.r *= series;
      pair.c /= series;
    }
    model->capacitance = capacitance();
    model->heat_capacity *= series;
    model->cooling *= std::pow(series, 2.0 / 3.0);
    return *model;
  }

  void read_model(Mapping& mapping) {
    const Node* node = mapping.take("model");
    // Without a sound cell there is nothing to start a model from; its keys are still read.
    cell.model = start_model();
    if (node == nullptr) return;
    Mapping fields(document_, *node, problems, "`model`");
    cell.model = simulated::read_cell_model(fields, cell.model);
    const bool capacitor = cell.model.kind == simulated::CellModel::Kind::capacitor;
    cell.model_states = {.charge_curve = fields.take(capacitor ? "capacitance" : "ocv") != nullptr,
                         .resistance = fields.take("r0") != nullptr,
                         .heat_capacity = fields.take("heat-capacity") != nullptr};
    fields.finish();
  }

  const Document& document_;
  const Chemistry* chemistry_ = nullptr;
  bool has_voltage_ = false;
};

}  // namespace

Checked<Cell> read_cell(const Document& document) {
  Reader reader(document);
  reader.read();
  if (reader.problems.list.empty()) return std::move(reader.cell);
  sort_by_place(reader.problems);
  return std::move(reader.problems);
}

Checked<Cell> load_cell(const std::string& path) {
  const Checked<Document> document = read_document(path);
  if (!document) return document.error();
  return read_cell(*document);
}

}  // namespace chargewright::profiles

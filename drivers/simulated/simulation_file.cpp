#include "drivers/simulated/simulation_file.h"

#include <arpa/inet.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <filesystem>

#include "drivers/quantity_text.h"
#include "drivers/simulated/bench.h"

namespace chargewright::drivers::simulated {
namespace {

// Names stand in messages and in the answers of the control connection as they are.
bool is_name(std::string_view name) {
  return !name.empty() && name.size() <= 64 && std::ranges::all_of(name, [](char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' ||
           c == '_' || c == '.';
  });
}

class Reader {
 public:
  explicit Reader(const Document& document) : document_(document) {}

  Checked<Simulation> read() {
    Mapping top(document_, document_.root, problems_, "a simulation");
    if (const Node* node = top.need("simulation")) simulation_.name = node->scalar;
    if (const Node* node = top.take("speed")) {
      if (accept(document_, *node, parse_number(node->scalar), simulation_.speed, problems_) &&
          !(simulation_.speed >= 0.001 && simulation_.speed <= 100'000)) {
        top.complain(*node, "speed is " + node->scalar + ", but must lie in 0.001 to 100000");
      }
    }
    if (const Node* node = top.take("control")) {
      simulation_.control = served(*node);
      if (simulation_.control.kind == Served::Kind::pty) {
        top.complain(*node, "control cannot be served on a pseudo-terminal",
                     "write unix:///PATH or tcp://127.0.0.1:0");
      }
    }
    each(top.need("devices"),
         [&](const std::string& name, const Node& node) { read_device(name, node); });
    each(top.need("cells"),
         [&](const std::string& name, const Node& node) { read_cell(name, node); });
    each(top.need("circuits"),
         [&](const std::string& name, const Node& node) { read_circuit(name, node); });
    top.finish();
    if (!problems_.list.empty()) return problems_;
    for (const std::string& problem : problems_of(simulation_.bench)) {
      problems_.list.push_back({{document_.file, 0, 0}, problem, {}});
    }
    if (!problems_.list.empty()) return problems_;
    return std::move(simulation_);
  }

 private:
  void complain(const Node& node, std::string cause, std::string advice = {}) {
    problems_.list.push_back({document_.place(node), std::move(cause), std::move(advice)});
  }

  template <class Read>
  void each(const Node* node, const Read& read) {
    if (node == nullptr) return;
    if (node->kind != NodeKind::mapping) {
      complain(*node, "a list of names was expected", "write NAME: {...}");
      return;
    }
    for (const auto& [name, field] : node->fields) {
      if (!is_name(name)) {
        complain(field,
                 "the name '" + name.substr(0, 64) + "' holds more than letters, digits, - _ .");
        continue;
      }
      read(name, field);
    }
  }

  template <class T>
  void quantity(Mapping& from, std::string_view key, T& into, double least) {
    const Node* node = from.take(key);
    if (node == nullptr) return;
    T value = into;
    if (!accept(document_, *node, parse<T>(node->scalar), value, problems_)) return;
    if (value < T::from_value(least)) {
      complain(*node, "'" + std::string(key) + "' is " + node->scalar + ", which is too low");
      return;
    }
    into = value;
  }

  void read_count(Mapping& from, const char* key, int most, std::uint8_t& into) {
    const Node* node = from.take(key);
    double count = 0;
    if (node == nullptr ||
        !accept(document_, *node, parse_number(node->scalar), count, problems_)) {
      return;
    }
    if (count >= 1 && count <= most && count == static_cast<int>(count)) {
      into = static_cast<std::uint8_t>(count);
    } else {
      complain(*node,
               std::string(key) + " must be a whole number from 1 to " + std::to_string(most));
    }
  }

  Served served(const Node& node) {
    Served result;
    std::string_view text = node.scalar;
    const auto wrong = [&](std::string cause) {
      complain(node, std::move(cause), "write tcp://127.0.0.1:0, pty, pty:///PATH or unix:///PATH");
      return Served{};
    };
    if (text == "pty") {
      result.kind = Served::Kind::pty;
      return result;
    }
    for (const auto& [scheme, kind] :
         {std::pair{std::string_view("pty://"), Served::Kind::pty},
          std::pair{std::string_view("unix://"), Served::Kind::unix_socket}}) {
      if (!text.starts_with(scheme)) continue;
      result.kind = kind;
      result.path = text.substr(scheme.size());
      if (result.path.empty() || result.path.front() != '/' || result.path.size() > 100) {
        return wrong("'" + result.path.substr(0, 100) +
                     "' is not an absolute path of at most 100 letters");
      }
      return result;
    }
    constexpr std::string_view tcp = "tcp://";
    if (!text.starts_with(tcp)) return wrong("'" + node.scalar + "' is no place to serve at");
    text.remove_prefix(tcp.size());
    const auto colon = text.rfind(':');
    if (colon == std::string_view::npos) return wrong("the port is missing");
    std::string_view host = text.substr(0, colon);
    const std::string_view port = text.substr(colon + 1);
    if (host.size() > 1 && host.front() == '[' && host.back() == ']') {
      host = host.substr(1, host.size() - 2);
    }
    // A simulated bench energises nothing, but it is nobody else's to reach either.
    result.host = host;
    in_addr v4{};
    const bool loopback =
        result.host == "::1" ||
        (inet_pton(AF_INET, result.host.c_str(), &v4) == 1 && (ntohl(v4.s_addr) >> 24U) == 127);
    if (!loopback) return wrong("'" + result.host + "' is not an address of this machine alone");
    const auto [end, error] = std::from_chars(port.data(), port.data() + port.size(), result.port);
    if (port.empty() || error != std::errc() || end != port.data() + port.size()) {
      return wrong("the port is not a number from 0 to 65535");
    }
    result.kind = Served::Kind::tcp;
    return result;
  }

  void read_device(const std::string& name, const Node& node) {
    BenchModel::Device device{.name = name};
    Mapping from(document_, node, problems_, "a device");
    if (const Node* role = from.need("role")) {
      if (role->scalar == "supply") {
        device.role = Role::supply;
      } else if (role->scalar == "meter") {
        device.role = Role::meter;
      } else if (role->scalar == "thermometer") {
        device.role = Role::thermometer;
      } else if (role->scalar == "switch") {
        device.role = Role::contactor;
      } else {
        complain(*role, "role '" + role->scalar + "' is not known",
                 "say supply, meter, thermometer or switch");
      }
    }
    const Node* serve = from.need("serve");
    simulation_.serve.push_back(serve != nullptr ? served(*serve) : Served{});
    if (simulation_.serve.back().kind == Served::Kind::unix_socket) {
      complain(*serve, "a device cannot be served on a unix socket", "write tcp:// or pty");
    }
    read_count(from, "channels", 32, device.channels);
    read_count(from, "connections", 16, simulation_.serve.back().connections);
    if (const Node* identity = from.take("identity")) {
      device.identity = identity->scalar;
      const bool printable =
          std::ranges::all_of(device.identity, [](char c) { return c >= 0x20 && c < 0x7F; });
      if (!printable || device.identity.size() > 72 ||
          std::ranges::count(device.identity, ',') != 3) {
        complain(*identity, "an identity is four fields with commas between, at most 72 letters",
                 "write it like Chargewright,Simulated supply,7,1.0");
      }
    }
    if (device.role == Role::supply) read_supply(from, device.supply);
    if (device.role == Role::meter) read_meter(from, device.meter);
    if (device.role == Role::thermometer) {
      ThermometerModel& thermometer = device.thermometer;
      if (const Node* lag = from.take("lag")) {
        accept(document_, *lag, parse<Duration>(lag->scalar), thermometer.lag, problems_);
      }
      quantity(from, "offset", thermometer.offset, -1000);
      quantity(from, "resolution", thermometer.resolution, 0);
    }
    from.finish();
    simulation_.bench.devices.push_back(std::move(device));
  }

  void read_supply(Mapping& from, SupplyModel& supply) {
    const auto inside = [&](std::string_view key, const auto& read) {
      if (const Node* node = from.take(key)) {
        Mapping mapping(document_, *node, problems_, "'" + std::string(key) + "'");
        read(mapping);
        mapping.finish();
      }
    };
    inside("ratings", [&](Mapping& ratings) {
      quantity(ratings, "voltage", supply.voltage_max, 0);
      quantity(ratings, "current", supply.current_max, 0);
      quantity(ratings, "power", supply.power_max, 0);
    });
    inside("resolution", [&](Mapping& resolution) {
      quantity(resolution, "voltage", supply.voltage_resolution, 0);
      quantity(resolution, "current", supply.current_resolution, 0);
    });
    inside("readback", [&](Mapping& readback) {
      quantity(readback, "voltage", supply.voltage_readback_resolution, 0);
      quantity(readback, "current", supply.current_readback_resolution, 0);
    });
    inside("offset", [&](Mapping& offset) {
      quantity(offset, "voltage", supply.voltage_offset, -1000);
      quantity(offset, "current", supply.current_offset, -1000);
    });
  }

  void read_meter(Mapping& from, MeterModel& meter) {
    if (const Node* node = from.take("resolution")) {
      Mapping resolution(document_, *node, problems_, "'resolution'");
      quantity(resolution, "voltage", meter.voltage_resolution, 0);
      quantity(resolution, "current", meter.current_resolution, 0);
      resolution.finish();
    }
    if (const Node* node = from.take("offset")) {
      Mapping offset(document_, *node, problems_, "'offset'");
      quantity(offset, "voltage", meter.voltage_offset, -1000);
      quantity(offset, "current", meter.current_offset, -1000);
      offset.finish();
    }
  }

  void read_cell(const std::string& name, const Node& node) {
    BenchModel::Circuit cell{.name = name};
    Mapping from(document_, node, problems_, "a cell");
    if (const Node* playback = from.take("playback")) {
      read_playback(from, *playback, cell);
    } else {
      Coulombs capacity = ampere_hours(2);
      quantity(from, "capacity", capacity, 1e-9);
      cell.cell.capacity = capacity;
      if (const Node* chemistry = from.take("chemistry")) {
        if (const auto typical = typical_model(chemistry->scalar, capacity)) {
          cell.cell = *typical;
        } else {
          complain(*chemistry, "chemistry '" + chemistry->scalar + "' is not known",
                   "say li-ion-nmc, li-ion-hv, lfp, lto, lic, edlc, nimh or lead-acid");
        }
      }
      if (const Node* model = from.take("model")) {
        Mapping parameters(document_, *model, problems_, "'model'");
        cell.cell = read_cell_model(parameters, cell.cell);
        parameters.finish();
      }
      if (const Node* charge = from.take("charge")) {
        double share = 0;
        if (accept(document_, *charge, parse_percent(charge->scalar), share, problems_)) {
          if (share < 0 || share > 1.2) complain(*charge, "charge must lie in 0 % to 120 %");
          cell.state_of_charge = share;
        }
      }
      if (const Node* voltage = from.take("voltage")) {
        Volts v{};
        if (accept(document_, *voltage, parse<Volts>(voltage->scalar), v, problems_))
          cell.voltage = v;
      }
    }
    from.finish();
    cells_.push_back(std::move(cell));
  }

  void read_playback(Mapping& from, const Node& node, BenchModel::Circuit& cell) {
    if (const Node* between = from.take("between")) {
      if (between->scalar == "linear") {
        cell.between = Playback::Between::linear;
      } else if (between->scalar != "hold") {
        complain(*between, "between is '" + between->scalar + "'", "say hold or linear");
      }
    }
    const auto path = std::filesystem::path(document_.file).parent_path() / node.scalar;
    auto recording = read_recording(path.string());
    if (!recording.has_value()) {
      for (Failure failure : recording.error().list) {
        if (failure.place.file.empty()) failure.place = document_.place(node);
        problems_.list.push_back(std::move(failure));
      }
      return;
    }
    cell.recording = std::make_shared<const Recording>(std::move(*recording));
  }

  // `probe/2`, or `supply` for its first channel.
  Terminal terminal(const Node& node) {
    const std::string_view text = node.scalar;
    const auto slash = text.find('/');
    const std::string_view name = text.substr(0, slash);
    Terminal found;
    std::vector<std::string> names;
    for (std::size_t k = 0; k < simulation_.bench.devices.size(); ++k) {
      names.push_back(simulation_.bench.devices[k].name);
      if (names.back() == name) found.device = static_cast<InstrumentId>(k);
    }
    if (found.device == no_instrument) {
      const std::string near = nearest_name(name, names);
      complain(node, "there is no device '" + std::string(name.substr(0, 64)) + "'",
               near.empty() ? std::string{} : "did you mean '" + near + "'?");
      return found;
    }
    if (slash == std::string_view::npos) return found;
    const std::string_view channel = text.substr(slash + 1);
    unsigned number = 0;
    const auto [end, error] =
        std::from_chars(channel.data(), channel.data() + channel.size(), number);
    if (error != std::errc() || end != channel.data() + channel.size() || number < 1 ||
        number > simulation_.bench.devices[found.device].channels) {
      complain(node, "'" + std::string(name) + "' has no channel '" + std::string(channel) + "'");
      return found;
    }
    found.channel = static_cast<std::uint8_t>(number);
    return found;
  }

  template <class Take>
  void one_or_more(const Node* node, const Take& take) {
    if (node == nullptr) return;
    if (node->kind == NodeKind::sequence) {
      for (const Node& item : node->items) take(item);
    } else {
      take(*node);
    }
  }

  void read_circuit(const std::string& name, const Node& node) {
    BenchModel::Circuit circuit;
    Mapping from(document_, node, problems_, "a circuit");
    if (const Node* cell = from.need("cell")) {
      const auto found =
          std::ranges::find(cells_, cell->scalar, [](const auto& it) { return it.name; });
      if (found == cells_.end()) {
        complain(*cell, "there is no cell '" + cell->scalar + "'");
      } else {
        circuit = *found;
      }
    }
    circuit.name = name;
    quantity(from, "leads", circuit.leads, 0);
    if (const Node* source = from.need("source")) circuit.source = terminal(*source);
    if (const Node* contactor = from.take("contactor")) circuit.contactor = terminal(*contactor);
    const std::size_t index = simulation_.bench.circuits.size();
    const auto probe = [&](const Node& input) {
      simulation_.bench.probes.push_back({terminal(input), index});
    };
    one_or_more(from.take("meter"), probe);
    one_or_more(from.take("temperature"), probe);
    from.finish();
    simulation_.bench.circuits.push_back(std::move(circuit));
  }

  const Document& document_;
  Failures problems_;
  Simulation simulation_;
  std::vector<BenchModel::Circuit> cells_;
};

}  // namespace

Checked<Simulation> read_simulation(const Document& document) { return Reader(document).read(); }

}  // namespace chargewright::drivers::simulated

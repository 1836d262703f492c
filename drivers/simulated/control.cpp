#include "drivers/simulated/control.h"

#include <charconv>

#include "drivers/quantity_text.h"

namespace chargewright::drivers::simulated {
namespace {

std::string_view next_word(std::string_view& text) {
  while (!text.empty() && text.front() == ' ') text.remove_prefix(1);
  const auto end = text.find(' ');
  const std::string_view word = text.substr(0, end);
  text = end == std::string_view::npos ? std::string_view{} : text.substr(end + 1);
  while (!text.empty() && text.front() == ' ') text.remove_prefix(1);
  return word;
}

// Text of ours and of the caller, made safe for a JSON string.
std::string quoted(std::string_view text) {
  std::string result = "\"";
  for (const char c : text.substr(0, 300)) {
    if (c == '"' || c == '\\') result += '\\';
    result += c >= 0x20 && c < 0x7F ? c : '?';
  }
  return result + '"';
}

std::string problem(std::string_view why) { return "{\"ok\":false,\"error\":" + quoted(why) + '}'; }
std::string problem(const Failure& failure) { return problem(describe(failure)); }

constexpr std::string_view done = "{\"ok\":true}";

std::string_view words(Regulation regulation) {
  switch (regulation) {
    case Regulation::off:
      return "off";
    case Regulation::constant_voltage:
      return "constant-voltage";
    case Regulation::constant_current:
      return "constant-current";
    case Regulation::constant_power:
      return "constant-power";
  }
  return {};
}

}  // namespace

Instant Pace::bench_at(std::int64_t monotonic_ns) const {
  return Instant{Duration{
      static_cast<Duration::rep>(static_cast<double>(monotonic_ns - monotonic_start_ns) * speed)}};
}

std::int64_t Pace::monotonic_at(Instant bench) const {
  return monotonic_start_ns +
         static_cast<std::int64_t>(static_cast<double>(bench.time_since_epoch().count()) / speed);
}

std::string Control::obey(std::string_view line) {
  const std::string_view command = next_word(line);
  if (command == "fault") return fault(line);
  if (command == "clear") return clear(line);
  if (command == "mark") return mark(line);
  if (command == "unmark") return bench_.forget_marks(), std::string(done);
  if (command == "charge") return charge(line);
  if (command == "state") return state();
  if (command == "log") return log(line);
  if (command == "quit") return quit_ = true, std::string(done);
  return problem("'" + std::string(command) +
                 "' is no command: fault, clear, mark, unmark, charge, state, log, quit");
}

bool Control::terminal(std::string_view text, Terminal& into) const {
  const auto slash = text.find('/');
  into.device = bench_.find(text.substr(0, slash));
  if (into.device == no_instrument) return false;
  into.channel = 0;
  if (slash == std::string_view::npos) return true;
  unsigned channel = 0;
  const std::string_view number = text.substr(slash + 1);
  const auto [end, error] = std::from_chars(number.data(), number.data() + number.size(), channel);
  if (error != std::errc() || end != number.data() + number.size() || channel < 1 ||
      channel > bench_.channels(into.device)) {
    return false;
  }
  into.channel = static_cast<std::uint8_t>(channel);
  return true;
}

std::string Control::fault(std::string_view rest) {
  BenchFault wanted;
  const std::string_view name = next_word(rest);
  const auto kind = fault_named(name);
  if (!kind) return problem("'" + std::string(name) + "' is no fault");
  wanted.kind = *kind;
  Terminal at;
  if (!terminal(next_word(rest), at)) return problem("there is no such device or channel");
  wanted.device = at.device;
  wanted.channel = at.channel;
  if (*kind == FaultKind::slow) {
    const auto delay = parse<Duration>(rest);
    if (!delay.has_value()) return problem(delay.error());
    wanted.delay = *delay;
  } else if (*kind == FaultKind::knob_turned) {
    const auto current = parse<Amperes>(rest);
    const auto voltage = parse<Volts>(rest);
    if (!current.has_value() && !voltage.has_value()) {
      return problem("knob-turned needs a voltage or a current, like 4.35 V");
    }
    wanted.knob = current.has_value() ? Measurand::current : Measurand::voltage;
    wanted.value = current.has_value() ? current->value() : voltage->value();
  } else if (*kind == FaultKind::leads_loosened) {
    const auto more = parse<Ohms>(rest);
    if (!more.has_value()) return problem(more.error());
    wanted.value = more->value();
  } else if (*kind == FaultKind::cell_heats) {
    const auto more = parse<Watts>(rest);
    if (!more.has_value()) return problem(more.error());
    wanted.value = more->value();
  } else if (*kind == FaultKind::cell_swapped) {
    const auto voltage = parse<Volts>(rest);
    if (!voltage.has_value()) return problem(voltage.error());
    wanted.value = voltage->value();
  } else if (!rest.empty()) {
    return problem("'" + std::string(name) + "' takes no argument");
  }
  if (!bench_.inject(wanted)) return problem("this fault does not fit that device");
  return std::string(done);
}

std::string Control::clear(std::string_view rest) {
  if (rest.empty()) return bench_.clear_all(), std::string(done);
  const std::string_view name = next_word(rest);
  const auto kind = fault_named(name);
  if (!kind) return problem("'" + std::string(name) + "' is no fault");
  Terminal at;
  if (!terminal(next_word(rest), at)) return problem("there is no such device");
  bench_.clear(*kind, at.device);
  return std::string(done);
}

std::string Control::mark(std::string_view rest) {
  Mark wanted;
  const std::string_view quantity = next_word(rest);
  if (quantity == "supply-voltage") {
    wanted.quantity = Mark::Quantity::supply_voltage;
  } else if (quantity == "current") {
    wanted.quantity = Mark::Quantity::current;
  } else if (quantity == "cell-voltage") {
    wanted.quantity = Mark::Quantity::cell_voltage;
  } else if (quantity == "temperature") {
    wanted.quantity = Mark::Quantity::temperature;
  } else {
    return problem("say supply-voltage, current, cell-voltage or temperature");
  }
  const auto level = parse_number(next_word(rest));
  if (!level.has_value()) return problem(level.error());
  wanted.level = *level;
  if (!terminal(next_word(rest), wanted.source) ||
      bench_.model().devices[wanted.source.device].role != Role::supply) {
    return problem("say which supply the marked circuit has");
  }
  if (wanted.source.channel == 0) wanted.source.channel = 1;
  bench_.watch(wanted);
  return std::string(done);
}

std::string Control::charge(std::string_view rest) {
  const std::string_view name = next_word(rest);
  const auto share = parse_percent(rest);
  if (!share.has_value()) return problem(share.error());
  if (*share < 0 || *share > 1.2) return problem("the share must lie in 0 % to 120 %");
  for (std::size_t k = 0; k < bench_.circuits().size(); ++k) {
    if (bench_.model().circuits[k].name != name) continue;
    if (bench_.circuit(k).is_playback()) return problem("a recording cannot be charged");
    bench_.place_cell(k, *share);
    return std::string(done);
  }
  return problem("there is no circuit '" + std::string(name) + "'");
}

std::string Control::state() const {
  std::string text =
      "{\"ok\":true,\"time_s\":" + exact(in_seconds(bench_.now().time_since_epoch())) +
      ",\"circuits\":[";
  const auto field = [&](std::string_view key, const std::string& value) {
    text += std::string(",\"") + std::string(key) + "\":" + value;
  };
  for (std::size_t k = 0; k < bench_.circuits().size(); ++k) {
    const Circuit& circuit = bench_.circuit(k);
    const Terminal& source = bench_.model().circuits[k].source;
    const SupplyOutput& output = bench_.output(source.device, source.channel);
    text += std::string(k > 0 ? "," : "") + "{\"name\":" + quoted(bench_.model().circuits[k].name);
    field("output_on", output.is_on() ? "true" : "false");
    field("regulation", quoted(words(output.regulation())));
    field("voltage_setpoint_v", exact(output.voltage_setpoint().value()));
    field("current_setpoint_a", exact(output.current_setpoint().value()));
    field("over_voltage_tripped", output.over_voltage_tripped() ? "true" : "false");
    field("over_current_tripped", output.over_current_tripped() ? "true" : "false");
    field("supply_voltage_v", exact(output.voltage().value()));
    field("current_a", exact(circuit.current().value()));
    field("cell_voltage_v", exact(circuit.voltage().value()));
    field("temperature_c", exact(circuit.temperature().value()));
    if (!circuit.is_playback()) {
      field("state_of_charge", exact(circuit.cell().state_of_charge()));
    }
    field("switch_closed", circuit.switch_closed ? "true" : "false");
    text += '}';
  }
  return text + "]}";
}

std::string Control::log(std::string_view rest) const {
  const EventLog& log = bench_.log();
  std::size_t from = log.first();
  if (!rest.empty()) {
    std::size_t asked = 0;
    const auto [end, error] = std::from_chars(rest.data(), rest.data() + rest.size(), asked);
    if (error != std::errc() || end != rest.data() + rest.size()) {
      return problem("log takes the number of an event");
    }
    from = std::max(from, asked);
  }
  std::string text = "{\"ok\":true,\"total\":" + std::to_string(log.total()) + ",\"events\":[";
  bool first = true;
  for (std::size_t k = from; k < log.total(); ++k) {
    const Event& event = log.at(k);
    if (!first) text += ',';
    first = false;
    text += "{\"number\":" + std::to_string(k) + ",\"event\":" + quoted(name_of(event.kind)) +
            ",\"device\":" + quoted(bench_.model().devices[event.device].name) +
            ",\"channel\":" + std::to_string(event.channel) +
            ",\"bench_ns\":" + std::to_string(event.at.time_since_epoch().count()) +
            ",\"monotonic_ns\":" + std::to_string(pace_.monotonic_at(event.at)) +
            ",\"value\":" + exact(event.value);
    const bool of_fault =
        event.kind == Event::Kind::fault_injected || event.kind == Event::Kind::fault_cleared;
    if (of_fault && event.value >= 0) {
      text +=
          ",\"fault\":" + quoted(name_of(static_cast<FaultKind>(static_cast<int>(event.value))));
    }
    text += '}';
  }
  return text + "]}";
}

}  // namespace chargewright::drivers::simulated

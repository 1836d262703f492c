#include "drivers/simulated/scpi_device.h"

#include <array>
#include <charconv>
#include <cmath>

#include "drivers/simulated/scpi_parameter.h"

namespace chargewright::drivers::simulated {

enum class ScpiDevice::Does : std::uint8_t {
  set_voltage,
  read_voltage,
  set_current,
  read_current,
  set_output,
  read_output,
  set_over_voltage,
  read_over_voltage,
  arm_over_voltage,
  read_over_voltage_armed,
  read_over_voltage_tripped,
  clear_over_voltage,
  set_over_current,
  read_over_current,
  arm_over_current,
  read_over_current_armed,
  read_over_current_tripped,
  clear_over_current,
  clear_protection,
  select,
  read_selected,
  measure_voltage,
  measure_current,
  measure_temperature,
  close_switch,
  open_switch,
  read_switch,
  read_questionable,
  read_questionable_event,
  set_questionable_enable,
  read_questionable_enable,
  read_operation,
  read_operation_event,
  set_operation_enable,
  read_operation_enable,
  preset_status,
  read_error,
  read_version,
  nothing,
};

namespace {

// A number as NR3 (IEEE 488.2, 8.7.4), with the nine digits that instruments like to show.
void put_number(double value, std::string& out) {
  std::array<char, 40> text{};
  const auto [end, error] = std::to_chars(text.data(), text.data() + text.size(), value,
                                          std::chars_format::scientific, 8);
  if (error != std::errc()) return;
  if (text[0] != '-') out += '+';
  for (const char* c = text.data(); c != end; ++c) out += *c == 'e' ? 'E' : *c;
}

void put_integer(long value, std::string& out) {
  std::array<char, 24> text{};
  const auto [end, error] = std::to_chars(text.data(), text.data() + text.size(), value);
  if (error == std::errc()) out.append(text.data(), end);
}

constexpr double not_a_number = 9.91e37;  // SCPI-1999

int no_parameters(std::string_view parameters) { return trimmed(parameters).empty() ? 0 : -108; }

// One parameter, and nothing after it.
int only_one(Parameters& list, std::string_view& text) {
  if (!list.has_more()) return -109;
  text = list.take();
  return list.has_more() ? -108 : 0;
}

bool is_letter(char c) { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z'); }
bool is_digit(char c) { return c >= '0' && c <= '9'; }

}  // namespace

HeaderTree ScpiDevice::tree_for(Role role) {
  HeaderTree tree;
  constexpr int none = HeaderTree::undefined;
  const auto both = [&](std::string_view pattern, Does command, Does query) {
    tree.add(pattern, static_cast<int>(command), static_cast<int>(query));
  };
  const auto command = [&](std::string_view pattern, Does does) {
    tree.add(pattern, static_cast<int>(does), none);
  };
  const auto query = [&](std::string_view pattern, Does does) {
    tree.add(pattern, none, static_cast<int>(does));
  };
  if (role == Role::supply || role == Role::meter) {
    query("MEASure:[SCALar]:VOLTage:[DC]", Does::measure_voltage);
    query("MEASure:[SCALar]:CURRent:[DC]", Does::measure_current);
  }
  if (role == Role::supply) {
    both("[SOURce]:VOLTage:[LEVel]:[IMMediate]:[AMPLitude]", Does::set_voltage, Does::read_voltage);
    both("[SOURce]:CURRent:[LEVel]:[IMMediate]:[AMPLitude]", Does::set_current, Does::read_current);
    both("OUTPut:[STATe]", Does::set_output, Does::read_output);
    both("[SOURce]:VOLTage:PROTection:[LEVel]", Does::set_over_voltage, Does::read_over_voltage);
    both("[SOURce]:VOLTage:PROTection:STATe", Does::arm_over_voltage,
         Does::read_over_voltage_armed);
    query("[SOURce]:VOLTage:PROTection:TRIPped", Does::read_over_voltage_tripped);
    command("[SOURce]:VOLTage:PROTection:CLEar", Does::clear_over_voltage);
    both("[SOURce]:CURRent:PROTection:[LEVel]", Does::set_over_current, Does::read_over_current);
    both("[SOURce]:CURRent:PROTection:STATe", Does::arm_over_current,
         Does::read_over_current_armed);
    query("[SOURce]:CURRent:PROTection:TRIPped", Does::read_over_current_tripped);
    command("[SOURce]:CURRent:PROTection:CLEar", Does::clear_over_current);
    command("OUTPut:PROTection:CLEar", Does::clear_protection);
    both("INSTrument:NSELect", Does::select, Does::read_selected);
  }
  if (role == Role::thermometer) query("MEASure:[SCALar]:TEMPerature", Does::measure_temperature);
  if (role == Role::contactor) {
    both("ROUTe:CLOSe", Does::close_switch, Does::read_switch);
    command("ROUTe:OPEN", Does::open_switch);
  }
  query("STATus:QUEStionable:[EVENt]", Does::read_questionable_event);
  query("STATus:QUEStionable:CONDition", Does::read_questionable);
  both("STATus:QUEStionable:ENABle", Does::set_questionable_enable, Does::read_questionable_enable);
  query("STATus:OPERation:[EVENt]", Does::read_operation_event);
  query("STATus:OPERation:CONDition", Does::read_operation);
  both("STATus:OPERation:ENABle", Does::set_operation_enable, Does::read_operation_enable);
  command("STATus:PRESet", Does::preset_status);
  query("SYSTem:ERRor:[NEXT]", Does::read_error);
  query("SYSTem:VERSion", Does::read_version);
  // Remote and local: there is no panel here, so that both change nothing.
  command("SYSTem:REMote", Does::nothing);
  command("SYSTem:LOCal", Does::nothing);
  command("SYSTem:RWLock", Does::nothing);
  return tree;
}

ScpiDevice::ScpiDevice(Bench& bench, InstrumentId id)
    : bench_(bench), id_(id), tree_(tree_for(bench.model().devices[id].role)) {}

void ScpiDevice::execute(std::string_view message, Instant now, std::string& response) {
  bench_.advance(now);
  update_status();
  path_ = HeaderTree::root;
  const std::size_t before = response.size();
  while (!message.empty()) {
    char quote = 0;
    std::size_t end = 0;
    for (; end < message.size(); ++end) {
      const char c = message[end];
      if (quote != 0) {
        if (c == quote) quote = 0;
      } else if (c == '"' || c == '\'') {
        quote = c;
      } else if (c == ';') {
        break;
      }
    }
    const std::string_view text = trimmed(message.substr(0, end));
    message = end < message.size() ? message.substr(end + 1) : std::string_view{};
    if (text.empty()) continue;
    const std::size_t mark = response.size();
    if (mark > before) response += ';';
    const std::size_t answer = response.size();
    const int error = unit(text, response);
    if (response.size() == answer) response.resize(mark);
    if (error != 0) {
      response.resize(mark);
      status_.raise(error);
      // The parser loses its place with a command error: the rest of the message is dropped.
      if (error > -200 && error <= -100) break;
    }
    update_status();
  }
  if (response.size() > before) response += '\n';
}

int ScpiDevice::unit(std::string_view text, std::string& response) {
  if (text.front() == '*') {
    std::size_t k = 1;
    while (k < text.size() && is_letter(text[k])) ++k;
    const std::string_view name = text.substr(1, k - 1);
    const bool query = k < text.size() && text[k] == '?';
    if (query) ++k;
    if (k < text.size() && !is_space(text[k])) return -111;
    return common(name, query, trimmed(text.substr(k)), response);
  }
  HeaderTree::NodeIndex node = path_;
  bool query = false;
  if (const int error = header(text, node, query)) return error;
  const int does = query ? tree_.query(node) : tree_.command(node);
  if (does == HeaderTree::undefined) return -113;
  return carry_out(static_cast<Does>(does), trimmed(text), response);
}

// Takes the header off `text`, and moves the path to where its last mnemonic hung.
int ScpiDevice::header(std::string_view& text, HeaderTree::NodeIndex& node, bool& query) {
  if (text.front() == ':') {
    node = HeaderTree::root;
    text.remove_prefix(1);
  }
  for (;;) {
    std::size_t length = 0;
    while (length < text.size() &&
           (is_letter(text[length]) || is_digit(text[length]) || text[length] == '_')) {
      ++length;
    }
    if (length == 0) return text.empty() ? -102 : -101;
    std::string_view mnemonic = text.substr(0, length);
    text.remove_prefix(length);
    if (mnemonic.size() > 12) return -112;
    std::string_view suffix = mnemonic;
    while (!mnemonic.empty() && is_digit(mnemonic.back())) mnemonic.remove_suffix(1);
    suffix.remove_prefix(mnemonic.size());
    if (mnemonic.empty()) return -101;
    path_ = node;
    node = tree_.child(node, mnemonic);
    if (node == HeaderTree::nowhere) return -113;
    const bool ends = text.empty() || is_space(text.front());
    if (!ends && text.front() != ':' && text.front() != '?') return -111;
    if (!suffix.empty() && suffix != "1") return -114;  // one of each; channels are selected
    if (ends || text.front() != ':') break;
    text.remove_prefix(1);
  }
  query = !text.empty() && text.front() == '?';
  if (query) text.remove_prefix(1);
  return text.empty() || is_space(text.front()) ? 0 : -111;
}

int ScpiDevice::common(std::string_view name, bool query, std::string_view parameters,
                       std::string& out) {
  const auto is = [&](std::string_view wanted, bool wants_query) {
    return query == wants_query && is_word(name, wanted);
  };
  const auto set_byte = [&](std::uint8_t& into) {
    Parameters list(parameters);
    std::string_view text;
    if (const int error = only_one(list, text)) return error;
    int value = 0;
    if (const int error = read_integer(text, 0, 255, value)) return error;
    into = static_cast<std::uint8_t>(value);
    return 0;
  };
  if (is("ESE", false)) return set_byte(status_.event_enable);
  if (is("SRE", false)) return set_byte(status_.service_enable);
  if (const int error = no_parameters(parameters)) return error;
  if (is("IDN", true)) return out += bench_.identity(id_), 0;
  if (is("ESE", true)) return put_integer(status_.event_enable, out), 0;
  if (is("SRE", true)) return put_integer(status_.service_enable, out), 0;
  if (is("ESR", true)) return put_integer(status_.take_event_status(), out), 0;
  if (is("STB", true)) return put_integer(status_.status_byte(), out), 0;
  if (is("OPC", true)) return out += '1', 0;
  if (is("TST", true)) return out += '0', 0;
  if (is("OPC", false)) return status_.operation_complete(), 0;
  if (is("CLS", false)) return status_.clear(), 0;
  if (is("WAI", false)) return 0;  // nothing here overlaps
  if (is("RST", false)) {
    bench_.select(id_, 1);
    for (std::uint8_t c = 1; c <= bench_.channels(id_); ++c) {
      const Role role = bench_.model().devices[id_].role;
      if (role == Role::supply) bench_.reset_output(id_, c);
      if (role == Role::contactor) bench_.set_switch(id_, c, false);
    }
    return 0;
  }
  return -113;
}

int ScpiDevice::carry_out(Does does, std::string_view parameters, std::string& out) {
  const auto answer = [&](long value) {
    if (const int error = no_parameters(parameters)) return error;
    put_integer(value, out);
    return 0;
  };
  const auto take_event = [&](StatusGroup& group) {
    if (const int error = answer(group.event)) return error;
    group.event = 0;
    return 0;
  };
  const auto set_enable = [&](StatusGroup& group) {
    Parameters list(parameters);
    std::string_view text;
    if (const int error = only_one(list, text)) return error;
    int value = 0;
    if (const int error = read_integer(text, 0, 65535, value)) return error;
    group.enable = static_cast<std::uint16_t>(value & 0x7FFF);  // bit 15 is never used
    return 0;
  };
  switch (does) {
    case Does::measure_voltage:
      return measure(Measurand::voltage, parameters, out);
    case Does::measure_current:
      return measure(Measurand::current, parameters, out);
    case Does::measure_temperature:
      return measure(Measurand::temperature, parameters, out);
    case Does::close_switch:
    case Does::open_switch:
    case Does::read_switch:
      return switches(does, parameters, out);
    case Does::read_questionable:
      return answer(status_.questionable.condition);
    case Does::read_questionable_event:
      return take_event(status_.questionable);
    case Does::set_questionable_enable:
      return set_enable(status_.questionable);
    case Does::read_questionable_enable:
      return answer(status_.questionable.enable);
    case Does::read_operation:
      return answer(status_.operation.condition);
    case Does::read_operation_event:
      return take_event(status_.operation);
    case Does::set_operation_enable:
      return set_enable(status_.operation);
    case Does::read_operation_enable:
      return answer(status_.operation.enable);
    case Does::preset_status:
      status_.questionable.enable = status_.operation.enable = 0;
      return no_parameters(parameters);
    case Does::read_error: {
      if (const int error = no_parameters(parameters)) return error;
      const int error = status_.take_error();
      put_integer(error, out);
      out += ",\"";
      out += standard_text(error);
      out += '"';
      return 0;
    }
    case Does::read_version:
      if (const int error = no_parameters(parameters)) return error;
      out += "1999.0";
      return 0;
    case Does::nothing:
      return no_parameters(parameters);
    case Does::set_voltage:
    case Does::read_voltage:
    case Does::set_current:
    case Does::read_current:
    case Does::set_output:
    case Does::read_output:
    case Does::set_over_voltage:
    case Does::read_over_voltage:
    case Does::arm_over_voltage:
    case Does::read_over_voltage_armed:
    case Does::read_over_voltage_tripped:
    case Does::clear_over_voltage:
    case Does::set_over_current:
    case Does::read_over_current:
    case Does::arm_over_current:
    case Does::read_over_current_armed:
    case Does::read_over_current_tripped:
    case Does::clear_over_current:
    case Does::clear_protection:
    case Does::select:
    case Does::read_selected:
      break;
  }
  return supply(does, parameters, out);
}

int ScpiDevice::supply(Does does, std::string_view parameters, std::string& out) {
  SupplyOutput& output = selected();
  const SupplyModel& model = output.model();
  const NumberBounds v{0, model.voltage_max.value(), 0, 'V'};
  const NumberBounds i{0, model.current_max.value(), 0, 'A'};
  const NumberBounds v_trip{0, output.over_voltage_max().value(), output.over_voltage_max().value(),
                            'V'};
  const NumberBounds i_trip{0, output.over_current_max().value(), output.over_current_max().value(),
                            'A'};
  Parameters list(parameters);
  std::string_view text;
  const auto set = [&](const NumberBounds& bounds, const auto& apply) {
    if (const int error = only_one(list, text)) return error;
    double value = 0;
    if (const int error = read_number(text, bounds, value)) return error;
    if (!apply(value)) return -222;
    bench_.changed(id_, channel());
    return 0;
  };
  // `VOLT? MAX` asks for the end of the range.
  const auto read = [&](const NumberBounds& bounds, double value) {
    if (list.has_more()) {
      if (const int error = only_one(list, text)) return error;
      if (is_digit(text.front())) return -104;
      if (const int error = read_number(text, bounds, value)) return error;
    }
    put_number(value, out);
    return 0;
  };
  const auto flag = [&](bool& into) {
    const int error = only_one(list, text);
    return error != 0 ? error : read_boolean(text, into);
  };
  const auto answer = [&](long value) {
    if (list.has_more()) return -108;
    put_integer(value, out);
    return 0;
  };
  const auto clear = [&](bool over_voltage, bool over_current) {
    if (list.has_more()) return -108;
    if (over_voltage) output.clear_over_voltage();
    if (over_current) output.clear_over_current();
    return 0;
  };
  bool on = false;
  switch (does) {
    case Does::set_voltage:
      return set(v, [&](double value) { return output.set_voltage(volts(value)); });
    case Does::read_voltage:
      return read(v, output.voltage_setpoint().value());
    case Does::set_current:
      return set(i, [&](double value) { return output.set_current(amperes(value)); });
    case Does::read_current:
      return read(i, output.current_setpoint().value());
    case Does::set_output:
      if (const int error = flag(on)) return error;
      return bench_.switch_output(id_, channel(), on) ? 0 : -221;  // a protection is latched
    case Does::read_output:
      return answer(output.is_on() ? 1 : 0);
    case Does::set_over_voltage:
      return set(v_trip, [&](double value) { return output.set_over_voltage(volts(value)); });
    case Does::read_over_voltage:
      return read(v_trip, output.over_voltage().value());
    case Does::set_over_current:
      return set(i_trip, [&](double value) { return output.set_over_current(amperes(value)); });
    case Does::read_over_current:
      return read(i_trip, output.over_current().value());
    case Does::arm_over_voltage:
      if (const int error = flag(on)) return error;
      output.arm_over_voltage(on);
      return bench_.changed(id_, channel()), 0;
    case Does::arm_over_current:
      if (const int error = flag(on)) return error;
      output.arm_over_current(on);
      return bench_.changed(id_, channel()), 0;
    case Does::read_over_voltage_armed:
      return answer(output.over_voltage_armed() ? 1 : 0);
    case Does::read_over_current_armed:
      return answer(output.over_current_armed() ? 1 : 0);
    case Does::read_over_voltage_tripped:
      return answer(output.over_voltage_tripped() ? 1 : 0);
    case Does::read_over_current_tripped:
      return answer(output.over_current_tripped() ? 1 : 0);
    case Does::clear_over_voltage:
      return clear(true, false);
    case Does::clear_over_current:
      return clear(false, true);
    case Does::clear_protection:
      return clear(true, true);
    case Does::select: {
      if (const int error = only_one(list, text)) return error;
      int channel = 1;
      if (const int error = read_integer(text, 1, bench_.channels(id_), channel)) return error;
      bench_.select(id_, static_cast<std::uint8_t>(channel));
      return 0;
    }
    case Does::read_selected:
      return answer(channel());
    default:
      return -113;
  }
}

// Range and resolution that a meter is offered are taken and change nothing; `(@1,2)` picks inputs.
int ScpiDevice::measure(Measurand measurand, std::string_view parameters, std::string& out) {
  std::uint32_t channels = std::uint32_t{1} << (channel() - 1U);
  Parameters list(parameters);
  for (int count = 0; list.has_more(); ++count) {
    const std::string_view text = list.take();
    if (!text.empty() && text.front() == '(') {
      if (const int error = read_channels(text, bench_.channels(id_), channels)) return error;
      if (list.has_more()) return -108;
      break;
    }
    double ignored = 0;
    if (count >= 2) return -108;
    if (const int error = read_number(text, {-1e9, 1e9, 0, 0}, ignored)) return error;
  }
  bool first = true;
  for (std::uint8_t c = 1; c <= bench_.channels(id_); ++c) {
    if ((channels >> (c - 1U) & 1U) == 0) continue;
    if (!first) out += ',';
    first = false;
    const double value = bench_.measure(id_, c, measurand).value_or(not_a_number);
    bench_.note_answer(id_, c, measurand, value);
    put_number(value, out);
  }
  return 0;
}

int ScpiDevice::switches(Does does, std::string_view parameters, std::string& out) {
  Parameters list(parameters);
  std::string_view text;
  if (const int error = only_one(list, text)) return error;
  std::uint32_t channels = 0;
  if (const int error = read_channels(text, bench_.channels(id_), channels)) return error;
  bool first = true;
  for (std::uint8_t c = 1; c <= bench_.channels(id_); ++c) {
    if ((channels >> (c - 1U) & 1U) == 0) continue;
    if (does == Does::read_switch) {
      if (!first) out += ',';
      out += bench_.is_closed(id_, c) ? '1' : '0';
    } else {
      bench_.set_switch(id_, c, does == Does::close_switch);
    }
    first = false;
  }
  return 0;
}

// QUEStionable of a supply: bit 0 voltage not regulated (constant current), bit 1 current not
// regulated (constant voltage), both: neither; bit 9 over-voltage tripped, bit 10 over-current. One
// of several maps in use; it is the dialect's to know.
void ScpiDevice::update_status() {
  if (bench_.model().devices[id_].role != Role::supply) return;
  const SupplyOutput& output = selected();
  unsigned bits = 0;
  switch (output.regulation()) {
    case Regulation::off:
      break;
    case Regulation::constant_voltage:
      bits |= 2U;
      break;
    case Regulation::constant_current:
      bits |= 1U;
      break;
    case Regulation::constant_power:
      bits |= 3U;
      break;
  }
  if (output.over_voltage_tripped()) bits |= 1U << 9U;
  if (output.over_current_tripped()) bits |= 1U << 10U;
  status_.questionable.update(static_cast<std::uint16_t>(bits));
}

}  // namespace chargewright::drivers::simulated

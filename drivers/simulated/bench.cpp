#include "drivers/simulated/bench.h"

#include <algorithm>
#include <cmath>

namespace chargewright::drivers::simulated {
namespace {

std::size_t slot(Measurand measurand) { return static_cast<std::size_t>(measurand); }

std::uint32_t channel_bits(std::uint8_t channel) {
  return channel == 0 ? ~std::uint32_t{0} : std::uint32_t{1} << (channel - 1U);
}

std::string_view words(Role role) {
  switch (role) {
    case Role::supply:
      return "supply";
    case Role::meter:
      return "meter";
    case Role::thermometer:
      return "thermometer";
    case Role::contactor:
      return "switch";
  }
  return {};
}

Cell cell_of(const BenchModel::Circuit& circuit) {
  Cell cell = circuit.voltage ? Cell::with_voltage(circuit.cell, *circuit.voltage)
                              : Cell(circuit.cell, circuit.state_of_charge.value_or(0.5));
  if (circuit.found) cell.put(*circuit.found);
  return cell;
}

}  // namespace

std::vector<std::string> problems_of(const BenchModel& model) {
  std::vector<std::string> problems;
  if (model.devices.size() >= no_instrument) problems.push_back("there are too many devices");
  for (const auto& device : model.devices) {
    if (device.channels < 1 || device.channels > 32) {
      problems.push_back("'" + device.name + "' must have 1 to 32 channels");
    }
  }
  const auto check = [&](const Terminal& at, std::initializer_list<Role> roles,
                         const std::string& what) {
    if (at.device >= model.devices.size()) {
      problems.push_back(what + " is no device of this bench");
    } else if (std::ranges::find(roles, model.devices[at.device].role) == roles.end()) {
      problems.push_back(what + " is '" + model.devices[at.device].name +
                         "', which has the wrong role");
    } else if (at.channel < 1 || at.channel > model.devices[at.device].channels) {
      problems.push_back(what + " is a channel that '" + model.devices[at.device].name +
                         "' does not have");
    }
  };
  for (const auto& circuit : model.circuits) {
    check(circuit.source, {Role::supply}, "the source of '" + circuit.name + "'");
    if (circuit.contactor.device != no_instrument) {
      check(circuit.contactor, {Role::contactor}, "the contactor of '" + circuit.name + "'");
    }
    if (!circuit.recording && circuit.cell.kind == CellModel::Kind::battery &&
        circuit.cell.ocv.size() < 2) {
      problems.push_back("the cell of '" + circuit.name + "' has no open-circuit voltages");
    }
  }
  for (const auto& probe : model.probes) {
    check(probe.input, {Role::meter, Role::thermometer}, "a probe");
    if (probe.circuit >= model.circuits.size()) problems.push_back("a probe sits on no circuit");
  }
  return problems;
}

Bench::Bench(BenchModel model, Instant start) : model_(std::move(model)), now_(start) {
  for (const auto& device : model_.devices) {
    Device made;
    for (int k = 0; k < device.channels; ++k) {
      if (device.role == Role::supply) made.outputs.emplace_back(device.supply);
      if (device.role == Role::thermometer) made.sensors.emplace_back(device.thermometer);
      made.closed.push_back(false);
      made.circuits.push_back(no_circuit);
      made.frozen.push_back({});
      made.answers.emplace_back();
    }
    devices_.push_back(std::move(made));
  }
  circuits_.reserve(model_.circuits.size());
  for (std::size_t k = 0; k < model_.circuits.size(); ++k) {
    const auto& circuit = model_.circuits[k];
    if (circuit.recording) {
      circuits_.emplace_back(Cell(circuit.cell, 0.5), Playback(circuit.recording, circuit.between));
    } else {
      circuits_.emplace_back(cell_of(circuit), circuit.leads);
    }
    devices_[circuit.source.device].circuits[circuit.source.channel - 1U] = k;
    if (circuit.contactor.device != no_instrument) {
      devices_[circuit.contactor.device].circuits[circuit.contactor.channel - 1U] = k;
      circuits_[k].switch_closed = false;
    }
  }
  for (const auto& probe : model_.probes) {
    devices_[probe.input.device].circuits[probe.input.channel - 1U] = probe.circuit;
  }
  for (std::size_t k = 0; k < circuits_.size(); ++k) circuits_[k].settle(source_of(k));
  for (Device& device : devices_) {
    for (std::size_t k = 0; k < device.sensors.size(); ++k) {
      const std::size_t at = device.circuits[k];
      device.sensors[k].start(at == no_circuit ? celsius(20) : circuits_[at].temperature());
    }
  }
}

SupplyOutput* Bench::source_of(std::size_t circuit) {
  const Terminal& source = model_.circuits[circuit].source;
  return &devices_[source.device].outputs[source.channel - 1U];
}

void Bench::note_output(Terminal source, bool was_on, Instant at) {
  const SupplyOutput& out = output(source.device, source.channel);
  if (was_on == out.is_on()) return;
  if (!out.is_on() && out.over_voltage_tripped()) {
    log_.note({Event::Kind::over_voltage_tripped, source.device, source.channel, at,
               out.over_voltage().value()});
  } else if (!out.is_on() && out.over_current_tripped()) {
    log_.note({Event::Kind::over_current_tripped, source.device, source.channel, at,
               out.over_current().value()});
  }
  log_.note({out.is_on() ? Event::Kind::output_on : Event::Kind::output_off, source.device,
             source.channel, at, 0});
}

void Bench::advance(Instant now) {
  if (now <= now_) return;
  const Duration dt = now - now_;
  for (std::size_t k = 0; k < marks_.size(); ++k) marked_before_[k] = marked(marks_[k].mark);
  for (std::size_t k = 0; k < circuits_.size(); ++k) {
    SupplyOutput* source = source_of(k);
    const bool was_on = source->is_on();
    circuits_[k].advance(dt, source);
    if (was_on != source->is_on()) {
      note_output(model_.circuits[k].source, was_on,
                  now_ + circuits_[k].tripped_after().value_or(dt));
    }
  }
  for (Device& device : devices_) {
    for (std::size_t k = 0; k < device.sensors.size(); ++k) {
      const std::size_t at = device.circuits[k];
      if (at == no_circuit) continue;
      const bool off = (device.faults.sensors_off >> k & 1U) != 0;
      device.sensors[k].advance(dt, off ? circuits_[at].ambient() : circuits_[at].temperature());
    }
  }
  if (!marks_.empty()) look_at_marks(now_, now);
  now_ = now;
}

double Bench::marked(const Mark& mark) const {
  const std::size_t at = devices_[mark.source.device].circuits[mark.source.channel - 1U];
  const SupplyOutput& out = output(mark.source.device, mark.source.channel);
  switch (mark.quantity) {
    case Mark::Quantity::supply_voltage:
      return out.voltage().value();
    case Mark::Quantity::current:
      return out.current().value();
    case Mark::Quantity::cell_voltage:
      return at == no_circuit ? 0 : circuits_[at].voltage().value();
    case Mark::Quantity::temperature:
      return at == no_circuit ? 0 : circuits_[at].temperature().value();
  }
  return 0;
}

void Bench::look_at_marks(Instant from, Instant to) {
  for (std::size_t k = 0; k < marks_.size(); ++k) {
    Watched& watched = marks_[k];
    if (watched.crossed) continue;
    const double before = marked_before_[k];
    const double after = marked(watched.mark);
    if (after <= watched.mark.level) continue;
    watched.crossed = true;
    // In a straight line between the ends of the step; a jump lies at its start.
    const double share =
        before > watched.mark.level ? 0 : (watched.mark.level - before) / (after - before);
    const auto whole = static_cast<double>((to - from).count());
    log_.note({Event::Kind::mark_crossed, watched.mark.source.device, watched.mark.source.channel,
               from + Duration{static_cast<Duration::rep>(share * whole)}, watched.mark.level});
  }
}

void Bench::watch(const Mark& mark) {
  marks_.push_back({mark, marked(mark) > mark.level});
  marked_before_.push_back(0);
}

void Bench::forget_marks() {
  marks_.clear();
  marked_before_.clear();
}

// A setting, a switch or a condition of this circuit changed at this very instant.
void Bench::settle(std::size_t circuit) {
  SupplyOutput* source = source_of(circuit);
  const bool was_on = source->is_on();
  circuits_[circuit].settle(source);
  note_output(model_.circuits[circuit].source, was_on, now_);
  if (marks_.empty()) return;
  for (std::size_t k = 0; k < marks_.size(); ++k) marked_before_[k] = marks_[k].mark.level;
  look_at_marks(now_, now_);
}

void Bench::changed(InstrumentId device, std::uint8_t channel) {
  const std::size_t at = devices_[device].circuits[channel - 1U];
  if (at != no_circuit) settle(at);
}

bool Bench::switch_output(InstrumentId device, std::uint8_t channel, bool on) {
  SupplyOutput& out = output(device, channel);
  const bool was_on = out.is_on();
  if (on && !out.switch_on()) return false;
  if (!on && !devices_[device].faults.ignores_off) out.switch_off();
  note_output({device, channel}, was_on, now_);
  changed(device, channel);
  return true;
}

void Bench::reset_output(InstrumentId device, std::uint8_t channel) {
  SupplyOutput& out = output(device, channel);
  const bool was_on = out.is_on();
  if (was_on && devices_[device].faults.ignores_off) return;
  out.reset();
  note_output({device, channel}, was_on, now_);
  changed(device, channel);
}

void Bench::set_switch(InstrumentId device, std::uint8_t channel, bool closed) {
  if (!closed && devices_[device].faults.ignores_off) return;  // welded
  if (devices_[device].closed[channel - 1U] == closed) return;
  devices_[device].closed[channel - 1U] = closed;
  log_.note(
      {closed ? Event::Kind::switch_closed : Event::Kind::switch_opened, device, channel, now_, 0});
  const std::size_t at = devices_[device].circuits[channel - 1U];
  if (at == no_circuit) return;
  circuits_[at].switch_closed = closed;
  settle(at);
}

void Bench::place_cell(std::size_t circuit, double state_of_charge) {
  Cell& cell = circuits_[circuit].cell();
  Cell::State state = cell.state();
  state.q = Cell(model_.circuits[circuit].cell, state_of_charge).charge().value();
  state.v1 = state.v2 = 0;
  cell.put(state);
  settle(circuit);
}

void Bench::swap_cell(std::size_t circuit, Volts open_circuit) {
  Cell& cell = circuits_[circuit].cell();
  Cell::State state = Cell::with_voltage(model_.circuits[circuit].cell, open_circuit).state();
  state.t = cell.ambient().value();
  state.heat = cell.state().heat;
  cell.put(state);
  settle(circuit);
}

double Bench::true_measure(InstrumentId device, std::uint8_t channel, Measurand measurand) const {
  const Device& d = devices_[device];
  const auto& model = model_.devices[device];
  const std::size_t at = d.circuits[channel - 1U];
  switch (model.role) {
    case Role::supply:
      return measurand == Measurand::current ? output(device, channel).current_readback().value()
                                             : output(device, channel).voltage_readback().value();
    case Role::meter:
      if (at == no_circuit) return 0;
      return measurand == Measurand::current ? shown(model.meter, circuits_[at].current()).value()
                                             : shown(model.meter, circuits_[at].voltage()).value();
    case Role::thermometer:
      return d.sensors[channel - 1U].shown().value();
    case Role::contactor:
      break;
  }
  return 0;
}

std::optional<double> Bench::measure(InstrumentId device, std::uint8_t channel,
                                     Measurand measurand) const {
  const Device& d = devices_[device];
  if (d.faults.not_a_number) return std::nullopt;
  if ((d.faults.sensors_lost & channel_bits(channel)) != 0) return std::nullopt;
  if (d.faults.stuck) return d.frozen[channel - 1U][slot(measurand)];
  return true_measure(device, channel, measurand);
}

void Bench::note_answer(InstrumentId device, std::uint8_t channel, Measurand measurand,
                        double value) {
  Answers& answers = devices_[device].answers[channel - 1U][slot(measurand)];
  answers.last[answers.count++ % answers.last.size()] = {now_, value};
}

bool Bench::has_answered(InstrumentId device, std::uint8_t channel, Measurand measurand,
                         double value, Instant from, Instant to) const {
  const Answers& answers = devices_[device].answers[channel - 1U][slot(measurand)];
  const double digits = 1e-8 * std::abs(value) + 1e-12;  // as many as an answer shows
  const std::size_t kept = std::min(answers.count, answers.last.size());
  for (std::size_t back = 1; back <= kept; ++back) {
    const Answers::One& one = answers.last[(answers.count - back) % answers.last.size()];
    if (one.at < from) return false;
    if (one.at <= to && std::abs(one.value - value) <= digits) return true;
  }
  return false;
}

bool Bench::inject(const BenchFault& fault) {
  if (fault.device >= devices_.size() || fault.channel > channels(fault.device)) return false;
  const Role role = model_.devices[fault.device].role;
  switch (fault.kind) {
    case FaultKind::ignores_output_off:
      if (role != Role::supply && role != Role::contactor) return false;
      break;
    case FaultKind::sensor_lost:
    case FaultKind::sensor_off_cell:
      if (role != Role::thermometer) return false;
      break;
    case FaultKind::lead_off:
    case FaultKind::reversed:
    case FaultKind::leads_loosened:
    case FaultKind::cell_heats:
    case FaultKind::knob_turned:
    case FaultKind::cell_swapped:
    case FaultKind::output_switched:
    case FaultKind::output_selected:
      if (role != Role::supply) return false;
      break;
    case FaultKind::mute:
    case FaultKind::slow:
    case FaultKind::garbage:
    case FaultKind::not_a_number:
    case FaultKind::stuck:
    case FaultKind::link_dropped:
      break;
  }
  const Event injected{Event::Kind::fault_injected, fault.device, fault.channel, now_,
                       static_cast<double>(fault.kind)};
  if (happens_once(fault.kind)) return happen(fault, injected);
  log_.note(injected);
  apply(fault, true);
  return true;
}

bool Bench::happen(const BenchFault& fault, const Event& injected) {
  const std::uint8_t channel = std::max<std::uint8_t>(fault.channel, 1);
  SupplyOutput& out = output(fault.device, channel);
  const std::size_t at = devices_[fault.device].circuits[channel - 1U];
  switch (fault.kind) {
    case FaultKind::knob_turned: {
      const bool turned = fault.knob == Measurand::current ? out.set_current(amperes(fault.value))
                                                           : out.set_voltage(volts(fault.value));
      if (!turned) return false;
      log_.note(injected);
      changed(fault.device, channel);
      return true;
    }
    case FaultKind::cell_swapped:
      if (at == no_circuit || circuits_[at].is_playback() || !std::isfinite(fault.value)) {
        return false;
      }
      log_.note(injected);
      swap_cell(at, volts(fault.value));
      return true;
    case FaultKind::output_switched:
      log_.note(injected);
      return switch_output(fault.device, channel, !out.is_on());
    case FaultKind::output_selected:
      log_.note(injected);
      devices_[fault.device].selected = channel;
      return true;
    default:
      return false;
  }
}

void Bench::apply(const BenchFault& fault, bool on) {
  Device& device = devices_[fault.device];
  const auto set_bits = [&](std::uint32_t& bits) {
    on ? bits |= channel_bits(fault.channel) : bits &= ~channel_bits(fault.channel);
  };
  const auto for_circuits = [&](auto with) {
    for (std::size_t k = 0; k < device.circuits.size(); ++k) {
      if (device.circuits[k] == no_circuit || (fault.channel != 0 && fault.channel != k + 1)) {
        continue;
      }
      with(circuits_[device.circuits[k]]);
      settle(device.circuits[k]);
    }
  };
  switch (fault.kind) {
    case FaultKind::mute:
      device.faults.mute = on;
      break;
    case FaultKind::slow:
      device.faults.delay = on ? std::max(fault.delay, Duration::zero()) : Duration::zero();
      break;
    case FaultKind::garbage:
      device.faults.garbage = on;
      break;
    case FaultKind::not_a_number:
      device.faults.not_a_number = on;
      break;
    case FaultKind::stuck:
      for (std::uint8_t c = 1; on && !device.faults.stuck && c <= channels(fault.device); ++c) {
        for (const Measurand m : {Measurand::voltage, Measurand::current, Measurand::temperature}) {
          device.frozen[c - 1U][slot(m)] = true_measure(fault.device, c, m);
        }
      }
      device.faults.stuck = on;
      break;
    case FaultKind::link_dropped:
      device.faults.link_dropped = on;
      break;
    case FaultKind::ignores_output_off:
      device.faults.ignores_off = on;
      break;
    case FaultKind::sensor_lost:
      set_bits(device.faults.sensors_lost);
      break;
    case FaultKind::sensor_off_cell:
      set_bits(device.faults.sensors_off);
      break;
    case FaultKind::lead_off:
      for_circuits([&](Circuit& circuit) { circuit.lead_off = on; });
      break;
    case FaultKind::reversed:
      for_circuits([&](Circuit& circuit) { circuit.reversed = on; });
      break;
    case FaultKind::leads_loosened:
      for_circuits([&](Circuit& circuit) {
        circuit.loosened = ohms(on ? std::max(fault.value, 0.0) : 0.0);
      });
      break;
    case FaultKind::cell_heats:
      for_circuits([&](Circuit& circuit) {
        circuit.cell().set_extra_heat(watts(on ? std::max(fault.value, 0.0) : 0.0));
      });
      break;
    case FaultKind::knob_turned:
    case FaultKind::cell_swapped:
    case FaultKind::output_switched:
    case FaultKind::output_selected:
      break;  // happened; nothing lasts
  }
}

void Bench::clear(FaultKind kind, InstrumentId device) {
  if (device >= devices_.size()) return;
  apply({.kind = kind, .device = device}, false);
  log_.note({Event::Kind::fault_cleared, device, 0, now_, static_cast<double>(kind)});
}

void Bench::clear_all() {
  for (std::size_t d = 0; d < devices_.size(); ++d) {
    for (std::uint8_t k = 0; k < fault_kind_count; ++k) {
      apply({.kind = static_cast<FaultKind>(k), .device = static_cast<InstrumentId>(d)}, false);
    }
    log_.note({Event::Kind::fault_cleared, static_cast<InstrumentId>(d), 0, now_, -1});
  }
}

std::string Bench::identity(InstrumentId device) const {
  const auto& model = model_.devices[device];
  if (!model.identity.empty()) return model.identity;
  return "Chargewright,Simulated " + std::string(words(model.role)) + ',' + model.name + ",1.0";
}

InstrumentId Bench::find(std::string_view name) const {
  for (std::size_t k = 0; k < model_.devices.size(); ++k) {
    if (model_.devices[k].name == name) return static_cast<InstrumentId>(k);
  }
  return no_instrument;
}

}  // namespace chargewright::drivers::simulated

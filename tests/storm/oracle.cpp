#include "tests/storm/oracle.h"

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace chargewright::storm {

using namespace std::chrono_literals;
using drivers::Duration;
using drivers::in_seconds;
using drivers::Instant;
using drivers::InstrumentId;
using drivers::later;
using drivers::Measurand;
using drivers::simulated::FaultKind;
using safety::ChannelPlan;
using safety::Event;
using safety::State;

namespace {

// From knowing to off, beside the link's own time.
constexpr Duration act = 250ms;
// The guard's clock runs ahead of the bench's within one moment, by a nanosecond for each round.
constexpr Duration skew = 50us;
constexpr int longest_message = 64;  // bytes

template <class... Args>
std::string text(const char* format, Args... args) {
  std::array<char, 400> out{};
  std::snprintf(out.data(), out.size(), format, args...);
  return out.data();
}

bool is_in_table(State from, State to) {
  if (to == State::cutting) return true;  // an unlisted pair cuts, and is found by its cause
  return std::ranges::any_of(
      safety::table, [&](const safety::Row& row) { return row.from == from && row.to == to; });
}

bool may_be_on(State state) {
  return state == State::energised || state == State::cutting || state == State::unknown;
}

bool is_quiet(State state) {
  return state == State::off || state == State::tripped || state == State::arming ||
         state == State::ready;
}

drivers::simulated::Terminal at(const safety::Terminal& t) {
  return {t.instrument, std::max<std::uint8_t>(t.channel, 1)};
}

}  // namespace

Oracle::Oracle(const Scenario& scenario, daemon::WiredStage& stage, double overshoot_share)
    : scenario_(scenario),
      stage_(stage),
      devices_(scenario.model.devices.size()),
      channels_(scenario.bench.channels.size()),
      overshoots_(scenario, stage, overshoot_share) {
  for (std::size_t k = 0; k < devices_.size(); ++k) {
    const auto& model = scenario.links[k];
    devices_[k].respond = scenario.instruments[k].dialect.respond;
    devices_[k].whole_way = model.to_device + model.to_host;
  }
  for (const ChannelPlan& plan : scenario.plant.channels) allowed_.emplace_back(scenario, plan);
}

Oracle::Allowed::Allowed(const Scenario& scenario, const ChannelPlan& plan) {
  const safety::Ages ages(plan);
  Duration respond{};
  for (const auto& spec : scenario.instruments) respond = std::max(respond, spec.dialect.respond);
  recovery = 4 * respond;
  reading = plan.allowed_age + plan.every + recovery;
  knob = ages.readback + plan.every + recovery;
  // Off, everything is read five times slower.
  watch = ages.watched_reading + 5 * plan.every + recovery;
  panel = ages.watched_reading + ages.glitch + 5 * ages.protection_first + recovery;
  if (!plan.thermometers.empty()) {
    lag = 6 * scenario.model.devices[plan.thermometers.front().instrument].thermometer.lag;
  }
  back = 10 * plan.cut_stage + 4 * scenario.instruments[plan.source.instrument].dialect.respond;
}

void Oracle::violated(const char* claim, std::string what) {
  if (violation_) return;
  violation_ = Violation{claim, std::move(what), stage_.now()};
}

bool Oracle::needs(const ChannelPlan& plan, InstrumentId device) const {
  return plan.source.instrument == device || plan.voltmeter.instrument == device ||
         plan.ammeter.instrument == device ||
         std::ranges::any_of(plan.thermometers,
                             [&](const auto& t) { return t.instrument == device; });
}

// There and back, with what troubles the link now, and the pauses before what goes first: a message
// that has just left, and of each other output an off and two setpoints.
Duration Oracle::way(InstrumentId device) const {
  const auto& trouble = stage_.link(device).trouble;
  const auto outputs = std::ranges::count_if(
      scenario_.plant.channels,
      [&](const ChannelPlan& plan) { return plan.source.instrument == device; });
  Duration way = devices_[device].whole_way + 2 * trouble.late +
                 (1 + 3 * outputs) * scenario_.instruments[device].dialect.between;
  if (trouble.piece > 0) {
    // An off may wait behind the rest of another message that has begun, and of three urgent ones.
    const auto pieces = static_cast<int>(5 * longest_message / trouble.piece) + 1;
    way += pieces * std::max(trouble.between_pieces, Duration{1});
  }
  return way;
}

// ---- what is broken -----------------------------------------------------------------------------

void Oracle::look_at_devices(Instant now) {
  const auto& bench = stage_.bench();
  for (std::size_t k = 0; k < devices_.size(); ++k) {
    const auto id = static_cast<InstrumentId>(k);
    Device& device = devices_[k];
    const auto& faults = bench.faults(id);
    const auto& link = stage_.link(id);
    const bool reached = link.is_up() && !link.trouble.stalled && !faults.link_dropped;
    device.reached.see(reached, now);
    const Duration now_takes = way(id);
    if (now_takes < device.way) {
      device.underway_until = std::max(device.underway_until, later(device.sent_at, device.way));
    }
    device.way = now_takes;
    device.sent_at = now;
    device.speaks = reached && !faults.mute && !faults.garbage && faults.delay <= device.respond;
    const auto& meter = scenario_.model.devices[k].meter;
    const Duration troubled = faults.delay + now_takes - device.whole_way;
    const bool quick =
        troubled < device.respond / 4 && troubled + device.whole_way < device.respond;
    device.honest.see(device.speaks && quick && !link.trouble.twice && !faults.not_a_number &&
                          !faults.stuck && faults.sensors_lost == 0 && faults.sensors_off == 0 &&
                          meter.gain == 1,
                      now);
  }
}

// ---- one moment ---------------------------------------------------------------------------------

void Oracle::moment() {
  if (violation_) return;
  const Instant now = stage_.bench().now();
  look_at_devices(now);
  look_at_log();  // an output that went on by itself is told by that name
  for (std::uint8_t k = 0; k < channels_.size(); ++k) look_at(k, now);
  befallen();
}

void Oracle::befallen() {
  if (violation_) return;
  look_at_log();
  judge(overshoots_.look(stage_.bench().now()));
}

void Oracle::arrived() {
  if (!violation_) judge(overshoots_.look_at_cells(stage_.bench().now()));
}

void Oracle::look_at_log() {
  using drivers::simulated::Event;
  const auto& log = stage_.bench().log();
  for (log_seen_ = std::max(log_seen_, log.first()); log_seen_ < log.total(); ++log_seen_) {
    const Event& event = log.at(log_seen_);
    if (event.kind == Event::Kind::output_on) switched_on(event);
    if (event.kind != Event::Kind::fault_injected) continue;
    const auto kind = static_cast<FaultKind>(event.value);
    if (kind != FaultKind::cell_heats && kind != FaultKind::cell_swapped) continue;
    for (std::uint8_t k = 0; k < channels_.size(); ++k) {
      const auto source = at(scenario_.plant.channels[k].source);
      const bool meant = event.channel == 0 || event.channel == source.channel;
      if (source.device != event.device || !meant) continue;
      if (kind == FaultKind::cell_heats) overshoots_.cell_heats(k);
      if (kind == FaultKind::cell_swapped) overshoots_.cell_swapped(k);
    }
  }
}

void Oracle::switched_on(const drivers::simulated::Event& event) {
  for (std::size_t k = 0; k < channels_.size(); ++k) {
    const Channel& channel = channels_[k];
    const auto source = at(scenario_.plant.channels[k].source);
    if (source.device != event.device || source.channel != event.channel) continue;
    if (channel.panel_at != never && event.at - channel.panel_at <= skew) continue;
    // On, tripped and off may all be of one moment.
    const bool may = may_be_on(channel.state) || channel.may_have_been_on_until >= event.at - skew;
    if (!may) {
      violated("switched-on", text("channel %zu: the output was switched on while %s", k,
                                   safety::key_of(channel.state).data()));
    }
    if (channel.latched && channel.state_at < event.at - skew) {
      violated("switched-on-latched", text("channel %zu: switched on with a trip latched", k));
    }
  }
}

void Oracle::count(Channel& channel, double i, double v, bool on, Instant now) {
  // What a hand lets flow between two parts of a run is not the run's.
  const bool by_hand = channel.panel_at != never && is_quiet(channel.state);
  if (channel.last_moment != never && !by_hand) {
    if (on && channel.was_on) channel.on_time += now - channel.last_moment;
    const double dt = in_seconds(now - channel.last_moment);
    const double power = i * v;
    channel.charge += 0.5 * (i + channel.last_i) * dt;
    channel.energy += 0.5 * (power + channel.last_p) * dt;
  }
  channel.last_moment = now;
  channel.was_on = on;
  channel.last_i = i;
  channel.last_p = i * v;
  channel.i_max = std::max(channel.i_max, i);
}

void Oracle::look_at(std::uint8_t index, Instant now) {
  Channel& channel = channels_[index];
  const ChannelPlan& plan = scenario_.plant.channels[index];
  auto& bench = stage_.bench();
  const auto& circuit = bench.circuit(index);
  const auto source = at(plan.source);
  const auto& output = bench.output(source.device, source.channel);
  const double i = circuit.current().value();
  const double v = circuit.voltage().value();
  count(channel, i, v, output.is_on(), now);
  const bool flows = i > plan.off_current.value() * 1.05 + 0.001;
  channel.flows.see(flows, now);
  const auto& source_faults = bench.faults(source.device);
  channel.obeys.see(devices_[source.device].reached.at != never && !source_faults.ignores_off, now);
  const auto relay = plan.contactor ? plan.contactor->instrument : drivers::no_instrument;
  channel.opens.see(
      plan.contactor && devices_[relay].reached.at != never && !bench.faults(relay).ignores_off,
      now);

  const auto is_blind = [&](const safety::Terminal& terminal) {
    const auto& device = devices_[terminal.instrument];
    const auto& faults = bench.faults(terminal.instrument);
    const std::uint32_t bit = 1U << (std::max<std::uint8_t>(terminal.channel, 1) - 1U);
    return !device.speaks || faults.not_a_number || (faults.sensors_lost & bit) != 0;
  };
  channel.blind[0].see(is_blind(plan.source), now);
  channel.blind[1].see(is_blind(plan.voltmeter), now);
  channel.blind[2].see(is_blind(plan.ammeter), now);
  for (std::size_t k = 0; k < plan.thermometers.size(); ++k) {
    channel.blind[3 + k].see(is_blind(plan.thermometers[k]), now);
  }
  const bool honest_current = devices_[plan.ammeter.instrument].honest.at != never &&
                              devices_[source.device].honest.at != never;
  const bool honest_voltage = devices_[plan.voltmeter.instrument].honest.at != never;
  channel.crooked = channel.crooked || !honest_current || !honest_voltage || circuit.lead_off ||
                    circuit.reversed || stage_.sequencers_hang;

  channel.hot.see(is_hot(index), now);
  // Into a lead that is off, or a full cell, nothing flows, yet it is not off (S4).
  const bool joined = !plan.contactor || bench.is_closed(relay, at(*plan.contactor).channel);
  if (output.is_on() && joined && is_quiet(channel.state) && channel.panel_at == never) {
    violated("on-while-off", text("channel %d: the output is on while %s", index,
                                  safety::key_of(channel.state).data()));
  }

  if (!flows) {  // nothing to be feared; clocks start anew
    channel.turned.at = channel.hung.at = never;
    channel.charge_beyond.at = channel.energy_beyond.at = channel.time_beyond.at = never;
    channel.voltage.at = channel.current.at = channel.power.at = channel.temperature.at = never;
    channel.voltage_low.at = channel.temperature_low.at = never;
    return;
  }
  const double dv = std::abs(output.voltage_setpoint().value() - channel.told_volts);
  const double di = std::abs(output.current_setpoint().value() - channel.told_amperes);
  const bool turned = channel.state == State::energised && (dv > 0.0065 || di > 0.0065);
  channel.turned.see(
      turned && plan.abilities.reads_setpoints && devices_[source.device].honest.at != never, now);
  channel.hung.see(stage_.sequencers_hang && channel.state == State::energised, now);
  if (channel.job != nullptr && channel.enforced) {
    const safety::Limits& limits = channel.job->checked.plan.limits;
    channel.voltage.see(honest_voltage && limits.voltage_above &&
                            v > limits.voltage_above->value.value() + 0.001 + 0.0005 * v,
                        now);
    channel.current.see(honest_current && limits.current_above &&
                            i > limits.current_above->value.value() + 0.001 + 0.0005 * i,
                        now);
    channel.power.see(honest_current && honest_voltage && limits.power_above &&
                          i * v > limits.power_above->value.value() * 1.01 + 0.01,
                      now);
    const bool honest_warmth = std::ranges::all_of(plan.thermometers, [&](const auto& t) {
      return devices_[t.instrument].honest.at != never;
    });
    channel.temperature.see(
        !plan.thermometers.empty() && honest_warmth && limits.temperature_above &&
            circuit.temperature().value() > limits.temperature_above->value.value() + 0.3,
        now);
    channel.temperature_low.see(
        !plan.thermometers.empty() && honest_warmth && limits.temperature_below &&
            circuit.temperature().value() < limits.temperature_below->value.value() - 0.3,
        now);
    // Through the leads the source sees more than the cell has.
    const bool at_cell = !(plan.voltmeter == plan.source);
    channel.voltage_low.see(
        at_cell && honest_voltage && limits.voltage_below &&
            v < limits.voltage_below->value.value() - 0.001 - 0.0005 * std::abs(v),
        now);
  }
  look_at_totals(index, channel, v, now);
  look_at_flow(index, channel, now);
}

Oracle::Open Oracle::open(std::uint8_t index, double volts) const {
  const Channel& channel = channels_[index];
  const double every = in_seconds(scenario_.plant.channels[index].every);
  const double unseen = channel.i_max * every * (2.0 * channel.switchings + 3);
  return {unseen + 0.002 * channel.charge,
          unseen * std::max(volts, 1.0) * 1.5 + 0.004 * channel.energy};
}

// What flowed, and how long the output was on, beyond their limits (S2).
void Oracle::look_at_totals(std::uint8_t index, Channel& channel, double volts, Instant now) {
  const bool counts = channel.job != nullptr && channel.enforced;
  if (!counts) {
    channel.charge_beyond.at = channel.energy_beyond.at = channel.time_beyond.at = never;
    return;
  }
  const safety::Limits& limits = channel.job->checked.plan.limits;
  const Open open = this->open(index, volts);
  channel.charge_beyond.see(!channel.crooked && limits.charge_above &&
                                channel.charge > limits.charge_above->value.value() + open.charge,
                            now);
  // Of a cell whose voltage is read at the source, more is counted than it gets.
  channel.energy_beyond.see(!channel.crooked && limits.energy_above &&
                                channel.energy > limits.energy_above->value.value() + open.energy,
                            now);
  // An order to switch and what is said of it may be apart by what an answer may take.
  const InstrumentId source = scenario_.plant.channels[index].source.instrument;
  const Duration each = devices_[source].respond + way(source);
  channel.time_beyond.see(
      limits.run_time &&
          channel.on_time > limits.run_time->value + (channel.output_switchings + 1) * each,
      now);
}

void Oracle::look_at_flow(std::uint8_t index, Channel& channel, Instant now) {
  const ChannelPlan& plan = scenario_.plant.channels[index];
  const auto source = at(plan.source);
  const auto& output = stage_.bench().output(source.device, source.channel);
  const bool by_hand = channel.panel_at != never;
  const bool quiet = is_quiet(channel.state);
  if (quiet && !by_hand) {
    violated("flows-while-off", text("channel %d: %.3f A flow while %s", index,
                                     stage_.bench().circuit(index).current().value(),
                                     safety::key_of(channel.state).data()));
  }
  if (channel.job != nullptr && channel.state == State::energised && channel.turned.at == never) {
    const auto& run = channel.job->checked.plan;
    const double most = run.full.value() + run.lead_compensation_max.value() + 0.006;
    // A knob that was turned a moment ago is seen as `turned` above.
    if (output.voltage_setpoint().value() > most &&
        std::abs(output.voltage_setpoint().value() - channel.told_volts) < 0.0065) {
      violated("setpoint", text("channel %d: voltage setpoint %.4f V above %.4f V", index,
                                output.voltage_setpoint().value(), most));
    }
  }
  const Allowed& allowed = allowed_[index];
  if (quiet && channel.state != State::ready) channel.watched_until = now;
  // An output that a hand switched on while no run was under way, on a source that cannot be read,
  // is known to nobody until it can be (below); and then cut by an off that is written anew.
  const Instant blind_since = channel.blind_since();
  const bool unseen = by_hand && blind_since != never;
  const Instant blind = unseen ? std::max(blind_since, channel.watched_until) : blind_since;
  must_stop(index, channel, {"blind", blind, plan.allowed_age + 50ms}, now);
  if (channel.state == State::energised) {
    must_stop(index, channel, {"stale", oldest_reading(index, channel), plan.allowed_age + 50ms},
              now);
  }
  must_stop(index, channel, {"knob", channel.turned.at, allowed.knob}, now);
  must_stop(index, channel, {"sequencer", channel.hung.at, plan.heartbeat + 50ms}, now);
  must_stop(index, channel, {"cut-wanted", channel.cut_wanted_at, 0ms}, now);
  must_stop(index, channel, {"restart", channel.restarted_at, 0ms}, now);
  if (by_hand && quiet) {
    const bool honest = devices_[plan.ammeter.instrument].honest.at != never &&
                        devices_[source.device].honest.at != never;
    const Instant since = honest ? std::max(channel.panel_at, channel.flows.at) : never;
    must_stop(index, channel,
              {"panel", since == never ? never : std::max(since, devices_[source.device].honest.at),
               allowed.panel},
              now);
  }
  if (channel.job == nullptr) return;
  const safety::Limits& limits = channel.job->checked.plan.limits;
  const Duration reading = allowed.reading;
  const auto delay = [](const auto& limit) { return limit ? limit->on_delay : Duration::zero(); };
  must_stop(index, channel, {"voltage", channel.voltage.at, reading + delay(limits.voltage_above)},
            now);
  must_stop(index, channel,
            {"voltage-low", channel.voltage_low.at, reading + delay(limits.voltage_below)}, now);
  must_stop(index, channel, {"current", channel.current.at, reading + delay(limits.current_above)},
            now);
  must_stop(index, channel, {"power", channel.power.at, reading + delay(limits.power_above)}, now);
  must_stop(index, channel,
            {"charge", channel.charge_beyond.at, reading + delay(limits.charge_above)}, now);
  must_stop(index, channel,
            {"energy", channel.energy_beyond.at, reading + delay(limits.energy_above)}, now);
  must_stop(index, channel,
            {"run-time", channel.time_beyond.at, plan.every + 50ms + delay(limits.run_time)}, now);
  if (!plan.thermometers.empty()) {
    must_stop(index, channel,
              {"temperature", channel.temperature.at,
               reading + allowed.lag + delay(limits.temperature_above)},
              now);
    must_stop(index, channel,
              {"temperature-low", channel.temperature_low.at,
               reading + allowed.lag + delay(limits.temperature_below)},
              now);
  }
}

void Oracle::must_have_stopped(std::uint8_t index, const Channel& channel, const char* claim,
                               Instant known, Instant now) {
  const ChannelPlan& plan = scenario_.plant.channels[index];
  // Where the way was not there all the time: what a recovery takes, and the next repeat.
  const InstrumentId source = plan.source.instrument;
  const Duration back = allowed_[index].back + way(source);
  // A link keeps the order of its bytes: an order that is sent at s, in a way that takes w, is
  // there at the later of s + w and the arrival of all that was sent before.
  const auto late = [&](const Since& can, Duration acts, InstrumentId by) {
    return can.at != never && now > later(known, acts + way(by)) &&
           now > devices_[by].underway_until && now > later(can.at, back);
  };
  // A hand that switches it on again after an off waits for the next one.
  const bool by_hand = channel.panel_at != never && now <= later(channel.panel_at, back);
  const char* who = nullptr;
  if (late(channel.obeys, act, source) && !by_hand) who = "the source would obey";
  if (plan.contactor &&
      late(channel.opens, 2 * plan.cut_stage + act + 100ms, plan.contactor->instrument)) {
    who = "the contactor would open";
  }
  if (who == nullptr) return;
  violated(claim,
           text("channel %d: current flows %.3f s after it should be known (%s, %s), though %s",
                index, in_seconds(now - known), claim, safety::key_of(channel.state).data(), who));
}

// ---- the record ---------------------------------------------------------------------------------

void Oracle::see(const Event& event) {
  if (violation_ || event.channel >= channels_.size()) return;
  Channel& channel = channels_[event.channel];
  switch (event.kind) {
    case Event::Kind::reading:
      return reading(event);
    case Event::Kind::state_changed:
      return state_changed(event);
    case Event::Kind::cause_present:
      if (event.fault.cause == safety::Cause::guard_internal) {
        violated("guard-internal", text("channel %d: the guard found a fault of its own while %s",
                                        event.channel, safety::key_of(channel.state).data()));
      }
      return;
    case Event::Kind::tripped:
      channel.latched = true;
      channel.trip = event.fault;
      channel.acknowledged = false;
      if (channel.state != State::tripped) {
        violated("record", text("channel %d: `tripped` told while %s", event.channel,
                                safety::key_of(channel.state).data()));
      }
      if (scenario_.calm && event.fault.cause != safety::Cause::temperature_high &&
          event.fault.cause != safety::Cause::temperature_low) {
        violated("calm", text("channel %d: nothing was wrong, yet it tripped: %s", event.channel,
                              safety::describe(event.fault).c_str()));
      }
      return;
    case Event::Kind::acknowledged:
      return acknowledged(event);
    case Event::Kind::setpoints_set:
      channel.told_volts = event.volts;
      channel.told_amperes = event.amperes;
      ++channel.switchings;
      return;
    case Event::Kind::output_changed:
      ++channel.switchings;
      ++channel.output_switchings;
      return;
    default:
      return;
  }
}

void Oracle::state_changed(const Event& event) {
  Channel& channel = channels_[event.channel];
  if (event.from != channel.state || !is_in_table(event.from, event.to)) {
    violated("record", text("channel %d: from %s to %s told, while %s", event.channel,
                            safety::key_of(event.from).data(), safety::key_of(event.to).data(),
                            safety::key_of(channel.state).data()));
  }
  if (event.from == State::tripped && event.to == State::unknown && !channel.acknowledged) {
    violated("record", text("channel %d: left `tripped` unacknowledged", event.channel));
  }
  if (event.to == State::unknown &&
      (event.from == State::energised || event.from == State::ready)) {
    tallies(event.channel, event.at);
  }
  if (may_be_on(channel.state)) channel.may_have_been_on_until = event.at;
  const Instant began = channel.state_at;  // the state that is left
  channel.state = event.to;
  channel.state_at = event.at;
  if (event.to == State::energised) channel.panel_at = never;  // on is what is wanted now
  if (event.to == State::ready && event.from == State::arming) {
    channel.enforced = true;
    channel.armed = channel.job;
    if (channel.panel_at < began) channel.panel_at = never;  // arming began by proving it off
    if (!channel.goes_on) {
      channel.crooked = false;
      channel.charge = channel.energy = channel.i_max = 0;
      channel.on_time = {};
      channel.switchings = channel.output_switchings = 0;
    }
    if (channel.job != nullptr) overshoots_.enforced(event.channel, *channel.job);
  }
  if (event.to == State::off || event.to == State::tripped) channel.restarted_at = never;
  if (event.to == State::unknown || event.to == State::tripped) {
    channel.enforced = false;
    channel.cut_wanted_at = never;
    overshoots_.released(event.channel);
  }
}

// A person's word is not enough while a thermometer shows too much (S5).
void Oracle::acknowledged(const Event& event) {
  Channel& channel = channels_[event.channel];
  const bool tripped = channel.state == State::tripped;
  if (tripped && channel.hot.holds_for(allowed_[event.channel].watch, event.at)) {
    violated("acknowledged-hot", text("channel %d: acknowledged though a thermometer shows more "
                                      "than its limit",
                                      event.channel));
  }
  channel.latched = false;
  channel.acknowledged = true;
}

bool Oracle::is_hot(std::uint8_t index) const {
  const Channel& channel = channels_[index];
  const auto& thermometers = scenario_.plant.channels[index].thermometers;
  if (channel.armed == nullptr || !channel.armed->checked.plan.limits.temperature_above)
    return false;
  const double most = channel.armed->checked.plan.limits.temperature_above->value.value();
  return std::ranges::all_of(
             thermometers,
             [&](const auto& t) { return devices_[t.instrument].honest.at != never; }) &&
         std::ranges::any_of(thermometers, [&](const auto& t) {
           const auto shown =
               stage_.bench().measure(t.instrument, at(t).channel, Measurand::temperature);
           return shown && *shown > most + 0.001;
         });
}

// What was read must have been answered by that device, to that question, in that time (S3).
void Oracle::reading(const Event& event) {
  const auto& r = event.reading;
  if (!r.valid()) return;
  ++readings_;
  Channel& channel = channels_[event.channel];
  const auto& thermometers = scenario_.plant.channels[event.channel].thermometers;
  const std::size_t place = event.at_source ? 2 : 0;
  if (r.measurand == Measurand::voltage) channel.read_at[place] = r.asked;
  if (r.measurand == Measurand::current) channel.read_at[place + 1] = r.asked;
  for (std::size_t k = 0; r.measurand == Measurand::temperature && k < thermometers.size(); ++k) {
    if (thermometers[k] == safety::Terminal{r.instrument, r.input}) {
      channel.read_at[4 + k] = r.asked;
    }
  }
  if (!stage_.bench().has_answered(r.instrument, std::max<std::uint8_t>(r.input, 1), r.measurand,
                                   r.value, r.asked - skew, r.answered + skew)) {
    violated("attribution",
             text("channel %d: %s/%d is said to have shown %.9g (measurand %d), and did not",
                  event.channel, scenario_.bench.instruments[r.instrument].name.c_str(), r.input,
                  r.value, static_cast<int>(r.measurand)));
  }
}

Instant Oracle::oldest_reading(std::uint8_t index, const Channel& channel) const {
  const ChannelPlan& plan = scenario_.plant.channels[index];
  Instant oldest = std::min(channel.read_at[0], channel.read_at[1]);
  if (!(plan.voltmeter == plan.source)) oldest = std::min(oldest, channel.read_at[2]);
  if (!(plan.ammeter == plan.source)) oldest = std::min(oldest, channel.read_at[3]);
  for (std::size_t k = 0; k < plan.thermometers.size(); ++k) {
    oldest = std::min(oldest, channel.read_at[4 + k]);
  }
  return oldest;
}

// The tallies are a trapezoid over readings: wrong by what current and time between two readings
// leave open at each switching, and by the rounding of the readback.
void Oracle::tallies(std::uint8_t index, Instant) {
  Channel& channel = channels_[index];
  // What went before an interruption is in part what may have flowed, not what did.
  if (channel.crooked || !channel.enforced || channel.goes_on) return;
  const auto& snapshot = stage_.channel(index);
  const Open open = this->open(index, stage_.bench().circuit(index).voltage().value());
  if (std::abs(snapshot.charge_in - channel.charge) > open.charge) {
    violated("tally", text("channel %d: %.3f C counted, %.3f C flowed; %.3f C are allowed", index,
                           snapshot.charge_in, channel.charge, open.charge));
  }
  const bool at_cell =
      !(scenario_.plant.channels[index].voltmeter == scenario_.plant.channels[index].source);
  if (at_cell && std::abs(snapshot.energy_in - channel.energy) > open.energy) {
    violated("tally", text("channel %d: %.3f J counted, %.3f J flowed; %.3f J are allowed", index,
                           snapshot.energy_in, channel.energy, open.energy));
  }
}

// ---- what people do -----------------------------------------------------------------------------

void Oracle::cut_wanted(std::uint8_t index) {
  if (channels_[index].cut_wanted_at == never) channels_[index].cut_wanted_at = stage_.now();
}
void Oracle::panel(std::uint8_t index) { channels_[index].panel_at = stage_.bench().now(); }
void Oracle::run_began(std::uint8_t index, const Job& job) {
  channels_[index].job = &job;
  channels_[index].goes_on = false;
}

std::vector<safety::Fault> Oracle::restart() {
  std::vector<safety::Fault> trips;
  const Instant now = stage_.now();
  for (std::size_t k = 0; k < channels_.size(); ++k) {
    Channel& channel = channels_[k];
    // A trip that is latched, or the marker of an armed run.
    const bool armed = channel.state != State::off && channel.state != State::tripped;
    if (channel.latched || armed) {
      safety::Fault trip = channel.trip;
      if (!channel.latched) {
        trip = {.cause = safety::Cause::guard_internal, .at = now};
      }
      trip.channel = static_cast<std::uint8_t>(k);
      trips.push_back(trip);
      channel.trip = trip;  // the next life finds it, too, until a person has acknowledged it
    }
    channel.may_have_been_on_until = now;
    channel.state = State::unknown;
    channel.state_at = channel.restarted_at = now;
    channel.latched = channel.latched || armed;
    channel.acknowledged = false;
    channel.enforced = false;
    channel.armed = nullptr;  // this stage restores trips, and no limits
    channel.cut_wanted_at = never;
    overshoots_.released(static_cast<std::uint8_t>(k));
  }
  return trips;
}

void Oracle::end(bool all_off) {
  if (!all_off) violated("never-off", "nothing is broken any more, yet not every channel is off");
  if (stage_.endless_moments() > 0) violated("endless", "work at one moment did not end");
}

}  // namespace chargewright::storm

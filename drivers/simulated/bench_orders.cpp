// The bench's seam of orders: what the conversation with a real instrument would end in.
#include <cmath>

#include "drivers/simulated/bench.h"

namespace chargewright::drivers::simulated {
namespace {

constexpr std::int32_t out_of_range = -222;       // SCPI-1999 vol. 2 ch. 21: Data out of range
constexpr std::int32_t settings_conflict = -221;  // Settings conflict

}  // namespace

Outcome Bench::obey(const Order& order, Instant now) {
  advance(now);
  Outcome outcome{.order = order, .asked = now, .answered = now};
  if (order.instrument >= devices_.size()) return outcome;  // refused
  const std::uint8_t channel = order.channel == 0 ? std::uint8_t{1} : order.channel;
  const DeviceFaults& faults = devices_[order.instrument].faults;
  if (channel > channels(order.instrument) || !std::isfinite(order.value)) return outcome;
  if (faults.link_dropped) {
    outcome.ending = Ending::link_down;
    return outcome;
  }
  outcome.ending = carry_out(order, channel, outcome.value, outcome.device_error);
  if (outcome.ending == Ending::absent) return outcome;  // nothing is ever sent
  const Duration wait = model_.devices[order.instrument].latency + faults.delay;
  if (faults.mute || wait > model_.answer_deadline) {
    outcome.ending = Ending::timed_out;
    outcome.value = 0;
    outcome.device_error = 0;
    outcome.answered = later(now, model_.answer_deadline);
    return outcome;
  }
  outcome.answered = later(now, wait);
  if (faults.garbage) {
    outcome.ending = Ending::unparsable;
    outcome.value = 0;
    outcome.device_error = 0;
  }
  return outcome;
}

Ending Bench::carry_out(const Order& order, std::uint8_t channel, double& value,
                        std::int32_t& error) {
  const Role role = model_.devices[order.instrument].role;
  const auto measured = [&](Measurand measurand) {
    const auto shown = measure(order.instrument, channel, measurand);
    value = shown.value_or(0);
    return shown ? Ending::done : Ending::not_a_number;
  };
  switch (order.verb) {
    case Verb::identify:
      value = 1;
      return Ending::done;
    case Verb::drain_errors:
      value = 0;
      return Ending::done;
    case Verb::measure_voltage:
      if (role != Role::supply && role != Role::meter) return Ending::absent;
      return measured(Measurand::voltage);
    case Verb::measure_current:
      if (role != Role::supply && role != Role::meter) return Ending::absent;
      return measured(Measurand::current);
    case Verb::measure_temperature:
      if (role != Role::thermometer) return Ending::absent;
      return measured(Measurand::temperature);
    case Verb::open_switch:
    case Verb::close_switch:
    case Verb::read_switch: {
      if (role != Role::contactor) return Ending::absent;
      const bool wanted = order.verb == Verb::close_switch;
      if (order.verb != Verb::read_switch) set_switch(order.instrument, channel, wanted);
      const bool closed = is_closed(order.instrument, channel);
      value = closed ? 1 : 0;
      return order.verb == Verb::read_switch || closed == wanted ? Ending::done : Ending::disproved;
    }
    case Verb::set_voltage:
    case Verb::set_current:
    case Verb::read_voltage_setpoint:
    case Verb::read_current_setpoint:
    case Verb::output_on:
    case Verb::output_off:
    case Verb::read_output:
    case Verb::set_over_voltage:
    case Verb::set_over_current:
    case Verb::read_protection:
    case Verb::clear_protection:
    case Verb::read_regulation:
      break;
  }
  if (role != Role::supply) return Ending::absent;
  return carry_out_supply(order, channel, value, error);
}

Ending Bench::carry_out_supply(const Order& order, std::uint8_t channel, double& value,
                               std::int32_t& error) {
  SupplyOutput& out = output(order.instrument, channel);
  const SupplyModel& model = out.model();
  const auto set = [&](bool accepted, auto(SupplyOutput::*readback)() const) {
    if (!accepted) {
      error = out_of_range;
      return Ending::device_error;
    }
    changed(order.instrument, channel);
    value = (out.*readback)().value();
    return Ending::done;
  };
  const auto answer = [&](double is) {
    value = is;
    return Ending::done;
  };
  switch (order.verb) {
    case Verb::set_voltage:
      if (model.fixed) return Ending::absent;
      return set(out.set_voltage(volts(order.value)), &SupplyOutput::voltage_setpoint);
    case Verb::set_current:
      if (model.fixed) return Ending::absent;
      return set(out.set_current(amperes(order.value)), &SupplyOutput::current_setpoint);
    case Verb::read_voltage_setpoint:
      return answer(out.voltage_setpoint().value());
    case Verb::read_current_setpoint:
      return answer(out.current_setpoint().value());
    case Verb::output_on:
    case Verb::output_off: {
      if (model.fixed) return Ending::absent;
      const bool wanted = order.verb == Verb::output_on;
      if (!switch_output(order.instrument, channel, wanted)) {
        error = settings_conflict;
        return Ending::device_error;
      }
      value = out.is_on() ? 1 : 0;
      return out.is_on() == wanted ? Ending::done : Ending::disproved;
    }
    case Verb::read_output:
      return answer(out.is_on() ? 1 : 0);
    case Verb::set_over_voltage:
      if (!model.has_over_voltage) return Ending::absent;
      out.arm_over_voltage(true);
      return set(out.set_over_voltage(volts(order.value)), &SupplyOutput::over_voltage);
    case Verb::set_over_current:
      if (!model.has_over_current) return Ending::absent;
      out.arm_over_current(true);
      return set(out.set_over_current(amperes(order.value)), &SupplyOutput::over_current);
    case Verb::read_protection:
      if (!model.has_over_voltage && !model.has_over_current) return Ending::absent;
      return answer((out.over_voltage_tripped() ? 1 : 0) + (out.over_current_tripped() ? 2 : 0));
    case Verb::clear_protection:
      if (!model.has_over_voltage && !model.has_over_current) return Ending::absent;
      out.clear_over_voltage();
      out.clear_over_current();
      return answer(0);
    case Verb::read_regulation:
      switch (out.regulation()) {
        case Regulation::constant_voltage:
          return answer(1);
        case Regulation::constant_current:
          return answer(2);
        case Regulation::off:
        case Regulation::constant_power:
          return answer(0);
      }
      break;
    case Verb::identify:
    case Verb::drain_errors:
    case Verb::measure_voltage:
    case Verb::measure_current:
    case Verb::measure_temperature:
    case Verb::open_switch:
    case Verb::close_switch:
    case Verb::read_switch:
      break;
  }
  return Ending::absent;
}

}  // namespace chargewright::drivers::simulated

#include "safety/fault.h"

#include <cmath>

#include "drivers/quantity_text.h"
#include "safety/limits.h"

namespace chargewright::safety {
namespace {

using drivers::to_text;

enum class Unit {
  volt,
  ampere,
  watt,
  celsius,
  kelvin,
  kelvin_per_second,
  coulomb,
  joule,
  second,
};
enum class Shape { plain, above, below, against };

struct Words {
  std::string_view key;
  std::string_view sentence;  // begins it; values follow by shape
  Unit unit = Unit::volt;     // of the values, where the shape says that they follow
  Shape shape = Shape::plain;
};

constexpr Words words_of(Cause cause) {
  switch (cause) {
    case Cause::operator_cut:
      return {"operator-cut", "cut by the operator"};
    case Cause::guard_internal:
      return {"guard-internal", "the guard found a fault in itself"};
    case Cause::dead_man_lost:
      return {"dead-man-lost", "the dead-man process has ended or does not answer"};
    case Cause::polarity_reversed:
      return {"polarity-reversed", "the cell lies the wrong way round", Unit::volt, Shape::against};
    case Cause::cell_changed:
      return {"cell-changed", "the voltage at rest leapt, as if another cell lay there", Unit::volt,
              Shape::against};
    case Cause::voltage_high:
      return {"voltage-high", "voltage", Unit::volt, Shape::above};
    case Cause::temperature_high:
      return {"temperature-high", "temperature", Unit::celsius, Shape::above};
    case Cause::temperature_rising:
      return {"temperature-rising", "temperature rises by", Unit::kelvin_per_second, Shape::above};
    case Cause::current_high:
      return {"current-high", "current", Unit::ampere, Shape::above};
    case Cause::current_reverse:
      return {"current-reverse", "current out of the cell", Unit::ampere, Shape::above};
    case Cause::power_high:
      return {"power-high", "power", Unit::watt, Shape::above};
    case Cause::voltage_low:
      return {"voltage-low", "voltage", Unit::volt, Shape::below};
    case Cause::temperature_low:
      return {"temperature-low", "temperature", Unit::celsius, Shape::below};
    case Cause::charge_high:
      return {"charge-high", "charge", Unit::coulomb, Shape::above};
    case Cause::energy_high:
      return {"energy-high", "energy", Unit::joule, Shape::above};
    case Cause::run_time:
      return {"run-time", "time with the output on", Unit::second, Shape::above};
    case Cause::step_time:
      return {"step-time", "time in the step", Unit::second, Shape::above};
    case Cause::reading_unusable:
      return {"reading-unusable", "not a number, infinite or unreadable"};
    case Cause::reading_stale:
      return {"reading-stale", "age of the reading", Unit::second, Shape::above};
    case Cause::conversation_failing:
      return {"conversation-failing", "the instrument does not answer"};
    case Cause::protection_tripped:
      return {"protection-tripped", "the instrument's own protection has tripped"};
    case Cause::output_on_unbidden:
      return {"output-on-unbidden", "the output is on though it was ordered off"};
    case Cause::output_off_unbidden:
      return {"output-off-unbidden", "the output is off though it was ordered on"};
    case Cause::setpoint_changed:
      return {"setpoint-changed", "the setpoint read back differs from the one written"};
    case Cause::circuit_open:
      return {"circuit-open", "no current though the output stands at its voltage: a lead is off"};
    case Cause::leads_loose:
      return {"leads-loose", "the leads drop more than their resistance explains", Unit::volt,
              Shape::against};
    case Cause::readings_disagree:
      return {"readings-disagree", "source and meter disagree"};
    case Cause::sensor_off_cell:
      return {"sensor-off-cell", "it does not follow the cell, its change", Unit::kelvin,
              Shape::against};
    case Cause::sensor_stuck:
      return {"sensor-stuck", "time without one digit of change while power flows", Unit::second,
              Shape::above};
    case Cause::sequencer_late:
      return {"sequencer-late", "time since the sequencer's last heartbeat", Unit::second,
              Shape::above};
    case Cause::none:
      break;
  }
  return {"none", "no fault"};
}

std::string with_unit(double value, Unit unit) {
  // What has no finite value has no text with a unit; Duration could not even hold it.
  if (!std::isfinite(value)) return std::isnan(value) ? "not a number" : "infinite";
  switch (unit) {
    case Unit::volt:
      return to_text(drivers::volts(value));
    case Unit::ampere:
      return to_text(drivers::amperes(value));
    case Unit::watt:
      return to_text(drivers::watts(value));
    case Unit::celsius:
      return to_text(drivers::celsius(value));
    case Unit::kelvin:
      return to_text(drivers::kelvins(value));
    case Unit::kelvin_per_second:
      return to_text(drivers::kelvins_per_second(value));
    case Unit::coulomb:
      return to_text(drivers::coulombs(value));
    case Unit::joule:
      return to_text(drivers::joules(value));
    case Unit::second:
      break;
  }
  if (std::abs(value) > 1e9) return "unbounded (never seen)";
  return to_text(drivers::seconds(value));
}

bool is_temperature(Cause cause) {
  return cause == Cause::temperature_high || cause == Cause::temperature_low ||
         cause == Cause::temperature_rising;
}

bool names_subject(Cause cause) {
  return is_temperature(cause) ||
         (cause >= Cause::reading_unusable && cause <= Cause::sensor_stuck);
}

std::string name_of(std::uint8_t sensor) {
  if (sensor < static_cast<std::uint8_t>(Subject::cell_voltage)) {
    return "thermometer " + std::to_string(sensor + 1);
  }
  switch (static_cast<Subject>(sensor)) {
    case Subject::cell_voltage:
      return "cell voltage";
    case Subject::cell_current:
      return "cell current";
    case Subject::source_voltage:
      return "source voltage";
    case Subject::source_current:
      return "source current";
    case Subject::voltage_setpoint:
      return "voltage setpoint";
    case Subject::current_setpoint:
      return "current setpoint";
    case Subject::output:
      return "output state";
    case Subject::protection:
      return "protection";
    case Subject::contactor:
      return "contactor";
    case Subject::pair:
      return "voltage and current";
    case Subject::none:
      break;
  }
  return {};
}

}  // namespace

bool is_limit(Cause cause) { return cause >= Cause::voltage_high && cause <= Cause::step_time; }

std::string_view key_of(Cause cause) { return words_of(cause).key; }

std::string describe(const Fault& fault) {
  const Words words = words_of(fault.cause);
  std::string text;
  if (names_subject(fault.cause)) {
    if (const std::string name = name_of(fault.sensor); !name.empty()) text = name + ": ";
  }
  text += words.sentence;
  Unit unit = words.unit;
  if (fault.cause == Cause::setpoint_changed || fault.cause == Cause::readings_disagree) {
    const auto subject = static_cast<Subject>(fault.sensor);
    if (subject == Subject::protection) return text;  // a voltage or a current
    unit = subject == Subject::current_setpoint || subject == Subject::cell_current ? Unit::ampere
                                                                                    : Unit::volt;
    text += ": " + with_unit(fault.measured, unit) + " against " + with_unit(fault.limit, unit);
    return text;
  }
  if (words.shape == Shape::against) {
    return text + ": " + with_unit(fault.measured, unit) + " against " +
           with_unit(fault.limit, unit);
  }
  if (words.shape != Shape::plain) {
    text += ' ' + with_unit(fault.measured, unit);
    text += words.shape == Shape::above ? " is above the limit of " : " is below the limit of ";
    text += with_unit(fault.limit, unit);
  }
  if (is_limit(fault.cause)) {
    text += " (";
    text += key_of(static_cast<Origin>(fault.origin));
    text += ')';
  }
  return text;
}

}  // namespace chargewright::safety

#include "safety/rules.h"

#include <algorithm>

#include "safety/interlock.h"
#include "safety/leads.h"

namespace chargewright::safety {
namespace {

using drivers::Duration;
using drivers::in_seconds;
using drivers::Instant;
using drivers::Validity;

constexpr std::uint8_t code(Subject subject) { return static_cast<std::uint8_t>(subject); }

double number(Duration value) { return in_seconds(value); }
template <class Q>
double number(const Q& value) {
  return value.value();
}

enum class Side { above, below };

// `allowance`: what the place of measuring is allowed beyond the limit's own value.
template <class Q>
Finding beyond(const Limit<Q>& limit, double measured, std::uint8_t sensor, Side side = Side::above,
               double allowance = 0) {
  if (limit.at_once) {
    const double last = number(limit.at_once->value) + allowance;
    if (!(side == Side::above ? measured <= last : measured >= last)) {
      return {.present = true,
              .sensor = sensor,
              .origin = static_cast<std::uint8_t>(limit.at_once->origin),
              .measured = measured,
              .limit = last};
    }
  }
  return {.present = true,
          .sensor = sensor,
          .origin = static_cast<std::uint8_t>(limit.origin),
          .on_delay = limit.on_delay,
          .measured = measured,
          .limit = number(limit.value) + allowance};
}

// Nothing beyond a limit was read. Where that is for want of a reading, an on-delay goes on: one
// garbled answer in each would keep a limit from ever being enforced.
Finding none_beyond(bool all_read) { return {.undecided = !all_read}; }

// Of two places of measuring, the one that trips sooner; else the first. The second is beyond.
Finding sooner(const Finding& first, const Finding& second) {
  if (!first.present) return second;
  return second.on_delay < first.on_delay ? second : first;
}

// Reported by the guard (Interlock::report), never measured.
Finding only_reported(const Facts&, Instant) { return {}; }

// Our own memory: the limits that are compared with are those that were asked for.
Finding guard_internal(const Facts& f, Instant) {
  return {.present = !f.limits_copy.agrees(f.limits, f.limits_known)};
}

// ---- not the cell that was checked (S1)
// ----------------------------------------------------------

// Clearly negative, and beyond what the limits bear: an empty capacitor may read some millivolts
// either side of zero.
constexpr double reversed_below = -0.1;  // V

Finding polarity_reversed(const Facts& f, Instant) {
  if (!f.cell_voltage.usable()) return {};
  const double lowest = f.limits.voltage_below
                            ? std::min(reversed_below, f.limits.voltage_below->value.value())
                            : reversed_below;
  if (f.cell_voltage.value() >= lowest) return {};
  return {.present = true,
          .sensor = code(Subject::cell_voltage),
          .measured = f.cell_voltage.value(),
          .limit = lowest};
}

// A single wild reading is borne as long as a garbled one.
Finding cell_changed(const Facts& f, Instant) {
  if (!f.resting.leapt()) return {};
  return {.present = true,
          .sensor = code(Subject::cell_voltage),
          .on_delay = f.ages.glitch,
          .measured = f.cell_voltage.value(),
          .limit = f.resting.before()};
}

// ---- limits (S2) --------------------------------------------------------------------------------

bool energised_reading(const Facts& f, const Sensed& sensed) {
  return f.expected.output_on && sensed.usable() && sensed.good.asked >= f.expected.since &&
         sensed.good.asked >= f.expected.setpoints_since;
}

// What the leads drop, at most, at the present current; none when the circuit is open.
double lead_drop(const Facts& f) {
  return std::max(0.0, f.cell_current.value()) * f.plan.loop_resistance.value();
}

Finding voltage_high(const Facts& f, Instant) {
  if (!f.limits.voltage_above) return {};
  const auto& limit = *f.limits.voltage_above;
  const double highest = limit.value.value();
  const bool both_read =
      f.cell_voltage.usable() && (!f.separate_voltmeter || f.source_voltage.usable());
  Finding found = none_beyond(both_read);
  if (f.cell_voltage.usable() && !(f.cell_voltage.value() <= highest)) {
    found = beyond(limit, f.cell_voltage.value(), code(Subject::cell_voltage));
  }
  // A voltmeter whose leads fell off the cell reads nothing of what the source does: the source's
  // own reading may exceed the limit by what the leads drop, and no more.
  if (f.separate_voltmeter && energised_reading(f, f.source_voltage) &&
      energised_reading(f, f.cell_current)) {
    const double allowance = lead_drop(f) + f.plan.voltage_disagreement.value();
    if (!(f.source_voltage.value() <= highest + allowance)) {
      found = sooner(found, beyond(limit, f.source_voltage.value(), code(Subject::source_voltage),
                                   Side::above, allowance));
    }
  }
  return found;
}

Finding voltage_low(const Facts& f, Instant) {
  if (!f.limits.voltage_below) return {};
  const auto& limit = *f.limits.voltage_below;
  const double lowest = limit.value.value();
  if (f.cell_voltage.usable() && !(f.cell_voltage.value() >= lowest)) {
    return beyond(limit, f.cell_voltage.value(), code(Subject::cell_voltage), Side::below);
  }
  return none_beyond(f.cell_voltage.usable());
}

bool ammeters_read(const Facts& f) {
  return f.cell_current.usable() && (!f.separate_ammeter || f.source_current.usable());
}

// The cell's ammeter, and the source's own where it is another one.
Finding current_high(const Facts& f, Instant) {
  if (!f.limits.current_above) return {};
  const auto& limit = *f.limits.current_above;
  const double highest = limit.value.value();
  Finding found = none_beyond(ammeters_read(f));
  if (f.cell_current.usable() && !(f.cell_current.value() <= highest)) {
    found = beyond(limit, f.cell_current.value(), code(Subject::cell_current));
  }
  if (f.separate_ammeter && f.source_current.usable() && !(f.source_current.value() <= highest)) {
    found = sooner(found, beyond(limit, f.source_current.value(), code(Subject::source_current)));
  }
  return found;
}

Finding current_reverse(const Facts& f, Instant) {
  if (!f.limits.current_reverse) return {};
  const auto& limit = *f.limits.current_reverse;
  const double most = limit.value.value();
  Finding found = none_beyond(ammeters_read(f));
  if (f.cell_current.usable() && !(-f.cell_current.value() <= most)) {
    found = beyond(limit, -f.cell_current.value(), code(Subject::cell_current));
  }
  if (f.separate_ammeter && f.source_current.usable() && !(-f.source_current.value() <= most)) {
    found = sooner(found, beyond(limit, -f.source_current.value(), code(Subject::source_current)));
  }
  return found;
}

Finding power_high(const Facts& f, Instant) {
  if (!f.limits.power_above) return {};
  if (!f.cell_voltage.usable() || !f.cell_current.usable()) return none_beyond(false);
  const auto& limit = *f.limits.power_above;
  const double power = f.cell_voltage.value() * f.cell_current.value();
  if (power <= limit.value.value()) return {};
  return beyond(limit, power, code(Subject::pair));
}

bool thermometers_read(const Facts& f) {
  return std::all_of(f.temperatures.begin(),
                     f.temperatures.begin() + static_cast<std::ptrdiff_t>(f.thermometers()),
                     [](const Sensed& sensor) { return sensor.usable(); });
}

Finding temperature_high(const Facts& f, Instant) {
  if (!f.limits.temperature_above) return {};
  const auto& limit = *f.limits.temperature_above;
  const double highest = limit.value.value();
  Finding found = none_beyond(thermometers_read(f));
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    const Sensed& sensor = f.temperatures[k];
    if (!sensor.usable() || sensor.value() <= highest) continue;
    if (!found.present || sensor.value() > found.measured) {
      found = beyond(limit, sensor.value(), static_cast<std::uint8_t>(k));
    }
  }
  return found;
}

Finding temperature_low(const Facts& f, Instant) {
  if (!f.limits.temperature_below) return {};
  const auto& limit = *f.limits.temperature_below;
  const double lowest = limit.value.value();
  Finding found = none_beyond(thermometers_read(f));
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    const Sensed& sensor = f.temperatures[k];
    if (!sensor.usable() || sensor.value() >= lowest) continue;
    if (!found.present || sensor.value() < found.measured) {
      found = beyond(limit, sensor.value(), static_cast<std::uint8_t>(k), Side::below);
    }
  }
  return found;
}

// Known from 30 s of readings on (safety/rise.h); until then temperature_high alone stands.
Finding temperature_rising(const Facts& f, Instant) {
  if (!f.limits.temperature_rising) return {};
  const auto& limit = *f.limits.temperature_rising;
  const double steepest = limit.value.value();
  Finding found;
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    const Rise& rise = f.rises[k];
    if (!rise.known() || rise.kelvins_per_second() <= steepest) continue;
    if (!found.present || rise.kelvins_per_second() > found.measured) {
      found = beyond(limit, rise.kelvins_per_second(), static_cast<std::uint8_t>(k));
    }
  }
  return found;
}

// Charge that a gap in the readings made uncertain counts as passed.
Finding charge_high(const Facts& f, Instant) {
  if (!f.limits.charge_above) return {};
  const auto& limit = *f.limits.charge_above;
  const double charge = f.tally.charge_in().value() + f.tally.uncertain().value();
  if (charge <= limit.value.value()) return {};
  return beyond(limit, charge, code(Subject::none));
}

Finding energy_high(const Facts& f, Instant) {
  if (!f.limits.energy_above) return {};
  const auto& limit = *f.limits.energy_above;
  const double volts = std::max(0.0, f.cell_voltage.value());
  const double energy = f.tally.energy_in().value() + f.tally.uncertain().value() * volts;
  if (energy <= limit.value.value()) return {};
  return beyond(limit, energy, code(Subject::none));
}

Finding time_limit(const std::optional<Limit<Duration>>& limit, Duration passed, bool running,
                   Instant now) {
  if (!limit) return {};
  if (passed > limit->value) {
    return beyond(*limit, in_seconds(passed), code(Subject::none));
  }
  Finding found;
  if (running) found.due = drivers::later(now, limit->value - passed + Duration{1});
  return found;
}

Finding run_time(const Facts& f, Instant now) {
  return time_limit(f.limits.run_time, f.tally.on_time(now), f.expected.output_on, now);
}

Finding step_time(const Facts& f, Instant now) {
  return time_limit(f.limits.step_time, now - f.step_at, true, now);
}

// ---- unknown is not safe (S2, S3) ---------------------------------------------------------------

Finding unusable(const Facts& f, const Sensed& sensed, std::uint8_t sensor) {
  if (sensed.newest == Validity::valid || sensed.newest == Validity::absent) return {};
  // "Not a number" and "infinite" are what the instrument says; one garbled answer may be the line.
  return {.present = true,
          .sensor = sensor,
          .on_delay = sensed.newest == Validity::unparsable ? f.ages.glitch : Duration::zero()};
}

Finding reading_unusable(const Facts& f, Instant) {
  Finding worst;
  const auto consider = [&](const Sensed& sensed, std::uint8_t sensor) {
    const Finding found = unusable(f, sensed, sensor);
    if (found.present && (!worst.present || found.on_delay < worst.on_delay)) worst = found;
  };
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    consider(f.temperatures[k], static_cast<std::uint8_t>(k));
  }
  if (f.mode == Mode::watching) return f.limits_known ? worst : Finding{};
  consider(f.cell_voltage, code(Subject::cell_voltage));
  consider(f.cell_current, code(Subject::cell_current));
  if (f.separate_voltmeter) consider(f.source_voltage, code(Subject::source_voltage));
  if (f.separate_ammeter) consider(f.source_current, code(Subject::source_current));
  return worst;
}

// Keeps the oldest of what is beyond its age, or the first that will be.
class Oldest {
 public:
  explicit Oldest(Instant now) : now_(now) {}
  void consider(bool ever, Instant asked, Duration allowed, std::uint8_t sensor) {
    const Duration age = ever ? now_ - asked : Duration::max();
    if (age <= allowed) {
      found_.due = std::min(found_.due, drivers::later(asked, allowed + Duration{1}));
      return;
    }
    const double seconds = ever ? in_seconds(age) : HUGE_VAL;
    if (found_.present && seconds <= found_.measured) return;
    found_.present = true;
    found_.sensor = sensor;
    found_.measured = seconds;
    found_.limit = in_seconds(allowed);
  }
  void consider(const Sensed& sensed, Duration allowed, std::uint8_t sensor) {
    consider(sensed.good.valid(), sensed.good.asked, allowed, sensor);
  }
  // Nothing is missed before.
  void look_at(Instant then) { found_.due = std::min(found_.due, then); }
  [[nodiscard]] const Finding& found() const { return found_; }

 private:
  Instant now_;
  Finding found_;
};

Finding reading_stale(const Facts& f, Instant now) {
  const bool watching = f.mode == Mode::watching;
  if (watching && !f.limits_known) return {};
  Oldest oldest(now);
  const Duration allowed = watching ? f.ages.watched_reading : f.ages.reading;
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    const auto sensor = static_cast<std::uint8_t>(k);
    const bool opening = !f.temperatures[k].good.valid() && now < f.watched_from;
    if (watching && opening) {
      oldest.look_at(f.watched_from);
    } else {
      oldest.consider(f.temperatures[k], allowed, sensor);
    }
  }
  if (watching) return oldest.found();
  oldest.consider(f.cell_voltage, allowed, code(Subject::cell_voltage));
  oldest.consider(f.cell_current, allowed, code(Subject::cell_current));
  if (f.separate_voltmeter) {
    oldest.consider(f.source_voltage, allowed, code(Subject::source_voltage));
  }
  if (f.separate_ammeter) {
    oldest.consider(f.source_current, allowed, code(Subject::source_current));
  }
  // A readback from before the run is as good as one from its beginning: the permissives proved it.
  const auto readback = [&](bool has, const ReadBack& back, Subject subject) {
    if (!has) return;
    oldest.consider(true, back.ever ? std::max(back.asked, f.enforced_at) : f.enforced_at,
                    f.ages.readback, code(subject));
  };
  const SourceAbilities& can = f.plan.abilities;
  readback(can.reads_output, f.output, Subject::output);
  readback(can.reads_protection, f.protection, Subject::protection);
  readback(can.reads_setpoints, f.voltage_setpoint, Subject::voltage_setpoint);
  readback(can.reads_setpoints, f.current_setpoint, Subject::current_setpoint);
  return oldest.found();
}

constexpr std::uint8_t timeouts_most = 3;  // in a row; common practice, no source

Finding conversation_failing(const Facts& f, Instant now) {
  Finding worst;
  for (const Talk& talk : f.talks) {
    if (f.mode == Mode::watching) {
      const bool thermometer =
          std::any_of(f.plan.thermometers.begin(), f.plan.thermometers.end(),
                      [&](const Terminal& t) { return t.instrument == talk.instrument; });
      if (!f.limits_known || !thermometer) continue;
      if (now < f.watched_from) {
        worst.due = f.watched_from;
        continue;
      }
    }
    if (talk.timeouts >= timeouts_most) {
      return {.present = true,
              .measured = static_cast<double>(talk.instrument),
              .limit = timeouts_most};
    }
    // A link that comes and goes, and brings no answer, is one that is down.
    if (talk.unheard && !talk.down && !worst.present) worst.undecided = true;
    if (talk.down) {
      worst = {.present = true,
               .on_delay = f.ages.glitch,
               .measured = static_cast<double>(talk.instrument)};
    }
  }
  return worst;
}

// ---- health (S3) --------------------------------------------------------------------------------

Finding protection_tripped(const Facts& f, Instant) {
  if (!f.protection.ever || f.protection.asked < f.enforced_at || f.protection.value == 0) {
    return {};
  }
  return {.present = true, .sensor = code(Subject::protection), .measured = f.protection.value};
}

Finding output_on_unbidden(const Facts& f, Instant) {
  if (f.expected.output_on || f.expected.since == drivers::never) return {};
  if (f.output.ever && f.output.asked >= f.expected.since && f.output.value != 0) {
    return {.present = true, .sensor = code(Subject::output), .measured = f.output.value};
  }
  // Current into the cell after the output had time to fall: an output stage that does not obey.
  const Duration falls = f.expected.current_stopped ? f.plan.cut_stage : f.plan.falls_within();
  const Instant settled = drivers::later(f.expected.since, falls);
  const double off = f.plan.off_current.value();
  if (f.cell_current.usable() && f.cell_current.good.asked >= settled &&
      !(f.cell_current.value() <= off)) {
    return {.present = true,
            .sensor = code(Subject::cell_current),
            .on_delay = f.ages.glitch,
            .measured = f.cell_current.value(),
            .limit = off};
  }
  return {.undecided = !f.cell_current.usable()};
}

Finding output_off_unbidden(const Facts& f, Instant) {
  if (!f.expected.output_on || f.expected.since == drivers::never) return {};
  if (!f.output.ever || f.output.asked < f.expected.since || f.output.value != 0) return {};
  return {.present = true, .sensor = code(Subject::output), .on_delay = f.ages.protection_first};
}

Finding setpoint_changed(const Facts& f, Instant) {
  const Expected& e = f.expected;
  if (e.setpoints_since == drivers::never) return {};
  const auto changed = [&](const ReadBack& back, double written, double tolerance,
                           Subject subject) -> Finding {
    if (!back.ever || back.asked < e.setpoints_since) return {};
    if (std::abs(back.value - written) <= tolerance) return {};
    return {.present = true, .sensor = code(subject), .measured = back.value, .limit = written};
  };
  const Finding voltage =
      changed(f.voltage_setpoint, e.voltage_setpoint.value(),
              f.plan.setpoint_voltage_tolerance.value(), Subject::voltage_setpoint);
  if (voltage.present) return voltage;
  return changed(f.current_setpoint, e.current_setpoint.value(),
                 f.plan.setpoint_current_tolerance.value(), Subject::current_setpoint);
}

bool no_current(const Facts& f) {
  return std::abs(f.cell_current.value()) <= f.plan.off_current.value();
}

const Sensed& at_the_source(const Facts& f) {
  return f.separate_voltmeter ? f.source_voltage : f.cell_voltage;
}

// The source holds its voltage, as far as it says.
bool is_at_setpoint(const Facts& f) {
  const double band =
      std::max(f.plan.voltage_disagreement.value(), f.plan.setpoint_voltage_tolerance.value());
  return at_the_source(f).value() >= f.expected.voltage_setpoint.value() - band;
}

// The source holds its voltage, and there is no current. That alone is a full cell. It is an open
// circuit where the cell's own meter reads something else, where the current broke off as no cell
// lets it, or where the terminals stood elsewhere before the output went on and none ever flowed.
Finding circuit_open(const Facts& f, Instant now) {
  const Sensed& source = at_the_source(f);
  if (!f.expected.output_on) return {};
  // Neither a garbled answer nor setpoints that move all the time must keep it from ever tripping.
  if (!energised_reading(f, source) || !f.cell_voltage.usable() ||
      !energised_reading(f, f.cell_current)) {
    return {.undecided = true};
  }
  if (!no_current(f) || !is_at_setpoint(f)) return {};
  const double setpoint = f.expected.voltage_setpoint.value();
  const double band =
      std::max(f.plan.voltage_disagreement.value(), f.plan.setpoint_voltage_tolerance.value());
  const AcrossLeads across = across_leads(f, now);
  const bool apart = across.known && !(across.volts <= across.highest);
  const bool never_flowed = !f.separate_voltmeter && !f.flow.ever() && f.flow.rest_volts() &&
                            *f.flow.rest_volts() < setpoint - 2 * band;
  const bool broke_off = f.flow.broke_off() && !proved_closed(f);
  if (!apart && !broke_off && !never_flowed) return {};
  // An output that someone switched off has the same readings: first it must read back on.
  const bool on = !f.plan.abilities.reads_output ||
                  (f.output.value != 0 && f.output.asked >= f.flow.stopped_since());
  // And the cell's own meter must have been read since.
  const bool looked = !f.separate_voltmeter || f.cell_voltage.good.asked > f.flow.stopped_since();
  return {
      .present = true,
      .sensor = code(Subject::cell_current),
      .on_delay = on && looked ? std::min(f.ages.glitch, f.plan.disagree_delay) : Duration::max(),
      .measured = source.value(),
      .limit = setpoint};
}

// As long as the leads do not explain it, readings_disagree has the word.
Finding leads_loose(const Facts& f, Instant now) {
  const AcrossLeads across = across_leads(f, now);
  if (!across.known) return {.undecided = f.expected.output_on && f.separate_voltmeter};
  if (across.volts <= across.highest || no_current(f)) return {};
  return {.present = true,
          .sensor = code(Subject::source_voltage),
          .on_delay = leads_explain(f, now) ? f.plan.disagree_delay : Duration::max(),
          .measured = across.volts,
          .limit = across.highest};
}

Finding readings_disagree(const Facts& f, Instant now) {
  const auto fresh = [&](const Sensed& s) {
    return energised_reading(f, s) && s.fresh(now, f.ages.reading);
  };
  const AcrossLeads across = across_leads(f, now);
  const bool voltages = across.known;
  const bool currents = fresh(f.source_current) && fresh(f.cell_current);
  const bool by_open_circuit = across.volts > across.highest && no_current(f) && is_at_setpoint(f);
  if (voltages && !by_open_circuit &&
      !(across.volts >= across.lowest && across.volts <= across.highest)) {
    return {.present = true,
            .sensor = code(Subject::source_voltage),
            .on_delay = f.plan.disagree_delay,
            .measured = f.source_voltage.value(),
            .limit = f.cell_voltage.value()};
  }
  if (f.separate_ammeter && currents) {
    const double difference = f.cell_current.value() - f.source_current.value();
    const double allowed =
        f.plan.current_disagreement.value() + moved_between(f.cell_current, f.source_current);
    if (!(std::abs(difference) <= allowed)) {
      return {.present = true,
              .sensor = code(Subject::cell_current),
              .on_delay = f.plan.disagree_delay,
              .measured = f.source_current.value(),
              .limit = f.cell_current.value()};
    }
  }
  // Setpoints that move all the time must not keep the delay from ever passing.
  const bool judged = (!f.separate_voltmeter || voltages) && (!f.separate_ammeter || currents);
  return {.undecided = f.expected.output_on && !judged};
}

Finding sensor_off_cell(const Facts& f, Instant) {
  Finding garbled;
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    if (!f.followed[k].behind()) continue;
    garbled.undecided = true;
    if (!f.temperatures[k].usable()) continue;
    return {.present = true,
            .sensor = static_cast<std::uint8_t>(k),
            .on_delay = f.ages.glitch,
            .measured = f.followed[k].change(),
            .limit = f.followed[k].least_change()};
  }
  return garbled;
}

// No sound source is in this state: below its voltage it gives the current that it was set to. What
// it measures is not what it gives, and no limit on a current would see that.
bool gives_neither(const Facts& f, const Sensed& current) {
  constexpr double clearly = 4;  // times the current that counts as none; common practice
  return std::abs(current.value()) <= f.plan.off_current.value() && !is_at_setpoint(f) &&
         f.expected.current_setpoint > clearly * f.plan.off_current;
}

Finding sensor_stuck(const Facts& f, Instant) {
  if (!f.expected.output_on) return {};
  const double charge_least =
      f.limits.charge_above ? stuck_charge_share * f.limits.charge_above->value.value() : 0.0;
  const auto stuck = [&](const StuckPair& pair) {
    return pair.unchanged() > f.plan.stuck_after && pair.charge() >= charge_least;
  };
  const auto found = [&](Duration unchanged, Duration allowed, std::uint8_t sensor) {
    return Finding{.present = true,
                   .sensor = sensor,
                   .measured = in_seconds(unchanged),
                   .limit = in_seconds(allowed)};
  };
  if (stuck(f.cell_pair)) {
    return found(f.cell_pair.unchanged(), f.plan.stuck_after, code(Subject::pair));
  }
  if ((f.separate_voltmeter || f.separate_ammeter) && stuck(f.source_pair)) {
    return found(f.source_pair.unchanged(), f.plan.stuck_after, code(Subject::source_voltage));
  }
  const Duration still = stuck_thermometer_factor * f.plan.stuck_after;
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    if (f.stuck_thermometers[k].unmoved() > still) {
      return found(f.stuck_thermometers[k].unmoved(), still, static_cast<std::uint8_t>(k));
    }
  }
  const Sensed& current = f.separate_ammeter ? f.source_current : f.cell_current;
  if (!energised_reading(f, at_the_source(f)) || !energised_reading(f, current)) {
    // Neither a garbled answer nor setpoints that move all the time must keep it from ever
    // tripping.
    return {.undecided = true};
  }
  if (gives_neither(f, current)) {
    Finding neither = found(f.plan.stuck_after, f.plan.stuck_after, code(Subject::source_current));
    neither.on_delay = f.plan.stuck_after;
    return neither;
  }
  return {};
}

Finding sequencer_late(const Facts& f, Instant now) {
  const Duration silent = now - f.heartbeat_at;
  if (silent > f.plan.heartbeat) {
    return {.present = true, .measured = in_seconds(silent), .limit = in_seconds(f.plan.heartbeat)};
  }
  Finding found;
  found.due = drivers::later(f.heartbeat_at, f.plan.heartbeat + Duration{1});
  return found;
}

constexpr std::array<Rule, cause_count> table_of_rules{{
    {Cause::operator_cut, During::always, Clearing::person, only_reported},
    {Cause::guard_internal, During::always, Clearing::person, guard_internal},
    {Cause::dead_man_lost, During::always, Clearing::person, only_reported},
    {Cause::polarity_reversed, During::run, Clearing::person, polarity_reversed},
    {Cause::cell_changed, During::run, Clearing::person, cell_changed},
    {Cause::voltage_high, During::run, Clearing::voltage_within, voltage_high},
    {Cause::temperature_high, During::always, Clearing::temperature_within, temperature_high},
    {Cause::temperature_rising, During::always, Clearing::temperature_within, temperature_rising},
    {Cause::current_high, During::run, Clearing::person, current_high},
    {Cause::current_reverse, During::run, Clearing::person, current_reverse},
    {Cause::power_high, During::run, Clearing::person, power_high},
    {Cause::voltage_low, During::run, Clearing::person, voltage_low},
    {Cause::temperature_low, During::run, Clearing::temperature_within, temperature_low},
    {Cause::charge_high, During::run, Clearing::person, charge_high},
    {Cause::energy_high, During::run, Clearing::person, energy_high},
    {Cause::run_time, During::run, Clearing::person, run_time},
    {Cause::step_time, During::run, Clearing::person, step_time},
    {Cause::reading_unusable, During::always, Clearing::sensor_fresh, reading_unusable},
    {Cause::reading_stale, During::always, Clearing::sensor_fresh, reading_stale},
    {Cause::conversation_failing, During::always, Clearing::talk_restored, conversation_failing},
    {Cause::protection_tripped, During::run, Clearing::person, protection_tripped},
    {Cause::output_on_unbidden, During::always, Clearing::output_off, output_on_unbidden},
    {Cause::output_off_unbidden, During::run, Clearing::person, output_off_unbidden},
    {Cause::setpoint_changed, During::run, Clearing::person, setpoint_changed},
    {Cause::circuit_open, During::run, Clearing::person, circuit_open},
    {Cause::leads_loose, During::run, Clearing::person, leads_loose},
    {Cause::readings_disagree, During::run, Clearing::person, readings_disagree},
    {Cause::sensor_off_cell, During::run, Clearing::person, sensor_off_cell},
    {Cause::sensor_stuck, During::run, Clearing::person, sensor_stuck},
    {Cause::sequencer_late, During::run, Clearing::person, sequencer_late},
}};

constexpr bool every_cause_has_its_row() {
  for (std::size_t k = 0; k < cause_count; ++k) {
    if (static_cast<std::size_t>(table_of_rules[k].cause) != k) return false;
    if (table_of_rules[k].find == nullptr) return false;
  }
  return true;
}
static_assert(every_cause_has_its_row());

}  // namespace

const std::array<Rule, cause_count> rules = table_of_rules;

// ---- judging: here, where each rule is known to the compiler, since a rehearsal judges thousands
// of times in a millisecond
// -------------------------------------------------------------------------

template <std::size_t cause>
void Interlock::judge_cause(Instant now, Verdict& verdict) {
  constexpr Rule rule = table_of_rules[cause];
  if (reported_.test(cause)) {
    verdict.evaluated.set(cause);
    verdict.present.set(cause);
    if (verdict.within()) verdict.worst = found_[cause];
    return;
  }
  Finding found;
  if (rule.during == During::always || facts_.mode == Mode::enforcing) {
    found = rule.find(facts_, now);
    verdict.evaluated.set(cause);
  }
  if (!found.present) {
    if (!found.undecided) began_[cause] = drivers::never;
    wake_ = std::min(wake_, found.due);
    return;
  }
  if (began_[cause] == drivers::never) began_[cause] = now;
  const Instant trips_at = drivers::later(began_[cause], found.on_delay);
  if (now < trips_at) {
    wake_ = std::min(wake_, trips_at);
    return;
  }
  verdict.present.set(cause);
  found_[cause] = {.cause = rule.cause,
                   .channel = channel_,
                   .sensor = found.sensor,
                   .origin = found.origin,
                   .measured = found.measured,
                   .limit = found.limit,
                   .at = now};
  if (verdict.within()) verdict.worst = found_[cause];  // in the order of severity
}

template <std::size_t... causes>
void Interlock::judge_all(std::index_sequence<causes...>, Instant now, Verdict& verdict) {
  (judge_cause<causes>(now, verdict), ...);
}

Verdict Interlock::judge(Instant now) {
  Verdict verdict;
  wake_ = drivers::never;
  judge_all(std::make_index_sequence<cause_count>{}, now, verdict);
  fail_unless_complete(verdict, facts_.mode, channel_, now);
  if (verdict.worst.cause == Cause::guard_internal) report(verdict.worst);
  return verdict;
}

namespace {

constexpr unsigned long long mask_of(Mode mode) {
  unsigned long long mask = 0;
  for (std::size_t k = 0; k < cause_count; ++k) {
    const bool judged = mode == Mode::enforcing || table_of_rules[k].during == During::always;
    if (judged) mask |= 1ULL << k;
  }
  return mask;
}
constexpr unsigned long long while_watching = mask_of(Mode::watching);
constexpr unsigned long long while_enforcing = mask_of(Mode::enforcing);
static_assert(while_enforcing == (1ULL << cause_count) - 1, "a run is judged by every cause");

}  // namespace

std::bitset<cause_count> demanded(Mode mode) {
  return mode == Mode::watching ? while_watching : while_enforcing;
}

void fail_unless_complete(Verdict& verdict, Mode mode, std::uint8_t channel, Instant now) {
  const auto missing = demanded(mode) & ~verdict.evaluated;
  if (missing.none()) return;
  const Fault fault{.cause = Cause::guard_internal,
                    .channel = channel,
                    .measured = static_cast<double>(missing._Find_first()),
                    .at = now};
  verdict.present.set(static_cast<std::size_t>(Cause::guard_internal));
  if (verdict.within() || verdict.worst.cause > fault.cause) verdict.worst = fault;
}

}  // namespace chargewright::safety

// Interlock::condition_gone: what an acknowledgement needs besides the person (S5).
#include <algorithm>

#include "safety/interlock.h"
#include "safety/rules.h"

namespace chargewright::safety {
namespace {

using drivers::Instant;

// A trip bears the limit by which it came: without on-delay, or with what the leads may drop. With
// no current it is the limit itself that must hold, where it is known.
template <class Q>
double highest_of(const std::optional<Limit<Q>>& limit, const Fault& trip) {
  return limit ? std::min(trip.limit, limit->value.value()) : trip.limit;
}

// Not known counts as present, but where the watch is too slow ever to know.
bool rise_within(const Facts& f, const Fault& trip, std::size_t sensor) {
  const Rise& rise = f.rises[sensor];
  if (!rise.known()) return Ages::watch_slowdown * f.plan.every >= Rise::gap;
  return rise.kelvins_per_second() <= highest_of(f.limits.temperature_rising, trip);
}

double coldest_allowed(const Facts& f, const Fault& trip) {
  const auto& limit = f.limits.temperature_below;
  return limit ? std::max(trip.limit, limit->value.value()) : trip.limit;
}

bool temperature_within(const Facts& f, const Fault& trip, std::size_t sensor, Instant now) {
  const Sensed& sensed = f.temperatures[sensor];
  if (!sensed.fresh(now, f.ages.watched_reading)) return false;
  if (trip.cause == Cause::temperature_rising) return rise_within(f, trip, sensor);
  return trip.cause == Cause::temperature_low ? sensed.value() >= coldest_allowed(f, trip)
                                              : sensed.value() <= trip.limit;
}

bool temperatures_within(const Facts& f, const Fault& trip, Instant now) {
  for (std::size_t k = 0; k < f.thermometers(); ++k) {
    if (!temperature_within(f, trip, k, now)) return false;
  }
  return true;
}

// A trip on the source's own reading says that the meter does not see the cell: the source has to
// be back inside too, where it can be read.
bool source_within(const Facts& f, const Fault& trip, Instant now) {
  if (f.source_voltage.fresh(now, f.ages.watched_reading)) {
    return f.source_voltage.value() <= trip.limit;
  }
  return f.plan.contactor.has_value();
}

bool voltage_within(const Facts& f, const Fault& trip, Instant now) {
  const bool at_source = trip.sensor == static_cast<std::uint8_t>(Subject::source_voltage);
  if (at_source && f.separate_voltmeter && !source_within(f, trip, now)) return false;
  if (f.cell_voltage.fresh(now, f.ages.watched_reading)) {
    return f.cell_voltage.value() <= highest_of(f.limits.voltage_above, trip);
  }
  // Through an open contactor the source sees no cell: not measurable. Otherwise: not known.
  return !f.separate_voltmeter && f.plan.contactor.has_value();
}

bool talks_restored(const Facts& f) {
  for (const Talk& talk : f.talks) {
    if (talk.down || talk.timeouts > 0) return false;
  }
  return true;
}

// What was read before it failed is no proof that it reads again, however young it is.
bool sensor_fresh(const Facts& f, const Fault& trip, Instant now) {
  const auto fresh = [&](const Sensed& s) {
    return s.fresh(now, f.ages.watched_reading) && s.good.asked > trip.at;
  };
  if (trip.sensor < f.thermometers()) return fresh(f.temperatures[trip.sensor]);
  switch (static_cast<Subject>(trip.sensor)) {
    case Subject::cell_voltage:
      return fresh(f.cell_voltage);
    case Subject::cell_current:
      return fresh(f.cell_current);
    case Subject::source_voltage:
      return fresh(f.separate_voltmeter ? f.source_voltage : f.cell_voltage);
    case Subject::source_current:
      return fresh(f.separate_ammeter ? f.source_current : f.cell_current);
    case Subject::voltage_setpoint:
    case Subject::current_setpoint:
    case Subject::output:
    case Subject::protection:
    case Subject::contactor:
    case Subject::pair:
    case Subject::none:
      break;
  }
  return talks_restored(f);
}

bool output_off(const Facts& f) {
  return !f.plan.abilities.reads_output || (f.output.ever && f.output.value == 0);
}

}  // namespace

bool Interlock::condition_gone(const Fault& trip, Instant now) const {
  const auto index = static_cast<std::size_t>(trip.cause);
  if (index >= cause_count) return true;
  // Whatever tripped: a sensor that is too warm now forbids.
  if (facts_.limits_known && facts_.limits.temperature_above) {
    const double highest = facts_.limits.temperature_above->value.value();
    for (std::size_t k = 0; k < facts_.thermometers(); ++k) {
      const Sensed& sensed = facts_.temperatures[k];
      if (sensed.usable() && !(sensed.value() <= highest)) return false;
    }
  }
  bool gone = false;  // by a way of clearing that does not exist, never
  switch (rules[index].clearing) {
    case Clearing::person:
      gone = true;
      break;
    case Clearing::voltage_within:
      gone = voltage_within(facts_, trip, now);
      break;
    case Clearing::temperature_within:
      gone = temperatures_within(facts_, trip, now);
      break;
    case Clearing::sensor_fresh:
      gone = sensor_fresh(facts_, trip, now);
      break;
    case Clearing::talk_restored:
      gone = talks_restored(facts_);
      break;
    case Clearing::output_off:
      gone = output_off(facts_);
      break;
  }
  return gone;
}

}  // namespace chargewright::safety

#include "safety/leads.h"

#include <algorithm>

#include "safety/facts.h"

namespace chargewright::safety {
namespace {

// Leads are never as long as their worst estimate says, nor joints as good: half as much again.
constexpr double drop_allowance = 1.5;  // common practice, no source
constexpr double meter_unrest = 0.001;  // V, between two readings (common practice, no source)
constexpr double held = 0.9;            // a current of at least this share has held

bool judged(const Facts& f, const Sensed& sensed, drivers::Instant now) {
  return f.expected.output_on && sensed.usable() && sensed.good.asked >= f.expected.since &&
         sensed.good.asked >= f.expected.setpoints_since && sensed.fresh(now, f.ages.reading);
}

}  // namespace

double moved_between(const Sensed& one, const Sensed& other) {
  const double apart = std::abs(drivers::in_seconds(one.good.asked - other.good.asked));
  return apart * std::min(std::abs(one.per_second), std::abs(other.per_second));
}

AcrossLeads across_leads(const Facts& f, drivers::Instant now) {
  AcrossLeads across;
  across.known = f.separate_voltmeter && judged(f, f.source_voltage, now) &&
                 judged(f, f.cell_voltage, now) && judged(f, f.cell_current, now);
  if (!across.known) return across;
  const double drop = f.cell_current.value() * f.plan.loop_resistance.value() * drop_allowance;
  const double band =
      f.plan.voltage_disagreement.value() + moved_between(f.source_voltage, f.cell_voltage);
  across.volts = f.source_voltage.value() - f.cell_voltage.value();
  across.lowest = std::min(0.0, drop) - band;
  across.highest = std::max(0.0, drop) + band;
  return across;
}

bool proved_closed(const Facts& f) {
  return f.separate_voltmeter && f.cell_voltage.usable() &&
         f.cell_voltage.good.asked > f.flow.stopped_since() &&
         f.cell_voltage.value() >= f.flow.flowing_volts() - meter_unrest;
}

void note_leads(Facts& f, drivers::Instant now) {
  const AcrossLeads across = across_leads(f, now);
  if (!across.known) return;
  LeadsWitness& w = f.leads;
  const double source = f.source_voltage.value();
  const double cell = f.cell_voltage.value();
  const double amperes = f.cell_current.value();
  if (across.volts <= across.highest) {
    w = {true, false, LeadsWitness::Moved::nothing_at_once, source, cell, amperes};
    return;
  }
  if (!w.ever || w.apart) return;
  w.apart = true;
  const double leap = across.volts - (w.source_volts - w.cell_volts);
  if (leap < 0.5 * f.plan.voltage_disagreement.value()) return;
  const bool by_meter = w.cell_volts - cell > 0.5 * leap && amperes >= held * w.amperes;
  w.moved = by_meter ? LeadsWitness::Moved::meter : LeadsWitness::Moved::source;
}

bool leads_explain(const Facts& f, drivers::Instant now) {
  // Not one digit since the output went on: stuck, however far the source leapt.
  if (f.cell_voltage.moved_at < f.expected.since) return false;
  switch (f.leads.moved) {
    case LeadsWitness::Moved::source:
      return true;
    case LeadsWitness::Moved::meter:
      return false;
    case LeadsWitness::Moved::nothing_at_once:
      break;
  }
  return now - f.cell_voltage.moved_at <= f.plan.disagree_delay + f.ages.reading;
}

}  // namespace chargewright::safety

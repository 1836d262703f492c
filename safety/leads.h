#pragma once
// What stands between source and cell while current flows, and what sound leads may drop there
// (S3). For channels whose voltmeter is another instrument than the source.

#include <cstdint>

#include "drivers/instant.h"

namespace chargewright::safety {

struct Facts;
struct Sensed;

// What one quantity moved by between the moments at which two instruments read it: no more than
// either saw it move, so that one that stands still explains nothing.
double moved_between(const Sensed& one, const Sensed& other);

struct AcrossLeads {
  bool known = false;  // all three readings fresh, and taken with the present setpoints
  double volts = 0;
  double lowest = 0;
  double highest = 0;
};
AcrossLeads across_leads(const Facts& facts, drivers::Instant now);

// A cell that has its own meter, and whose voltage did not fall when the current stopped: it took
// no current because it is full, not because a lead is off.
bool proved_closed(const Facts& facts);

// How source and cell last agreed, and what moved when they drew apart.
struct LeadsWitness {
  enum class Moved : std::uint8_t { nothing_at_once, source, meter };
  bool ever = false;
  bool apart = false;
  Moved moved = Moved::nothing_at_once;
  double source_volts = 0;
  double cell_volts = 0;
  double amperes = 0;
};
void note_leads(Facts& facts, drivers::Instant now);  // at every reading of the current

// Source and cell have drawn apart: is it the leads? Yes where the source's voltage leapt, or the
// current fell; no where the meter's leapt alone. Where they drifted apart, not if the meter shows
// the same digits all the time: it may be stuck.
bool leads_explain(const Facts& facts, drivers::Instant now);

}  // namespace chargewright::safety

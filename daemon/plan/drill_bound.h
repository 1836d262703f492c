#pragma once
// What a drill measured of the limits that were crossed, beside the response-time budget (S7).
// Plain code.

#include "daemon/plan/drill_scene.h"

namespace chargewright::daemon {

// Of voltage, current and temperature above their limits: those that an instrument showed crossed
// while current could flow. `budget`: of the interval at which the fault was met.
std::vector<DrillCrossing> drill_crossings(const DrillScene& scene, const DrillFault& fault,
                                           const DrillWatch& watch, const safety::Budget& budget);

}  // namespace chargewright::daemon

#pragma once
// What befalls a bench in a storm, drawn from the dice.

#include "tests/storm/dice.h"
#include "tests/storm/scenario.h"

namespace chargewright::storm {

// In order of time, within the scenario's own.
std::vector<Happening> happenings_of(const Scenario& scenario, Dice& dice);

}  // namespace chargewright::storm

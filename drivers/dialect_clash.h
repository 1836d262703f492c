#pragma once
// Verbs of one dialect that cannot both do what they say: what is left of a line that was copied
// and not changed. An "off" that switches on, or that is proved by the answer that proves "on", is
// no way to cut (S4); nor is a measurement that only repeats what was set (S2).

#include <vector>

#include "drivers/dialect.h"

namespace chargewright::drivers {

struct Clash {
  enum class Of { command, proof, question } of = Of::command;
  Verb verb = Verb::identify;  // the later one in the order of Verb; of a question: what measures
  Verb other = Verb::identify;
};

std::vector<Clash> clashes(const Dialect& dialect);

}  // namespace chargewright::drivers

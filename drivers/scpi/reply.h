#pragma once
// What an answer means: a line, judged by what the dialect expects of the question. Pure.

#include <string_view>

#include "drivers/dialect.h"
#include "drivers/order.h"

namespace chargewright::drivers::scpi {

struct Meaning {
  Ending ending = Ending::unparsable;
  double value = 0;  // in the verb's unit; for a proof: what was read back
};

// For every Expect but identity and error, which need more than a number. `ordered` is what a proof
// must show.
Meaning interpret(const Ask& ask, std::string_view line, double ordered);

}  // namespace chargewright::drivers::scpi

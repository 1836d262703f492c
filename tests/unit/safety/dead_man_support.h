#pragma once
// The cut sheet of the bench on which the dead-man's tests run: a supply of two channels on a
// serial port, a meter, a contactor.

#include <vector>

#include "drivers/dialect.h"
#include "safety/dead_man/cut_sheet.h"
#include "safety/plant.h"

namespace chargewright::safety::testing {

struct SheetChoice {
  bool contactor = false;
  std::uint8_t ammeter = 0;  // the supply
};

// Of supply, meter and contactor, as shipped.
std::vector<drivers::Dialect> shipped_dialects();
ChannelPlan dead_man_plan(const SheetChoice& choice = {});
CutSheet sheet_of(const ChannelPlan& plan, const std::vector<drivers::Dialect>& spoken);
inline CutSheet sheet_of(const SheetChoice& choice, const std::vector<drivers::Dialect>& spoken) {
  return sheet_of(dead_man_plan(choice), spoken);
}

}  // namespace chargewright::safety::testing

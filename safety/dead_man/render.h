#pragma once
// The cut sheet of a bench: what the dead-man will send, spelled by the dialects.

#include <string>
#include <vector>

#include "drivers/dialect.h"
#include "safety/dead_man/cut_sheet.h"
#include "safety/plant.h"

namespace chargewright::safety {

struct CutSheetParts {
  std::string bench;
  std::string log;
  drivers::Duration late_after{};
  std::vector<std::string> instruments;           // names, by InstrumentId
  std::vector<std::string> addresses;             // of their links
  const std::vector<drivers::Dialect>& dialects;  // of theirs
  std::vector<std::string> channels;              // names, as the plant has them
};

CutSheet render_cut_sheet(const CutSheetParts& parts, const Plant& plant);

}  // namespace chargewright::safety

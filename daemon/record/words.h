#pragma once
// The words in which a record states kinds: stable, since records outlive programs.

#include <optional>
#include <string>
#include <string_view>

#include "daemon/run/progress.h"
#include "drivers/reading.h"
#include "safety/guard.h"

namespace chargewright::daemon {

std::string_view key_of(safety::Event::Kind kind);
std::string_view key_of(drivers::Measurand measurand);
std::string_view unit_of(drivers::Measurand measurand);
std::string_view key_of(drivers::Validity validity);
// The refusal of an event, with what was found and what was demanded where those are numbers.
std::string words_of_refusal(const safety::Event& refused);
std::optional<Phase> phase_of(std::string_view key);

}  // namespace chargewright::daemon

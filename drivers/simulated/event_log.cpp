#include "drivers/simulated/event_log.h"

namespace chargewright::drivers::simulated {

std::string_view name_of(Event::Kind kind) {
  switch (kind) {
    case Event::Kind::output_on:
      return "output-on";
    case Event::Kind::output_off:
      return "output-off";
    case Event::Kind::over_voltage_tripped:
      return "over-voltage-tripped";
    case Event::Kind::over_current_tripped:
      return "over-current-tripped";
    case Event::Kind::switch_closed:
      return "switch-closed";
    case Event::Kind::switch_opened:
      return "switch-opened";
    case Event::Kind::mark_crossed:
      return "mark-crossed";
    case Event::Kind::fault_injected:
      return "fault-injected";
    case Event::Kind::fault_cleared:
      return "fault-cleared";
  }
  return {};
}

}  // namespace chargewright::drivers::simulated

#include "daemon/run/progress.h"

namespace chargewright::daemon {

std::string_view key_of(Binding binding) {
  switch (binding) {
    case Binding::none:
      return "none";
    case Binding::step_current:
      return "step-current";
    case Binding::step_voltage:
      return "step-voltage";
    case Binding::step_power:
      return "step-power";
    case Binding::step_temperature:
      return "step-temperature";
    case Binding::source_rating:
      return "source-rating";
    case Binding::below_every_ceiling:
      return "below-every-ceiling";
  }
  return "unknown";
}

std::string_view describe(Binding binding) {
  switch (binding) {
    case Binding::none:
      return "the output is off";
    case Binding::step_current:
      return "the step's current ceiling sets the current";
    case Binding::step_voltage:
      return "the step's voltage ceiling: the cell itself tapers the current";
    case Binding::step_power:
      return "the step's power ceiling sets the current";
    case Binding::step_temperature:
      return "the current is lowered to hold the temperature ceiling";
    case Binding::source_rating:
      return "the rating of the source sets the current";
    case Binding::below_every_ceiling:
      return "less than every ceiling allows: the leads, or a limiter inside the pack";
  }
  return "unknown";
}

}  // namespace chargewright::daemon

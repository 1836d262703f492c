// What a person should look at after each cause, before acknowledging.
#include "safety/fault.h"

namespace chargewright::safety {

std::string_view advice_on(Cause cause) {
  switch (cause) {
    case Cause::operator_cut:
      return "look at why the operator cut";
    case Cause::guard_internal:
      return "keep the record and the journal, and report them; do not go on with this bench";
    case Cause::dead_man_lost:
      return "look at why it ended in the journal; restart the daemon, which starts it anew";
    case Cause::polarity_reversed:
      return "disconnect the cell, look for damage, and lay it in the right way round";
    case Cause::cell_changed:
      return "look whether the cell was taken out or another one put in; start a new run for it";
    case Cause::voltage_high:
    case Cause::current_high:
    case Cause::power_high:
      return "look for what drove it there: the source, a second source, a charge lead of its own";
    case Cause::temperature_high:
    case Cause::temperature_rising:
      return "keep away while it is warm, let it cool where it can burn without harm, then judge "
             "the cell";
    case Cause::current_reverse:
      return "look for a load on the cell, and for a source that sinks current";
    case Cause::voltage_low:
      return "look for a load, a short or a lead that is off; a cell below its least voltage is "
             "suspect";
    case Cause::temperature_low:
      return "warm the room; a cold cell must not be charged";
    case Cause::charge_high:
    case Cause::energy_high:
      return "look for a cell that takes charge without becoming full: it may be failing inside";
    case Cause::run_time:
    case Cause::step_time:
      return "look why it took so long before allowing it more time";
    case Cause::reading_unusable:
      return "look at the instrument, its range and its sensor's wires";
    case Cause::reading_stale:
    case Cause::conversation_failing:
      return "look at the instrument's power, its cable and its address";
    case Cause::protection_tripped:
      return "look at the instrument's panel for what tripped it, and why";
    case Cause::output_on_unbidden:
      return "switch it off by hand; ask who switched it on, or repair the output stage";
    case Cause::output_off_unbidden:
      return "ask who switched it off, and look at the instrument's panel";
    case Cause::setpoint_changed:
      return "ask who turned a knob; lock the panel";
    case Cause::circuit_open:
      return "look at the leads, the fuse, the contactor and the pack's own electronics";
    case Cause::leads_loose:
      return "tighten the leads and feel for warm joints; look whether the meter's leads sit at "
             "the "
             "cell";
    case Cause::readings_disagree:
      return "compare source and meter with a third instrument, and look where the meter is "
             "connected";
    case Cause::sensor_off_cell:
      return "look whether the thermometer sits on the cell, and fix it well";
    case Cause::sensor_stuck:
      return "look at the sensor: nothing real stands so still";
    case Cause::sequencer_late:
      return "look what keeps the machine busy; keep the record and the journal";
    case Cause::none:
      break;
  }
  return {};
}

}  // namespace chargewright::safety

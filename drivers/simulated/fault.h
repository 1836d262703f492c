#pragma once
// What can go wrong on a simulated bench, by name. Some faults are of an instrument and its
// conversation, some of the bench around it. They act in both seams: on orders in virtual time, and
// on bytes over a real link.

#include <cstdint>
#include <optional>
#include <string_view>
#include <vector>

#include "drivers/order.h"
#include "drivers/reading.h"

namespace chargewright::drivers::simulated {

enum class FaultKind : std::uint8_t {
  mute,                // obeys, answers nothing
  slow,                // answers `delay` late
  garbage,             // answers bytes that mean nothing
  not_a_number,        // measures 9.91E37
  stuck,               // measures what it measured when the fault began
  link_dropped,        // the link is gone, and does not come back until cleared
  ignores_output_off,  // the output stays on; of a contactor: welded
  sensor_lost,         // of one thermometer input, or all: wire broken, measures 9.91E37
  sensor_off_cell,     // of one thermometer input, or all: it feels the room
  lead_off,            // of a supply's output: its lead fell off the cell
  reversed,            // of a supply's output: its cell lies the wrong way round
  leads_loosened,      // of a supply's output: `value` ohms more in its leads
  cell_heats,          // of a supply's output: its cell makes `value` watts more while charged
  knob_turned,         // of a supply's output: someone set `value` at the panel; happens once
  cell_swapped,        // of a supply's output: its cell is another, rested at `value` volts; once
  output_switched,     // of a supply's output: someone switched it on or off at the panel; once
  output_selected,     // of a supply: someone selected that output at the panel; once. Only SCPI
                       // knows a selected one: an order names its own
};
inline constexpr std::uint8_t fault_kind_count =
    static_cast<std::uint8_t>(FaultKind::output_selected) + 1;

std::string_view name_of(FaultKind kind);  // "not-a-number"
std::optional<FaultKind> fault_named(std::string_view name);
// Happens once, and does not last: there is nothing to clear.
constexpr bool happens_once(FaultKind kind) { return kind >= FaultKind::knob_turned; }

struct BenchFault {
  FaultKind kind = FaultKind::mute;
  InstrumentId device = no_instrument;
  std::uint8_t channel = 0;  // 0: every channel
  Duration delay{};          // for slow
  Measurand knob = Measurand::voltage;
  double value = 0;  // for knob_turned: V or A; leads_loosened: ohm;
                     // cell_heats: W; cell_swapped: V
};

// The faults of one device, as its parts ask for them. At most 32 channels.
struct DeviceFaults {
  bool mute = false, garbage = false, not_a_number = false, stuck = false, link_dropped = false,
       ignores_off = false;
  Duration delay{};
  std::uint32_t sensors_lost = 0, sensors_off = 0;  // bit n: channel n+1
};

}  // namespace chargewright::drivers::simulated

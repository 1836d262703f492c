#pragma once
// The usual cautions, shown before the first start on a bench.

#include <array>
#include <string_view>

namespace chargewright::daemon {

inline constexpr std::array<std::string_view, 7> cautions{
    "Charging can end in fire, burst or toxic smoke. Charge where that would harm nobody, on a "
    "surface that does not burn, with a way out and an extinguisher at hand.",
    "This program is one layer of protection among several, never the only one: keep the fuses, "
    "the "
    "supply's own protections and the pack's own electronics in place.",
    "The data sheet of the cell's maker rules over every file and every figure shown here. A cell "
    "that is swollen, dented, wet, too cold or of unknown make is not charged.",
    "Check polarity, leads and connectors by hand before each start. Leads carry the full current: "
    "they must be rated and fused for it.",
    "Stay within reach until the end of the first run of a profile on a cell, and keep watching "
    "the "
    "cell while it cools: it can run away after the current is off.",
    "Know how to cut: `chargewright cut`, the supply's own switch, and the mains. Try the first "
    "before you need it.",
    "Local codes and a licensed electrician's word come before this program's.",
};

}  // namespace chargewright::daemon

#pragma once
// The longest time that a file may give: whatever is written of one has to be read back.

namespace chargewright::drivers {

inline constexpr double time_longest_s =
    36'500.0 * 86'400.0;  // a hundred years: Duration holds 292

}  // namespace chargewright::drivers

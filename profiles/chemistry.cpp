#include "profiles/chemistry.h"

#include <algorithm>
#include <array>

namespace chargewright::profiles {
namespace {

using drivers::volts;

constexpr std::array chemistries{
    // IEC 62133-2, upper limit charging voltage (from memory, unverified).
    Chemistry{"li-ion-nmc", false, volts(4.25), {}},
    Chemistry{"li-ion-nca", false, volts(4.25), {}},
    Chemistry{"li-ion-lco", false, volts(4.25), {}},
    // Charge voltages to 4.45 V are stated in charger data sheets; 0.05 V above (common practice,
    // no source).
    Chemistry{"li-ion-hv", false, volts(4.50), {}},
    Chemistry{"li-ion-lfp", false, volts(3.80), {}},  // common practice, no source
    Chemistry{"lto", false, volts(2.90), {}},         // common practice, no source
    // Sun et al. 2018, lithium-ion capacitors: 2.2 V to 3.8 V, never 0 V.
    Chemistry{"lic", true, volts(3.80), volts(2.20)},
    Chemistry{"edlc", true, volts(3.00), volts(-0.10)},    // common practice, no source
    Chemistry{"nimh", false, volts(1.80), {}, true},       // common practice, no source
    Chemistry{"lead-acid", false, volts(2.50), {}, true},  // common practice, no source
    Chemistry{"other", true, {}, {}},
};

}  // namespace

const Chemistry* find_chemistry(std::string_view key) {
  const auto* found = std::ranges::find(chemistries, key, &Chemistry::key);
  return found == chemistries.end() ? nullptr : found;
}

std::vector<std::string> chemistry_keys() {
  std::vector<std::string> keys;
  keys.reserve(chemistries.size());
  for (const Chemistry& chemistry : chemistries) keys.emplace_back(chemistry.key);
  return keys;
}

}  // namespace chargewright::profiles

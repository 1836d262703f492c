#pragma once
// SHA-256 (FIPS 180-4) of the exact bytes of a file, by which a record proves what it ran.

#include <string>
#include <string_view>

namespace chargewright::daemon {

std::string sha256(std::string_view bytes);  // 64 lower-case hexadecimal digits

}  // namespace chargewright::daemon

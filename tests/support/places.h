#pragma once
// Where the sources and what was built of them lie. Kept out of every test's own compile command,
// so that a cache of compiled files serves another checkout of the same sources.

#include <string>
#include <string_view>

namespace chargewright::test {

// Paths, absolute: in_source("drivers/dialects"), in_build("daemon/chargewrightd").
std::string in_source(std::string_view path = {});
std::string in_build(std::string_view path = {});

}  // namespace chargewright::test

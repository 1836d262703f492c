#pragma once
// The target of an HTTP request, taken apart: path segments and query fields, percent-decoded
// (RFC 3986, section 2.1). A malformed escape, a NUL, or more parts than any route has: nullopt.

#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace chargewright::daemon {

struct Target {
  std::vector<std::string> path;
  std::map<std::string, std::string> query;
};
std::optional<Target> parse_target(std::string_view text);

std::optional<std::string> percent_decoded(std::string_view text);
std::string percent_encoded(std::string_view text);  // of one segment or query value

}  // namespace chargewright::daemon

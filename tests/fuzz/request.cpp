// Requests to the daemon's socket: `METHOD TARGET`, a line end, the body. Whatever comes, the
// answer is one of the documented ones, reading never operates, a cut is known as one beforehand,
// and what is refused reached nothing.

#include "daemon/serve/api.h"

#include <algorithm>
#include <array>
#include <boost/json.hpp>

#include "daemon/serve/target.h"
#include "tests/fuzz/fuzz.h"
#include "tests/unit/daemon/serve_fake.h"

namespace chargewright::fuzz {
namespace {

using namespace daemon;

void claim_answered(const Response& response) {
  constexpr std::array statuses{200, 201, 400, 404, 405, 409, 500, 503};
  CLAIM(std::ranges::find(statuses, response.status) != statuses.end());
  if (response.status < 300) return;
  const auto& error = response.json.at("error").as_object();
  CLAIM(!error.at("kind").as_string().empty());
  CLAIM(!error.at("cause").as_string().empty());
}

bool operates(const std::string& call) {
  constexpr std::array<std::string_view, 5> calls{"stop", "cut", "start", "acknowledge", "approve"};
  return std::ranges::any_of(calls, [&](std::string_view name) { return call.starts_with(name); });
}

void ask(const ApiRequest& request) {
  FakeOperations bench;
  const Response response = handle(request, bench);
  claim_answered(response);
  CLAIM(bench.calls.size() <= 1);
  CLAIM(bench.calls.empty() == (response.status >= 300) || response.events.has_value());
  boost::json::error_code error;
  boost::json::parse(boost::json::serialize(response.json), error);
  for (const std::string& call : bench.calls) {
    CLAIM(request.method == "POST" || !operates(call));
    CLAIM(!call.starts_with("cut") || is_cut(request));
    CLAIM(!call.starts_with("start") || is_slow(request));
    CLAIM(!call.starts_with("cut") || !is_slow(request));  // never behind a disk
  }
  if (const auto target = parse_target(request.target)) {
    for (const std::string& part : target->path) {
      CLAIM(part.find('\0') == std::string::npos);
      CLAIM(percent_decoded(percent_encoded(part)) == part);
    }
  }
}

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string_view text(reinterpret_cast<const char*>(data), size);
  const std::string_view line = text.substr(0, text.find('\n'));
  const auto blank = std::min(line.find(' '), line.size());
  const std::string_view target = line.substr(std::min(blank + 1, line.size()));
  const std::string_view body = text.substr(std::min(line.size() + 1, text.size()));
  chargewright::fuzz::ask({.method = std::string(line.substr(0, blank)),
                           .target = std::string(target),
                           .body = std::string(body),
                           .by = {.uid = 1000, .pid = 42}});
  return 0;
}

// What answers on the daemon's socket may be anything: the command shows it as lines that keep to
// their width and cannot write anywhere else in a person's terminal.

#include <boost/json.hpp>

#include "daemon/cli/facts.h"
#include "daemon/cli/look.h"
#include "daemon/cli/watch_view.h"
#include "tests/fuzz/fuzz.h"

namespace chargewright::fuzz {
namespace {

using namespace daemon;

void claim_harmless(std::string_view line) {
  for (const char c : line) CLAIM(static_cast<unsigned char>(c) >= 0x20 && c != 0x7F);
}

void show(const boost::json::object& facts) {
  for (const int width : {20, 80}) {
    for (const std::string& line : watch_view(facts, {.width = width})) {
      CLAIM(cells_of(line) <= width);
      claim_harmless(line);
    }
    static_cast<void>(watch_view(facts, {.width = width, .colour = true}));
  }
  claim_harmless(watch_line(facts));
  static_cast<void>(watch_signature(facts));
  claim_harmless(event_line(facts));
  for (const auto& fact : facts) {
    claim_harmless(moment_text(number_in(facts, fact.key())));
    claim_harmless(span_text(number_in(facts, fact.key())));
  }
}

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string_view text(reinterpret_cast<const char*>(data), size);
  boost::json::error_code error;
  const auto json = boost::json::parse(text, error);
  if (!error && json.is_object()) chargewright::fuzz::show(json.get_object());
  return 0;
}

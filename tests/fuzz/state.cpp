// State files: what is read is written and read again the same, since a trip half understood is
// worse than one known to be damaged (S5).

#include "daemon/state/state_json.h"

#include <boost/json.hpp>
#include <cmath>

#include "tests/fuzz/fuzz.h"

namespace chargewright::fuzz {
namespace {

using namespace daemon;

template <class T>
void claim_same_again(const drivers::Result<T>& read,
                      drivers::Result<T> (*from)(const boost::json::value&)) {
  if (!read) {
    CLAIM(!read.error().cause.empty());
    return;
  }
  const boost::json::object written = to_json(*read);
  boost::json::error_code error;
  const auto stored = boost::json::parse(boost::json::serialize(written), error);
  CLAIM(!error);
  const auto again = from(stored);
  CLAIM(again.has_value());
  CLAIM(boost::json::serialize(to_json(*again)) == boost::json::serialize(written));
}

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  const std::string_view text(reinterpret_cast<const char*>(data), size);
  boost::json::error_code error;
  const auto json = boost::json::parse(text, error);
  if (error) return 0;
  const auto trip = latched_trip_from(json);
  claim_same_again(trip, latched_trip_from);
  if (trip) CLAIM(!describe(trip->fault).empty());
  claim_same_again(energised_from(json), energised_from);
  claim_same_again(approval_from(json), approval_from);
  return 0;
}

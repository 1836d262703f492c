#include "tests/support/places.h"

namespace chargewright::test {
namespace {

std::string in(std::string folder, std::string_view path) {
  if (!path.empty()) (folder += '/') += path;
  return folder;
}

}  // namespace

std::string in_source(std::string_view path) { return in(CHARGEWRIGHT_SOURCE, path); }
std::string in_build(std::string_view path) { return in(CHARGEWRIGHT_BUILD, path); }

}  // namespace chargewright::test

#include "daemon/serve/operations.h"

namespace chargewright::daemon {

std::string_view key_of(Denial denial) {
  switch (denial) {
    case Denial::bad_input:
      return "bad-input";
    case Denial::unknown:
      return "unknown";
    case Denial::refused:
      return "refused";
    case Denial::unapproved:
      return "unapproved";
    case Denial::cautions:
      return "cautions";
    case Denial::unavailable:
      return "unavailable";
    case Denial::own_fault:
      return "own-fault";
  }
  return "own-fault";
}

Denied nobody_waits() {
  return deny(Denial::unavailable, "whoever asked has gone: nothing was done");
}

Denied own_fault(const drivers::Failure& failure) {
  return {.denial = Denial::own_fault, .why = {.list = {failure}}, .facts = {}};
}

Denied deny(Denial denial, std::string cause, std::string advice) {
  return {.denial = denial,
          .why = {.list = {{.place = {}, .cause = std::move(cause), .advice = std::move(advice)}}},
          .facts = {}};
}

}  // namespace chargewright::daemon

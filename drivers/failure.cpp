#include "drivers/failure.h"

#include <stdexcept>

namespace chargewright::drivers {

std::string describe(const Failure& failure) {
  std::string text;
  if (!failure.place.file.empty()) {
    text += failure.place.file + ':';
    if (failure.place.line > 0) {
      text += std::to_string(failure.place.line) + ':' + std::to_string(failure.place.column) + ':';
    }
    text += ' ';
  }
  text += failure.cause;
  if (!failure.advice.empty()) text += "; " + failure.advice;
  return text;
}

std::string describe(const Failures& failures) {
  std::string text;
  for (const Failure& failure : failures.list) {
    if (!text.empty()) text += '\n';
    text += describe(failure);
  }
  return text;
}

void throw_exception_from_error(const Failure& failure, const boost::source_location&) {
  throw std::logic_error(describe(failure));
}

void throw_exception_from_error(const Failures& failures, const boost::source_location&) {
  throw std::logic_error(describe(failures));
}

}  // namespace chargewright::drivers

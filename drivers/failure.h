#pragma once
// Expected failures that a person reads: bad files, refused requests, links that do not open. What
// was seen, where, and what to do. Expected failures are values; exceptions are for our own bugs.
// (The guard has its own allocation-free shape for faults on the bench: safety/fault.h.)

#include <boost/system/result.hpp>
#include <string>
#include <vector>

namespace chargewright::drivers {

// A place in a file that a person wrote; line and column count from 1, 0 means "not known".
struct Place {
  std::string file;
  int line = 0;
  int column = 0;
};

struct Failure {
  Place place;         // empty file: the failure has no place in a file
  std::string cause;   // what was seen, and what was expected
  std::string advice;  // what to do about it; may be empty
};

// `file:line:column: cause; advice`, with the parts that are known.
std::string describe(const Failure& failure);

// All the problems of a file at once, in the order of their places.
struct Failures {
  std::vector<Failure> list;
};
std::string describe(const Failures& failures);  // one line each

template <class T>
using Result = boost::system::result<T, Failure>;
template <class T>
using Checked = boost::system::result<T, Failures>;

// value() on a failed result is our own bug: it throws std::logic_error with the description.
// Boost.System finds these by the namespace of their argument.
[[noreturn]] void throw_exception_from_error(const Failure& failure,
                                             const boost::source_location& where);
[[noreturn]] void throw_exception_from_error(const Failures& failures,
                                             const boost::source_location& where);

}  // namespace chargewright::drivers

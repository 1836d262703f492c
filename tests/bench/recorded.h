#pragma once
// Looks into a record as anyone with SQLite may.

#include <string>

namespace chargewright::test {

// The first value that the query finds, as text.
std::string in_record(const std::string& path, const std::string& query);

// A change of state in the record that safety/transitions.h does not list; empty: there is none.
std::string unlisted_change(const std::string& path);

}  // namespace chargewright::test

#pragma once
// The words of a dialect file: verbs, roles, units and meanings, each a table. What a word means to
// the loader is in dialect.cpp.

#include <array>
#include <span>
#include <string_view>

#include "drivers/dialect.h"

namespace chargewright::drivers {

enum class Nature : std::uint8_t {
  question,  // ask
  command,   // send
  proved,    // send, then prove
};

struct VerbRow {
  std::string_view key;
  Nature nature;
  char unit;  // 'V', 'A', 'T' for temperature, 0 for none
  Expect expect;
};

// In the order of Verb.
const std::array<VerbRow, verb_count>& verb_rows();

// What each role must spell, or say `absent` to.
struct RoleRow {
  std::string_view key;
  std::span<const Verb> verbs;
};
std::span<const RoleRow> role_rows();

// Units in which an answer may come.
struct UnitRow {
  std::string_view name;
  char dimension;
  double scale;
  double offset;
};
std::span<const UnitRow> unit_rows();

// Words for the numbers that drivers/order.h gives to read-regulation and read-protection.
struct MeaningRow {
  std::string_view word;
  Verb verb;
  int value;
};
std::span<const MeaningRow> meaning_rows();

}  // namespace chargewright::drivers

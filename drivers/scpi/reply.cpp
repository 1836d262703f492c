#include "drivers/scpi/reply.h"

#include <cmath>

#include "drivers/scpi/message.h"
#include "drivers/scpi/number.h"

namespace chargewright::drivers::scpi {
namespace {

Meaning interpret_number(const Ask& ask, std::string_view text) {
  const Number number = parse_number(text);
  switch (number.kind) {
    case NumberKind::finite:
      return {Ending::done, number.value * ask.scale + ask.offset};
    case NumberKind::not_a_number:
      return {Ending::not_a_number, 0};
    case NumberKind::infinite:
      return {Ending::infinite, 0};
    case NumberKind::unparsable:
      break;
  }
  return {};
}

Meaning interpret_boolean(std::string_view text) {
  const std::optional<bool> value = parse_boolean(text);
  if (!value) return {};
  return {Ending::done, *value ? 1.0 : 0.0};
}

Meaning interpret_bits(const Ask& ask, std::string_view text) {
  const std::optional<std::int32_t> number = parse_integer(text);
  if (!number || *number < 0) return {};
  if (ask.bits.empty()) return {Ending::done, static_cast<double>(*number)};
  for (const Ask::Bits& row : ask.bits) {
    if ((static_cast<std::uint32_t>(*number) & row.mask) == row.equals) {
      return {Ending::done, static_cast<double>(row.means)};
    }
  }
  return {Ending::done, 0};
}

Meaning interpret_list(const Ask& ask, std::string_view line) {
  std::optional<std::string_view> rest = line;
  int value = 0;
  for (int i = 0; i < ask.items; ++i) {
    const std::optional<std::string_view> unit = next_unit(rest);
    const std::optional<bool> bit = unit ? parse_boolean(*unit) : std::nullopt;
    if (!bit) return {};
    if (*bit) value |= 1 << i;
  }
  if (rest) return {};
  return {Ending::done, static_cast<double>(value)};
}

Meaning interpret_proof(const Ask& ask, std::string_view line, double ordered) {
  constexpr double rounding = 1e-9;  // of the comparison itself, not of any instrument
  std::optional<std::string_view> rest = line;
  Meaning proof{Ending::done, 0};
  bool has_value = false;
  for (const Ask::Part& part : ask.parts) {
    const std::optional<std::string_view> unit = next_unit(rest);
    if (!unit) return {};
    if (!part.exact) {
      const Meaning read = interpret_number(ask, *unit);
      if (read.ending != Ending::done) return read;
      proof.value = read.value;
      has_value = true;
      if (!(std::abs(read.value - ordered) <= ask.within + rounding)) {
        proof.ending = Ending::disproved;
      }
      continue;
    }
    const std::optional<bool> word = parse_boolean(*unit);
    const Number number =
        word ? Number{NumberKind::finite, *word ? 1.0 : 0.0} : parse_number(*unit);
    if (number.kind != NumberKind::finite) return {};
    if (!has_value) proof.value = number.value;
    if (number.value != part.equals) proof.ending = Ending::disproved;
  }
  if (rest) return {};
  return proof;
}

}  // namespace

Meaning interpret(const Ask& ask, std::string_view line, double ordered) {
  switch (ask.expect) {
    case Expect::number:
      return interpret_number(ask, line);
    case Expect::boolean:
      return interpret_boolean(line);
    case Expect::integer:
      return interpret_bits(ask, line);
    case Expect::list:
      return interpret_list(ask, line);
    case Expect::proof:
      return interpret_proof(ask, line, ordered);
    case Expect::identity:
    case Expect::error:
      break;
  }
  return {};
}

}  // namespace chargewright::drivers::scpi

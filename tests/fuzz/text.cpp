// Short texts: numbers and messages of SCPI, quantities, conditions, link addresses. What is read
// is finite and means the same when it is written and read again; a stream's lines do not depend on
// the pieces in which it comes.

#include <cmath>
#include <cstring>
#include <vector>

#include "drivers/link.h"
#include "drivers/quantity_text.h"
#include "drivers/scpi/message.h"
#include "drivers/scpi/number.h"
#include "drivers/scpi/reply.h"
#include "profiles/condition.h"
#include "tests/fuzz/fuzz.h"
#include "tests/support/places.h"

namespace chargewright::fuzz {
namespace {

using namespace drivers;

bool near(double a, double b, double relative, double absolute) {
  return std::abs(a - b) <= std::abs(a) * relative + absolute;
}

// ---- SCPI

void number(const std::string& text) {
  const scpi::Number read = scpi::parse_number(text);
  if (read.kind == scpi::NumberKind::infinite) CLAIM(std::abs(read.value) == 1);
  if (read.kind != scpi::NumberKind::finite) return;
  CLAIM(std::isfinite(read.value));
  CLAIM(std::abs(read.value) < 9.9e37);
  const std::string trimmed{scpi::trimmed(text)};
  if (!trimmed.starts_with('#')) {  // the C library reads the decimal forms alike
    char* end = nullptr;
    const double other = std::strtod(trimmed.c_str(), &end);
    if (*end == '\0') CLAIM(read.value == other || near(read.value, other, 1e-15, 0));
  }
  char room[64];
  if (const auto fixed = scpi::format_fixed(read.value, 6, room, sizeof room)) {
    const scpi::Number again = scpi::parse_number(*fixed);
    CLAIM(again.kind == scpi::NumberKind::finite);
    CLAIM(near(read.value, again.value, 1e-15, 5.1e-7));
  }
}

std::vector<std::string> lines_of(std::string_view bytes, std::size_t piece) {
  scpi::LineReader reader;
  std::vector<std::string> lines;
  while (!bytes.empty()) {
    std::string_view part = bytes.substr(0, piece);
    bytes.remove_prefix(part.size());
    while (const auto line = reader.next(part)) {
      CLAIM(line->text.size() <= scpi::line_length_max);
      CLAIM(line->text.find('\0') == std::string_view::npos ||
            line->text.find('#') != std::string_view::npos ||
            line->defect != scpi::LineDefect::none);
      lines.push_back(std::to_string(static_cast<int>(line->defect)) + ' ' +
                      std::string(line->text));
    }
  }
  return lines;
}

void message(const std::string& text) {
  const auto whole = lines_of(text, text.size() + 1);
  CLAIM(lines_of(text, 1) == whole);
  CLAIM(lines_of(text, 7) == whole);

  std::optional<std::string_view> rest = text;
  for (std::size_t i = 0; rest; ++i) {
    CLAIM(i <= text.size());
    CLAIM(scpi::next_unit(rest).has_value());
  }
  if (const auto error = scpi::parse_error(text)) CLAIM(error->text.size() <= text.size());
  std::string room(text.size(), 0);
  if (const auto words = scpi::parse_string(text, room.data(), room.size())) {
    CLAIM(words->size() + 2 <= text.size());
  }
  static_cast<void>(scpi::parse_identification(text));

  static const Dialect supply =
      load_dialect("scpi-supply", {chargewright::test::in_source("drivers/dialects")}).value();
  for (const Spelling& spelling : supply.verbs) {
    if (!spelling.ask) continue;
    const scpi::Meaning meaning = scpi::interpret(*spelling.ask, text, 4.2);
    CLAIM(std::isfinite(meaning.value));
    if (meaning.ending == Ending::done && spelling.ask->expect == Expect::proof &&
        !spelling.ask->parts.front().exact) {
      CLAIM(near(4.2, meaning.value, 0, spelling.ask->within + 1e-8));
    }
  }
}

// ---- quantities

template <class T>
void quantity(const std::string& text, double coarse) {
  const Result<T> read = parse<T>(text);
  if (!read) {
    CLAIM(!read.error().cause.empty());
    return;
  }
  CLAIM(std::isfinite(read->value()));
  const Result<T> again = parse<T>(to_text(*read));
  CLAIM(again.has_value());
  CLAIM(near(read->value(), again->value(), 1e-3, coarse));
}

void quantities(const std::string& text) {
  quantity<Volts>(text, 1e-6);
  quantity<Amperes>(text, 1e-6);
  quantity<Ohms>(text, 1e-6);
  quantity<Watts>(text, 1e-6);
  quantity<Joules>(text, 1e-6);
  quantity<Coulombs>(text, 1e-6);
  quantity<Celsius>(text, 0.0051);
  quantity<Kelvins>(text, 0.0051);
  quantity<KelvinsPerSecond>(text, 0.0051 / 60);
  if (const auto time = parse<Duration>(text)) CLAIM(!to_text(*time).empty());
  if (const auto mass = parse<Kilograms>(text)) CLAIM(std::isfinite(mass->value()));
  if (const auto volume = parse<CubicMetres>(text)) CLAIM(std::isfinite(volume->value()));
  if (const auto capacity = parse<Farads>(text)) CLAIM(std::isfinite(capacity->value()));
  if (const auto length = parse<Metres>(text)) CLAIM(std::isfinite(length->value()));
  if (const auto area = parse_gauge(text)) CLAIM(std::isfinite(area->value()) && area->value() > 0);
  if (const auto share = parse_percent(text)) CLAIM(std::isfinite(*share));
  if (const auto rate = parse_rate(text)) CLAIM(std::isfinite(rate->per_hour));
  if (const auto plain = drivers::parse_number(text)) {
    CLAIM(std::isfinite(*plain));
    CLAIM(drivers::parse_number(exact(*plain)).value() == *plain);
  }
}

// ---- conditions

std::optional<profiles::Condition> condition_of(const std::string& text) {
  const Document document{.file = "fuzzed", .text = {}, .root = {}};
  const Node node{.kind = NodeKind::scalar, .scalar = text, .line = 1, .column = 1};
  Failures problems;
  auto condition = profiles::read_condition(document, node, problems);
  if (condition) {
    CLAIM(problems.list.empty());
  } else {
    claim_explained(problems);
  }
  return condition;
}

void condition(const std::string& text) {
  const auto read = condition_of(text);
  if (!read) return;
  CLAIM(read->nodes.size() == 1);
  const auto& node = read->nodes.front();
  CLAIM(std::isfinite(node.value));
  CLAIM(node.hold >= Duration::zero());
  const auto again = condition_of(profiles::describe(*read));
  CLAIM(again.has_value());
  CLAIM(again->nodes.front().subject == node.subject);
  CLAIM(again->nodes.front().comparison == node.comparison);
  CLAIM(again->nodes.front().relation == node.relation);
  CLAIM(near(node.value, again->nodes.front().value, 2e-3, 0.51));
  profiles::ConditionState state{profiles::resolve(*read, ampere_hours(2.4))};
  CLAIM(!state.see({}, Instant{}));  // nothing is known: nothing is met
}

void link(const std::string& text) {
  const Result<LinkAddress> address = parse_link(text);
  if (!address) {
    CLAIM(!address.error().cause.empty());
    return;
  }
  const Result<LinkAddress> again = parse_link(to_text(*address));
  CLAIM(again.has_value());
  CLAIM(to_text(*again) == to_text(*address));
}

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  const std::string text(reinterpret_cast<const char*>(data), size);
  number(text);
  message(text);
  quantities(text);
  condition(text);
  link(text);
  return 0;
}

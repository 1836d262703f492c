// Bench, cell, profile and policy: documents separated by a line `%%`, each known by its first key;
// what is not given is a shipped one. What does not load says why and where; what passes `check`
// stays inside what the cell bears (S2), in finite numbers.

#include <array>
#include <boost/json.hpp>
#include <cmath>

#include "profiles/check.h"
#include "tests/fuzz/fuzz.h"
#include "tests/support/places.h"

namespace chargewright::fuzz {
namespace {

using namespace profiles;

const std::string source = chargewright::test::in_source();

// The demonstration fills in where its instruments are served.
Bench hut_bench() {
  auto text = drivers::read_document(source + "/daemon/demonstration/radio-bench.yaml")->text;
  int port = 5025;
  for (auto at = text.find('@'); at != std::string::npos; at = text.find('@', at)) {
    text.replace(at, text.find('@', at + 1) + 1 - at, "tcp://127.0.0.1:" + std::to_string(port++));
  }
  return read_bench(drivers::parse_document(text, "bench.yaml").value()).value();
}

struct Set {
  Bench bench = hut_bench();
  Cell cell = load_cell(source + "/profiles/cells/hut-radio-24.yaml").value();
  Profile profile = load_profile(source + "/profiles/library/refill-between-sorties.yaml").value();
  Policy policy;
};

template <class T>
bool loaded(drivers::Checked<T> read, T& into) {
  if (!read) {
    claim_explained(read.error());
    return false;
  }
  into = std::move(*read);
  return true;
}

bool load(const std::string& text, Set& set) {
  const auto document = drivers::parse_document(text, "fuzzed.yaml");
  if (!document) {
    claim_explained(document.error());
    return false;
  }
  const auto& fields = document->root.fields;
  const std::string_view first = fields.empty() ? std::string_view{} : fields.front().first;
  if (first == "bench") return loaded(read_bench(*document), set.bench);
  if (first == "cell") return loaded(read_cell(*document), set.cell);
  if (first == "profile") return loaded(read_profile(*document), set.profile);
  return loaded(read_policy(*document), set.policy);
}

template <class Q>
void claim_finite(const std::optional<safety::Limit<Q>>& limit) {
  if (!limit) return;
  if constexpr (!std::is_same_v<Q, drivers::Duration>) {
    CLAIM(std::isfinite(limit->value.value()));
    CLAIM(!limit->at_once || std::isfinite(limit->at_once->value.value()));
  }
  CLAIM(limit->on_delay >= drivers::Duration::zero());
}

void claim_sound(const CheckReport& report, const Set& set) {
  const safety::Limits& limits = report.plan.limits;
  CLAIM(safety::defect(limits).empty());
  claim_finite(limits.voltage_above);
  claim_finite(limits.voltage_below);
  claim_finite(limits.current_above);
  claim_finite(limits.current_reverse);
  claim_finite(limits.power_above);
  claim_finite(limits.temperature_above);
  claim_finite(limits.temperature_below);
  claim_finite(limits.temperature_rising);
  claim_finite(limits.charge_above);
  claim_finite(limits.energy_above);
  CLAIM(limits.voltage_above && limits.voltage_above->value <= set.cell.voltage.never_above);
  CLAIM(limits.current_above && limits.current_above->value <= set.cell.current.never_above);
  if (limits.temperature_above) {
    CLAIM(limits.temperature_above->value.value() <= set.cell.temperature.never_above.value());
  }
  CLAIM(limits.run_time && limits.run_time->value > drivers::Duration::zero());

  CLAIM(!report.procedure.order.empty());
  CLAIM(report.procedure.order.size() <= executed_steps_max);
  for (const auto& executed : report.procedure.order) {
    CLAIM(executed.step < report.procedure.steps.size());
  }
  for (const PlannedStep& step : report.procedure.steps) {
    if (step.verb != StepVerb::charge) continue;
    CLAIM(step.ceilings.voltage <= set.cell.voltage.full);
    CLAIM(step.ceilings.current <= set.cell.current.charge);
    CLAIM(step.ceilings.current > drivers::amperes(0));
    CLAIM(!step.until.empty());
    CLAIM(!step.ceilings.power || std::isfinite(step.ceilings.power->value()));
    CLAIM(!step.ceilings.temperature || std::isfinite(step.ceilings.temperature->value()));
  }
}

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  static const Set shipped;
  Set set = shipped;
  std::string_view rest(reinterpret_cast<const char*>(data), size);
  for (int i = 0; i < 4 && !rest.empty(); ++i) {
    const auto end = rest.find("\n%%\n");
    if (!load(std::string(rest.substr(0, end)), set)) return 0;
    rest = end == std::string_view::npos ? std::string_view{} : rest.substr(end + 4);
  }
  for (std::size_t channel = 0; channel < set.bench.channels.size(); ++channel) {
    const CheckReport report = check(set.profile, set.cell, set.bench, channel, set.policy);
    for (const auto& problem : report.problems) CLAIM(!problem.cause.empty());
    for (const auto& line : report.lines) CLAIM(!line.quantity.empty() && !line.value.empty());
    if (report.problems.empty()) claim_sound(report, set);
  }
  static_cast<void>(plant_of(set.bench));
  return 0;
}

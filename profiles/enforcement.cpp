#include "profiles/enforcement.h"

#include <algorithm>
#include <cmath>

#include "drivers/quantity_text.h"
#include "profiles/protections.h"

namespace chargewright::profiles {

using namespace drivers;
using safety::Cause;

namespace {

struct Shown {
  Cause cause;
  std::string_view quantity;
  std::string_view unit;
  double per_unit;
};
constexpr std::array shown{
    Shown{Cause::voltage_high, "voltage-above", "V", 1},
    Shown{Cause::voltage_low, "voltage-below", "V", 1},
    Shown{Cause::current_high, "current-above", "A", 1},
    Shown{Cause::current_reverse, "current-reverse", "A", 1},
    Shown{Cause::power_high, "power-above", "W", 1},
    Shown{Cause::temperature_high, "temperature-above", "K", 1},
    Shown{Cause::temperature_low, "temperature-below", "K", 1},
    Shown{Cause::temperature_rising, "temperature-rising", "K/min", 1.0 / 60},
    Shown{Cause::charge_high, "charge-above", "Ah", 3600},
    Shown{Cause::energy_high, "energy-above", "Wh", 3600},
    Shown{Cause::run_time, "run-time", "s", 1},
    Shown{Cause::step_time, "step-time", "s", 1},
};

const Shown& shown_of(Cause cause) { return *std::ranges::find(shown, cause, &Shown::cause); }

std::string text_of(Cause cause, double value) {
  switch (cause) {
    case Cause::voltage_high:
      return to_text(volts(value));
    case Cause::current_high:
      return to_text(amperes(value));
    default:
      return to_text(kelvins(value));
  }
}

// Rounded to the safe side and to the four digits that are shown, so that what is advised holds.
double rounded_down(double value, double step) {
  if (value >= 1) step = std::max(step, std::pow(10, std::floor(std::log10(value)) - 3));
  return std::floor(value / step + 1e-9) * step;
}

// The largest x of low..high for which `holds`, which holds for less whenever it holds for more.
template <class Holds>
std::optional<double> largest(double low, double high, Holds holds) {
  if (!(low < high) || !holds(low)) return std::nullopt;
  for (int n = 0; n < 40; ++n) {
    const double middle = 0.5 * (low + high);
    (holds(middle) ? low : high) = middle;
  }
  return low;
}

// The bench, the limits and the currents as they are, or as an advice would have them.
struct Variant {
  safety::Plant plant;
  safety::RunPlan plan;
};

class Judge {
 public:
  explicit Judge(const EnforcementSetup& setup)
      : setup_(setup), channel_(setup.bench.channels[setup.channel]) {}

  Enforcement run() {
    const Variant as_is = variant();
    const safety::Budget budget = budget_of(as_is);
    for (const safety::BudgetLine& line : budget.lines) {
      const Shown& is = shown_of(line.cause);
      BudgetRow row{is.quantity, is.unit, is.per_unit, line, margin(line.cause, as_is.plan)};
      if (row.margin) {
        row.verdict =
            within(line.source.overshoot, *row.margin) ? Verdict::holds : Verdict::exceeds;
      }
      if (row.verdict == Verdict::exceeds) refuse(row);
      into_.rows.push_back(row);
    }
    if (budget.too_slow != no_instrument) remark(budget.too_slow);
    into_.rests_on = rests_on(setup_.cell, setup_.bench, setup_.channel, setup_.basis);
    return std::move(into_);
  }

 private:
  static bool within(double overshoot, double margin) {
    return overshoot <= margin + 1e-9 * std::max(1.0, std::abs(margin));
  }

  [[nodiscard]] Variant variant() const {
    Variant as_is{plant_of(setup_.bench), setup_.plan};
    as_is.plant.channels[setup_.channel].abilities = setup_.basis.abilities;
    return as_is;
  }
  [[nodiscard]] safety::Budget budget_of(const Variant& v) const {
    return safety::budget_of(
        budget_setup(v.plant, v.plan, setup_.cell, setup_.bench, setup_.channel, setup_.basis));
  }

  // From the limit to what the cell's own file says must never happen.
  [[nodiscard]] std::optional<double> margin(Cause cause, const safety::RunPlan& plan) const {
    const safety::Limits& limits = plan.limits;
    const Cell& cell = setup_.cell;
    switch (cause) {
      case Cause::voltage_high:
        return (cell.voltage.never_above - limits.voltage_above->value).value();
      case Cause::current_high:
        return (cell.current.never_above - limits.current_above->value).value();
      case Cause::temperature_high:
        return cell.temperature.never_above.value() - limits.temperature_above->value.value();
      default:
        return std::nullopt;
    }
  }

  [[nodiscard]] bool holds(Cause cause, const Variant& v) const {
    return within(budget_of(v).of(cause)->source.overshoot, *margin(cause, v.plan));
  }

  void refuse(const BudgetRow& row) {
    const Cause cause = row.line.cause;
    const std::string bound =
        *row.margin > 0 ? "only " + text_of(cause, *row.margin) + " more" : "no more than that";
    into_.problems.push_back({setup_.place_of(row.quantity),
                              "this bench cannot enforce " + std::string(row.quantity) + ' ' +
                                  setup_.words_of(row.quantity) + ": the cell may go " +
                                  text_of(cause, row.line.source.overshoot) + " beyond it in the " +
                                  to_text(row.line.source.time) +
                                  " until its current has stopped, but bears " + bound,
                              advice(cause)});
  }

  [[nodiscard]] std::string advice(Cause cause) const {
    std::string words;
    const auto add = [&](const std::string& one) { words += (words.empty() ? "" : "; or ") + one; };
    if (const auto every = faster(cause)) add("read it every " + to_text(*every));
    if (const auto limit = lower_limit(cause)) add("set the limit at " + *limit + " or below");
    if (const auto currents = smaller_currents(cause)) {
      add("set the limit on current at " + to_text(currents->limit) +
          " and the currents of the steps at " + to_text(currents->ceiling) + ", or below");
    }
    if (!words.empty()) return words;
    switch (cause) {
      case Cause::voltage_high:
        return "it needs a source whose over-voltage protection can be armed, and leads that drop "
               "little";
      case Cause::current_high:
        return "it needs a source whose over-current protection can be armed, or that is rated no "
               "more than the cell bears";
      default:
        return "it needs less current, or a thermometer that follows faster";
    }
  }

  [[nodiscard]] std::optional<Duration> faster(Cause cause) const {
    Variant v = variant();
    Duration& every = v.plant.channels[setup_.channel].every;
    const double present = in_seconds(every);
    const auto found = largest(0.001, present, [&](double s) {
      every = seconds(s);
      return holds(cause, v);
    });
    if (!found) return std::nullopt;
    return seconds(rounded_down(*found, 0.001));
  }

  [[nodiscard]] std::optional<std::string> lower_limit(Cause cause) const {
    Variant v = variant();
    safety::Limits& limits = v.plan.limits;
    const auto search = [&](double low, auto& value, double step) -> std::optional<double> {
      using Q = std::remove_reference_t<decltype(value)>;
      const auto found = largest(low, value.value(), [&](double x) {
        value = Q::from_value(x);
        protect(v.plan, setup_.current_max);
        return holds(cause, v);
      });
      if (!found || rounded_down(*found, step) <= low) return std::nullopt;
      return rounded_down(*found, step);
    };
    std::optional<double> found;
    switch (cause) {
      case Cause::voltage_high:
        found = search(setup_.voltage_max.value(), limits.voltage_above->value, 0.001);
        return found ? std::optional(to_text(volts(*found))) : std::nullopt;
      case Cause::current_high:
        found = search(setup_.current_max.value(), limits.current_above->value, 0.01);
        return found ? std::optional(to_text(amperes(*found))) : std::nullopt;
      default:
        found = search(setup_.cell.temperature.charge_min.value(), limits.temperature_above->value,
                       0.1);
        return found ? std::optional(to_text(celsius(*found))) : std::nullopt;
    }
  }

  // All alike: the source's own protection stands above the ceilings, not at the limit.
  struct Currents {
    Amperes limit;
    Amperes ceiling;
  };
  [[nodiscard]] std::optional<Currents> smaller_currents(Cause cause) const {
    if (cause == Cause::current_high || !setup_.plan.limits.current_above) return std::nullopt;
    const Amperes present = setup_.plan.limits.current_above->value;
    Variant v = variant();
    const auto found = largest(0.01, 1.0, [&](double share) {
      v.plan.limits.current_above->value = present * share;
      protect(v.plan, setup_.current_max * share);
      return holds(cause, v);
    });
    if (!found) return std::nullopt;
    const double limit = rounded_down(*found * present.value(), 0.01);
    const double ceiling = rounded_down(*found * setup_.current_max.value(), 0.01);
    if (!(ceiling > 0)) return std::nullopt;
    return Currents{amperes(limit), amperes(ceiling)};
  }

  void protect(safety::RunPlan& plan, Amperes current_max) const {
    set_protections(plan, setup_.cell, setup_.bench, channel_, setup_.basis.proved_within,
                    current_max);
  }

  void remark(InstrumentId slow) {
    const BenchInstrument& instrument = setup_.bench.instruments[slow];
    into_.notes.push_back({channel_.place,
                           '`' + instrument.name +
                               "` may take so long to answer all that it is asked that a reading " +
                               "grows older than `allowed-age`, " + to_text(channel_.allowed_age) +
                               ", and the run trips",
                           "lengthen `every`, or use a faster link"});
  }

  const EnforcementSetup& setup_;
  const BenchChannel& channel_;
  Enforcement into_;
};

}  // namespace

std::string_view key_of(Verdict verdict) {
  switch (verdict) {
    case Verdict::holds:
      return "holds";
    case Verdict::exceeds:
      return "exceeds";
    case Verdict::no_bound:
      return "no-bound";
  }
  return "invalid";
}

Enforcement enforcement_of(const EnforcementSetup& setup) { return Judge(setup).run(); }

}  // namespace chargewright::profiles

#include "profiles/limits_text.h"

#include "drivers/quantity_text.h"
#include "profiles/fields.h"

namespace chargewright::profiles {

using namespace drivers;

namespace {

using namespace std::chrono_literals;

// How a limit is read: what of, and how long it may be borne at most before it cuts. An on-delay
// is there to let a reading settle, not to allow what the limit forbids (common practice, no
// source); tallies and times do not bounce, and have none.
struct Manner {
  Subject subject;
  Duration on_delay_max;
  bool positive;
};

Result<Magnitude> relative_refused(const Result<Magnitude>& magnitude, Units units) {
  if (!magnitude || units == Units::also_relative || magnitude->relation == Relation::absolute) {
    return magnitude;
  }
  return Failure{{},
                 magnitude->relation == Relation::c_rate
                     ? "a C-rate has no meaning here, where no cell is known"
                     : "per cent of a capacity has no meaning here, where no cell is known",
                 magnitude->relation == Relation::c_rate
                     ? "write amperes, for example 1.5 A"
                     : "write ampere-hours, for example 2.4 Ah"};
}

class Reader {
 public:
  Reader(const Document& document, Units units, Failures& problems)
      : document_(document), units_(units), problems_(problems) {}

  // `{above: 4.24 V}` or `{above: {limit: 4.24 V, for: 200 ms}}`.
  template <class Parse>
  void read(Mapping& group, std::string_view key, std::optional<LimitText>& into, Parse parse,
            Duration on_delay_max, bool positive) {
    const Node* node = group.take(key);
    if (node == nullptr) return;
    LimitText limit;
    limit.place = document_.place(*node);
    const Node* value = node;
    if (node->kind == NodeKind::mapping) {
      Mapping fields(document_, *node, problems_, "a limit");
      value = fields.need("limit");
      if (const auto on_delay = quantity<Duration>(fields, "for", Presence::needed)) {
        limit.on_delay = *on_delay;
        if (*on_delay > on_delay_max) {
          fields.complain(*fields.take("for"),
                          on_delay_max == Duration::zero()
                              ? "this limit has no on-delay: what it counts does not bounce"
                              : "an on-delay of more than " + to_text(on_delay_max),
                          on_delay_max == Duration::zero() ? "leave `for` out" : "shorten it");
        }
      }
      fields.finish();
      if (value == nullptr) return;
    }
    const std::string* text = scalar(group, *value, key);
    if (text == nullptr) return;
    Magnitude magnitude;
    if (!accept(document_, *value, relative_refused(parse(*text), units_), magnitude, problems_)) {
      return;
    }
    if (positive && !(magnitude.value > 0)) {
      group.complain(*value, "a limit of " + *text + ", which must be more than nothing");
      return;
    }
    limit.value = magnitude.value;
    limit.relation = magnitude.relation;
    limit.text = *text;
    into = limit;
  }

  void read(Mapping& group, std::string_view key, std::optional<LimitText>& into,
            const Manner& manner) {
    read(
        group, key, into,
        [&](std::string_view text) { return parse_magnitude(manner.subject, text); },
        manner.on_delay_max, manner.positive);
  }

 private:
  const Document& document_;
  Units units_;
  Failures& problems_;
};

Result<Magnitude> parse_rising(std::string_view text) {
  const Result<KelvinsPerSecond> rate = parse<KelvinsPerSecond>(text);
  if (!rate) return rate.error();
  return Magnitude{rate->value()};
}

template <class Q>
void resolve_one(const std::optional<LimitText>& from, Coulombs capacity, safety::Origin origin,
                 std::optional<safety::Limit<Q>>& into) {
  if (!from) return;
  const double value = absolute(from->value, from->relation, capacity);
  if constexpr (std::is_same_v<Q, Duration>) {
    into = safety::Limit<Q>{seconds(value), origin, from->on_delay};
  } else {
    into = safety::Limit<Q>{Q::from_value(value), origin, from->on_delay};
  }
}

}  // namespace

LimitsText read_limits(const Document& document, const Node& node, Units units,
                       Failures& problems) {
  LimitsText limits;
  Reader reader(document, units, problems);
  Mapping mapping(document, node, problems, "`limits`");
  if (const Node* group = mapping.take("voltage")) {
    Mapping fields(document, *group, problems, "`voltage`");
    reader.read(fields, "above", limits.voltage_above, {Subject::voltage, 1s, false});
    reader.read(fields, "below", limits.voltage_below, {Subject::voltage, 1s, false});
    fields.finish();
  }
  if (const Node* group = mapping.take("current")) {
    Mapping fields(document, *group, problems, "`current`");
    reader.read(fields, "above", limits.current_above, {Subject::current, 1s, true});
    reader.read(fields, "reverse", limits.current_reverse, {Subject::current, 1s, true});
    fields.finish();
  }
  if (const Node* group = mapping.take("power")) {
    Mapping fields(document, *group, problems, "`power`");
    reader.read(fields, "above", limits.power_above, {Subject::power, 1s, true});
    fields.finish();
  }
  if (const Node* group = mapping.take("temperature")) {
    Mapping fields(document, *group, problems, "`temperature`");
    reader.read(fields, "above", limits.temperature_above, {Subject::temperature, 10s, false});
    reader.read(fields, "below", limits.temperature_below, {Subject::temperature, 10s, false});
    reader.read(fields, "rising", limits.temperature_rising, parse_rising, 60s, true);
    fields.finish();
  }
  if (const Node* group = mapping.take("charge")) {
    Mapping fields(document, *group, problems, "`charge`");
    reader.read(fields, "above", limits.charge_above, {Subject::charge, 0s, true});
    fields.finish();
  }
  if (const Node* group = mapping.take("energy")) {
    Mapping fields(document, *group, problems, "`energy`");
    reader.read(fields, "above", limits.energy_above, {Subject::energy, 0s, true});
    fields.finish();
  }
  if (const Node* group = mapping.take("time")) {
    Mapping fields(document, *group, problems, "`time`");
    reader.read(fields, "above", limits.run_time, {Subject::run_time, 0s, true});
    reader.read(fields, "step-above", limits.step_time, {Subject::step_time, 0s, true});
    fields.finish();
  }
  mapping.finish();
  return limits;
}

safety::Limits resolve(const LimitsText& limits, Coulombs capacity, safety::Origin origin) {
  safety::Limits resolved;
  resolve_one(limits.voltage_above, capacity, origin, resolved.voltage_above);
  resolve_one(limits.voltage_below, capacity, origin, resolved.voltage_below);
  resolve_one(limits.current_above, capacity, origin, resolved.current_above);
  resolve_one(limits.current_reverse, capacity, origin, resolved.current_reverse);
  resolve_one(limits.power_above, capacity, origin, resolved.power_above);
  resolve_one(limits.temperature_above, capacity, origin, resolved.temperature_above);
  resolve_one(limits.temperature_below, capacity, origin, resolved.temperature_below);
  resolve_one(limits.temperature_rising, capacity, origin, resolved.temperature_rising);
  resolve_one(limits.charge_above, capacity, origin, resolved.charge_above);
  resolve_one(limits.energy_above, capacity, origin, resolved.energy_above);
  resolve_one(limits.run_time, capacity, origin, resolved.run_time);
  resolve_one(limits.step_time, capacity, origin, resolved.step_time);
  return resolved;
}

}  // namespace chargewright::profiles

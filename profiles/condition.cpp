#include "profiles/condition.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "drivers/quantity_text.h"

namespace chargewright::profiles {

using namespace drivers;

namespace {

constexpr std::size_t nodes_max = 32;
constexpr int depth_max = 8;

constexpr std::array<std::pair<std::string_view, Subject>, 8> subjects{{
    {"voltage", Subject::voltage},
    {"current", Subject::current},
    {"temperature", Subject::temperature},
    {"charge", Subject::charge},
    {"energy", Subject::energy},
    {"power", Subject::power},
    {"step-time", Subject::step_time},
    {"time", Subject::run_time},
}};

// Longer signs first, so that `>=` is not taken for `>`.
constexpr std::array<std::pair<std::string_view, Comparison>, 4> comparisons{{
    {">=", Comparison::at_least},
    {"<=", Comparison::at_most},
    {">", Comparison::above},
    {"<", Comparison::below},
}};

Failure failure(std::string cause, std::string advice = {}) {
  return {{}, std::move(cause), std::move(advice)};
}

constexpr std::string_view example =
    "write for example `voltage >= 2.95 V` or `current <= C/20 for 5 s`";

std::string_view trim(std::string_view text) {
  while (!text.empty() && text.front() == ' ') text.remove_prefix(1);
  while (!text.empty() && text.back() == ' ') text.remove_suffix(1);
  return text;
}

template <class T>
Result<Magnitude> plain(std::string_view text) {
  const Result<T> value = parse<T>(text);
  if (!value) return value.error();
  return Magnitude{value->value()};
}

Result<Magnitude> time(std::string_view text) {
  const Result<Duration> value = parse<Duration>(text);
  if (!value) return value.error();
  return Magnitude{in_seconds(*value)};
}

Result<Magnitude> current(std::string_view text) {
  const Result<CurrentText> value = parse_current_or_rate(text);
  if (!value) return value.error();
  if (const Rate* rate = std::get_if<Rate>(&*value)) {
    return Magnitude{rate->per_hour, Relation::c_rate};
  }
  return Magnitude{std::get<Amperes>(*value).value()};
}

Result<Magnitude> charge(std::string_view text) {
  if (text.ends_with('%')) {
    const Result<double> fraction = parse_percent(text);
    if (!fraction) return fraction.error();
    return Magnitude{*fraction, Relation::of_capacity};
  }
  Result<Magnitude> value = plain<Coulombs>(text);
  if (!value && value.error().cause.starts_with("a bare number")) {
    return failure(value.error().cause,
                   "write ampere-hours or per cent of the capacity, for example 2.4 Ah or 110 %");
  }
  return value;
}

// One scalar: SUBJECT SIGN VALUE [for TIME].
Result<Condition::Node> parse_comparison(std::string_view text) {
  text = trim(text);
  std::size_t length = 0;
  while (length < text.size() &&
         ((text[length] >= 'a' && text[length] <= 'z') || text[length] == '-' ||
          text[length] == '_' || (text[length] >= 'A' && text[length] <= 'Z'))) {
    ++length;
  }
  const std::string_view word = text.substr(0, length);
  const auto subject = std::ranges::find(subjects, word, &decltype(subjects)::value_type::first);
  if (subject == subjects.end()) {
    std::vector<std::string> names;
    std::string all;
    for (const auto& [name, ignored] : subjects) {
      names.emplace_back(name);
      all += (all.empty() ? "" : ", ") + std::string(name);
    }
    const std::string near = nearest_name(word, names);
    return failure(word.empty()
                       ? "a condition begins with what is read"
                       : "nothing is read that is called `" + std::string(word.substr(0, 40)) + '`',
                   near.empty() ? "known are " + all : "did you mean `" + near + "`?");
  }
  text = trim(text.substr(length));
  const auto comparison = std::ranges::find_if(
      comparisons, [&](const auto& candidate) { return text.starts_with(candidate.first); });
  if (comparison == comparisons.end()) {
    return failure("a condition needs one of `>=`, `<=`, `>`, `<` after what is read",
                   std::string(example));
  }
  text.remove_prefix(comparison->first.size());

  Condition::Node node;
  node.subject = subject->second;
  node.comparison = comparison->second;
  if (const std::size_t at = text.find(" for "); at != std::string_view::npos) {
    const Result<Duration> hold = parse<Duration>(text.substr(at + 5));
    if (!hold) return hold.error();
    node.hold = *hold;
    text = text.substr(0, at);
  }
  const Result<Magnitude> magnitude = parse_magnitude(node.subject, trim(text));
  if (!magnitude) return magnitude.error();
  node.value = magnitude->value;
  node.relation = magnitude->relation;
  return node;
}

class Reader {
 public:
  Reader(const Document& document, Failures& problems) : document_(document), problems_(problems) {}

  void read(const Node& node, int depth) {
    if (depth > depth_max || condition.nodes.size() >= nodes_max) {
      complain(node, "a condition of more than " + std::to_string(depth_max) + " levels or " +
                         std::to_string(nodes_max) + " parts");
      return;
    }
    if (node.kind == NodeKind::scalar) {
      Condition::Node comparison;
      if (accept(document_, node, parse_comparison(node.scalar), comparison, problems_)) {
        condition.nodes.push_back(comparison);
      }
      return;
    }
    if (node.kind == NodeKind::mapping && node.fields.size() == 1) {
      const auto& [key, list] = node.fields.front();
      if ((key == "any" || key == "all") && list.kind == NodeKind::sequence &&
          !list.items.empty()) {
        const std::size_t at = condition.nodes.size();
        Condition::Node group;
        group.kind = key == "any" ? Condition::Node::Kind::any : Condition::Node::Kind::all;
        condition.nodes.push_back(group);
        const std::size_t problems_before = problems_.list.size();
        for (const Node& item : list.items) {
          read(item, depth + 1);
          // A file of thousands of bad conditions needs no thousands of messages.
          if (problems_.list.size() - problems_before > nodes_max) return;
        }
        condition.nodes[at].size = static_cast<std::uint16_t>(condition.nodes.size() - at);
        return;
      }
    }
    complain(node,
             "a condition is one comparison, or a mapping of one key, `any` or `all`, with a list",
             std::string(example));
  }

  Condition condition;

 private:
  void complain(const Node& node, std::string cause, std::string advice = {}) {
    problems_.list.push_back({document_.place(node), std::move(cause), std::move(advice)});
  }

  const Document& document_;
  Failures& problems_;
};

std::optional<double> value_of(const Measured& measured, Subject subject) {
  const auto number = [](const auto& quantity) -> std::optional<double> {
    if (!quantity || !std::isfinite(quantity->value())) return std::nullopt;
    return quantity->value();
  };
  const auto time = [](const std::optional<Duration>& duration) -> std::optional<double> {
    if (!duration) return std::nullopt;
    return in_seconds(*duration);
  };
  switch (subject) {
    case Subject::voltage:
      return number(measured.voltage);
    case Subject::current:
      return number(measured.current);
    case Subject::temperature:
      return number(measured.temperature);
    case Subject::charge:
      return number(measured.charge);
    case Subject::energy:
      return number(measured.energy);
    case Subject::power:
      return number(measured.power);
    case Subject::step_time:
      return time(measured.step_time);
    case Subject::run_time:
      return time(measured.run_time);
  }
  return std::nullopt;
}

std::optional<Asked> read_at(const Measured& measured, Subject subject) {
  switch (subject) {
    case Subject::voltage:
      return measured.voltage_asked;
    case Subject::current:
      return measured.current_asked;
    case Subject::power:
      if (!measured.voltage_asked || !measured.current_asked) return std::nullopt;
      return measured.voltage_asked->with(*measured.current_asked);
    case Subject::temperature:
      return measured.temperature_asked;
    default:
      return std::nullopt;  // what is counted goes on between the readings
  }
}

bool holds(double value, Comparison comparison, double bound) {
  switch (comparison) {
    case Comparison::at_least:
      return value >= bound;
    case Comparison::at_most:
      return value <= bound;
    case Comparison::above:
      return value > bound;
    case Comparison::below:
      return value < bound;
  }
  return false;
}

std::string sign_of(Comparison comparison) {
  for (const auto& [sign, of] : comparisons) {
    if (of == comparison) return std::string(sign);
  }
  return {};
}

std::string describe_node(const std::vector<Condition::Node>& nodes, std::size_t at) {
  const Condition::Node& node = nodes[at];
  if (node.kind == Condition::Node::Kind::compare) {
    std::string text = std::string(key_of(node.subject)) + ' ' + sign_of(node.comparison) + ' ' +
                       text_of(node.subject, {node.value, node.relation});
    if (node.hold > Duration::zero()) text += " for " + to_text(node.hold);
    return text;
  }
  std::string text = node.kind == Condition::Node::Kind::any ? "any of (" : "all of (";
  for (std::size_t child = at + 1; child < at + node.size; child += nodes[child].size) {
    if (child > at + 1) text += "; ";
    text += describe_node(nodes, child);
  }
  return text + ')';
}

double soonest_unread(const std::vector<Condition::Node>& nodes, std::size_t at) {
  const Condition::Node& node = nodes[at];
  if (node.kind == Condition::Node::Kind::compare) {
    if (node.subject != Subject::step_time) return HUGE_VAL;
    const bool upward =
        node.comparison == Comparison::at_least || node.comparison == Comparison::above;
    return (upward ? std::max(node.value, 0.0) : 0.0) + drivers::in_seconds(node.hold);
  }
  const bool any = node.kind == Condition::Node::Kind::any;
  double soonest = any ? HUGE_VAL : 0.0;
  for (std::size_t child = at + 1; child < at + node.size; child += nodes[child].size) {
    const double one = soonest_unread(nodes, child);
    soonest = any ? std::min(soonest, one) : std::max(soonest, one);
  }
  return soonest;
}

}  // namespace

std::string_view key_of(Subject subject) {
  for (const auto& [key, of] : subjects) {
    if (of == subject) return key;
  }
  return {};
}

double absolute(double value, Relation relation, Coulombs capacity) {
  switch (relation) {
    case Relation::absolute:
      break;
    case Relation::c_rate:
      return value * in_ampere_hours(capacity);
    case Relation::of_capacity:
      return value * capacity.value();
  }
  return value;
}

Result<Magnitude> parse_magnitude(Subject subject, std::string_view text) {
  switch (subject) {
    case Subject::voltage:
      return plain<Volts>(text);
    case Subject::current:
      return current(text);
    case Subject::temperature:
      return plain<Celsius>(text);
    case Subject::charge:
      return charge(text);
    case Subject::energy:
      return plain<Joules>(text);
    case Subject::power:
      return plain<Watts>(text);
    case Subject::step_time:
    case Subject::run_time:
      return time(text);
  }
  return failure("unknown reading");
}

std::string text_of(Subject subject, const Magnitude& magnitude) {
  if (magnitude.relation == Relation::c_rate) return exact(magnitude.value) + " C";
  if (magnitude.relation == Relation::of_capacity) return exact(magnitude.value * 100) + " %";
  switch (subject) {
    case Subject::voltage:
      return to_text(volts(magnitude.value));
    case Subject::current:
      return to_text(amperes(magnitude.value));
    case Subject::temperature:
      return to_text(celsius(magnitude.value));
    case Subject::charge:
      return to_text(coulombs(magnitude.value));
    case Subject::energy:
      return to_text(joules(magnitude.value));
    case Subject::power:
      return to_text(watts(magnitude.value));
    case Subject::step_time:
    case Subject::run_time:
      return to_text(seconds(magnitude.value));
  }
  return {};
}

std::optional<Condition> read_condition(const Document& document, const Node& node,
                                        Failures& problems) {
  const std::size_t before = problems.list.size();
  Reader reader(document, problems);
  reader.read(node, 1);
  if (problems.list.size() != before) return std::nullopt;
  return std::move(reader.condition);
}

Condition resolve(const Condition& condition, Coulombs capacity) {
  Condition resolved = condition;
  for (Condition::Node& node : resolved.nodes) {
    node.value = absolute(node.value, node.relation, capacity);
    node.relation = Relation::absolute;
  }
  return resolved;
}

drivers::Seconds soonest_unread(const Condition& resolved) {
  const double soonest = resolved.empty() ? HUGE_VAL : soonest_unread(resolved.nodes, 0);
  return drivers::Seconds::from_value(soonest);
}

std::string describe(const Condition& condition) {
  return condition.empty() ? "nothing" : describe_node(condition.nodes, 0);
}

ConditionState::ConditionState(const Condition& resolved)
    : nodes_(resolved.nodes), since_(resolved.nodes.size()) {}

bool ConditionState::see(const Measured& measured, Instant now) {
  return !nodes_.empty() && met(0, measured, now);
}

// Every comparison is judged at every call, also where the group is decided already: a holding time
// must see each break.
bool ConditionState::met(std::size_t at, const Measured& measured, Instant now) {
  const Condition::Node& node = nodes_[at];
  if (node.kind == Condition::Node::Kind::compare) {
    const std::optional<double> value = value_of(measured, node.subject);
    if (!value || !holds(*value, node.comparison, node.value)) {
      since_[at].reset();
      return false;
    }
    const Asked asked = read_at(measured, node.subject).value_or(Asked{now});
    if (!since_[at]) since_[at] = asked.newest;
    return node.hold == Duration::zero() || asked.oldest - *since_[at] >= node.hold;
  }
  bool any = false;
  bool all = true;
  for (std::size_t child = at + 1; child < at + node.size; child += nodes_[child].size) {
    const bool child_met = met(child, measured, now);
    any = any || child_met;
    all = all && child_met;
  }
  return node.kind == Condition::Node::Kind::any ? any : all;
}

}  // namespace chargewright::profiles

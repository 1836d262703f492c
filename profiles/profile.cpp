#include "profiles/profile.h"

#include <array>

#include "profiles/fields.h"

namespace chargewright::profiles {

using namespace drivers;

namespace {

constexpr std::array<std::pair<std::string_view, StepVerb>, 3> verbs{{
    {"charge", StepVerb::charge},
    {"rest", StepVerb::rest},
    {"repeat", StepVerb::repeat},
}};

class Reader {
 public:
  explicit Reader(const Document& document) : document_(document) {
    profile.file = document.file;
    profile.text = document.text;
  }

  void read() {
    Mapping mapping(document_, document_.root, problems, "a profile");
    profile.name = name_field(mapping, "profile", Presence::needed).value_or("");
    profile.description = text_field(mapping, "description", Presence::optional, 2000).value_or("");
    profile.cell = name_field(mapping, "cell", Presence::optional).value_or("");
    if (const Node* node = mapping.take("cell")) profile.cell_place = document_.place(*node);
    if (const Node* node = mapping.need("steps")) {
      profile.steps = read_steps(mapping, *node, 0);
      if (executed(profile.steps) > executed_steps_max) {
        mapping.complain(
            *node,
            "more than " + std::to_string(executed_steps_max) + " steps in all, counting repeats",
            "repeat fewer times");
      }
    }
    profile.limits_place = document_.place(document_.root);
    if (const Node* node = mapping.need("limits")) {
      profile.limits_place = {document_.file, node->key_line, node->key_column};
      profile.limits = read_limits(document_, *node, Units::also_relative, problems);
    }
    if (const Node* node = mapping.take("after-interruption")) read_resumption(mapping, *node);
    mapping.finish();
  }

  Profile profile;
  Failures problems;

 private:
  // Steps that a run of these executes, held at the maximum plus one so that it cannot overflow.
  static std::size_t executed(const std::vector<Step>& steps) {
    std::size_t sum = 0;
    for (const Step& step : steps) {
      const std::size_t one = step.verb == StepVerb::repeat
                                  ? static_cast<std::size_t>(step.times) * executed(step.steps)
                                  : 1;
      sum = std::min(sum + one, executed_steps_max + 1);
    }
    return sum;
  }

  std::vector<Step> read_steps(Mapping& parent, const Node& node, int depth) {
    if (node.kind != NodeKind::sequence || node.items.empty()) {
      parent.complain(node, "`steps` must be a list of steps",
                      "write `- rest: 10 min` and the like, one below the other");
      return {};
    }
    std::vector<Step> steps;
    for (const Node& item : node.items) steps.push_back(read_step(item, depth));
    return steps;
  }

  Step read_step(const Node& node, int depth) {
    Step step;
    step.place = document_.place(node);
    Mapping mapping(document_, node, problems, "a step");
    const auto name = text_field(mapping, "name", Presence::optional, 64);
    const Node* charge = mapping.take("charge");
    const Node* rest = mapping.take("rest");
    const Node* repeat = mapping.take("repeat");
    step.name = name ? *name : "step " + std::to_string(++steps_read_);
    if (name) ++steps_read_;
    const int given = (charge != nullptr) + (rest != nullptr) + (repeat != nullptr);
    if (given != 1 && node.kind == NodeKind::mapping) {
      mapping.complain(node,
                       given == 0 ? "a step without a verb" : "a step with more than one verb",
                       "give it exactly one of `charge`, `rest`, `repeat`");
    }
    if (charge != nullptr) read_charge(mapping, *charge, step);
    if (rest != nullptr) read_rest(mapping, *rest, step);
    if (repeat != nullptr) read_repeat(*repeat, step, depth);
    read_end(mapping, step, given == 1);
    mapping.finish();
    return step;
  }

  // One word cannot make a run resume: how old and how often has to be said.
  void read_resumption(Mapping& mapping, const Node& node) {
    profile.resumption_place = document_.place(node);
    if (node.kind == NodeKind::scalar) {
      if (node.scalar == "stop") return;
      return mapping.complain(
          node, "`after-interruption` must be `stop`, or say how it resumes",
          "write for example `after-interruption: {resume-within: 10 min, times: 1}`");
    }
    Mapping fields(document_, node, problems, "`after-interruption`");
    Resumption resumption;
    resumption.within =
        bounded(fields, "resume-within", Presence::needed, Duration{1}, resume_within_max)
            .value_or(Duration{});
    resumption.times =
        count_field(fields, "times", Presence::needed, 1, resume_times_max).value_or(1);
    resumption.warning =
        bounded(fields, "warning", Presence::optional, resume_warning_min, resume_warning_max)
            .value_or(resume_warning_usual);
    fields.finish();
    profile.resumption = resumption;
  }

  static std::optional<Duration> bounded(Mapping& fields, std::string_view key, Presence presence,
                                         Duration least, Duration most) {
    const auto time = quantity<Duration>(fields, key, presence);
    if (time && (*time < least || *time > most)) {
      fields.complain(*fields.take(key),
                      '`' + std::string(key) + "` must be " +
                          (least > Duration{1} ? "from " + to_text(least) + " to "
                                               : "more than nothing, up to ") +
                          to_text(most));
    }
    return time;
  }

  void read_charge(Mapping& step_mapping, const Node& node, Step& step) {
    step.verb = StepVerb::charge;
    CeilingsText& ceilings = step.charge;
    Mapping fields(document_, node, problems, "`charge`");
    if (const auto current =
            parsed<CurrentText>(fields, "current", Presence::needed, parse_current_or_rate)) {
      ceilings.current = *current;
      const Rate* rate = std::get_if<Rate>(&*current);
      require_positive(fields, "current",
                       rate != nullptr ? rate->per_hour : std::get<Amperes>(*current).value());
    }
    ceilings.voltage = positive<Volts>(fields, "voltage", Presence::needed).value_or(volts(0));
    ceilings.power = positive<Watts>(fields, "power", Presence::optional);
    ceilings.temperature = quantity<Celsius>(fields, "temperature", Presence::optional);
    ceilings.current_place = place_of(fields, "current");
    ceilings.voltage_place = place_of(fields, "voltage");
    ceilings.power_place = place_of(fields, "power");
    ceilings.temperature_place = place_of(fields, "temperature");
    fields.finish();
    if (node.kind == NodeKind::mapping && step_mapping.take("until") == nullptr) {
      step_mapping.complain(
          node, "a charge without an end",
          "give the step an `until`, for example `until: current <= C/20 for 5 s`");
    }
  }

  void read_rest(Mapping& mapping, const Node& node, Step& step) {
    step.verb = StepVerb::rest;
    if (scalar(mapping, node, "rest") == nullptr) return;
    if (!accept(document_, node, parse<Duration>(node.scalar), step.rest, problems)) return;
    if (step.rest == Duration::zero()) mapping.complain(node, "a rest of no time");
  }

  void read_repeat(const Node& node, Step& step, int depth) {
    step.verb = StepVerb::repeat;
    Mapping fields(document_, node, problems, "`repeat`");
    step.times =
        count_field(fields, "times", Presence::needed, 1, static_cast<int>(executed_steps_max))
            .value_or(1);
    const Node* steps = fields.need("steps");
    if (steps != nullptr && depth >= repeat_depth_max) {
      fields.complain(node,
                      "repeats nested deeper than " + std::to_string(repeat_depth_max) + " levels",
                      "write the inner steps out");
    } else if (steps != nullptr) {
      step.steps = read_steps(fields, *steps, depth + 1);
    }
    fields.finish();
  }

  void read_end(Mapping& mapping, Step& step, bool has_verb) {
    if (const Node* until = mapping.take("until")) {
      step.until_place = document_.place(*until);
      if (auto condition = read_condition(document_, *until, problems)) {
        step.until = std::move(*condition);
      }
      if (has_verb && step.verb == StepVerb::repeat) {
        mapping.complain(*until, "`until` on a repeat", "it ends after its `times`");
      }
    }
    const Node* within = mapping.take("within");
    if (within == nullptr) return;
    step.within = quantity<Duration>(mapping, "within", Presence::optional);
    if (step.within && *step.within == Duration::zero()) {
      mapping.complain(*within, "`within` no time");
    }
    if (has_verb && step.verb != StepVerb::charge) {
      mapping.complain(
          *within, "`within` on a step that is not a charge",
          step.verb == StepVerb::rest ? "a rest ends by its own time" : "leave it out");
    }
  }

  static void require_positive(Mapping& fields, std::string_view key, double value) {
    if (value > 0) return;
    fields.complain(*fields.take(key), '`' + std::string(key) + "` must be more than nothing");
  }

  template <class T>
  static std::optional<T> positive(Mapping& fields, std::string_view key, Presence presence) {
    auto value = quantity<T>(fields, key, presence);
    if (value) require_positive(fields, key, value->value());
    return value;
  }

  Place place_of(Mapping& fields, std::string_view key) const {
    const Node* node = fields.take(key);
    return node == nullptr ? Place{} : document_.place(*node);
  }

  const Document& document_;
  int steps_read_ = 0;
};

// Lays the steps out once each, then the order in which a run executes them.
class Planner {
 public:
  Planner(const Cell& cell, Procedure& procedure) : cell_(cell), procedure_(procedure) {}

  void plan(const std::vector<Step>& steps) { lay_out(steps, unfold(steps), 0); }

 private:
  // Where each leaf step of the file lies in Procedure::steps; repeats hold their own.
  struct Laid {
    std::uint16_t index = 0;
    std::vector<Laid> inner;
  };

  std::vector<Laid> unfold(const std::vector<Step>& steps) {
    std::vector<Laid> laid;
    for (const Step& step : steps) {
      Laid one;
      if (step.verb == StepVerb::repeat) {
        one.inner = unfold(step.steps);
      } else {
        one.index = static_cast<std::uint16_t>(procedure_.steps.size());
        procedure_.steps.push_back(planned(step));
      }
      laid.push_back(std::move(one));
    }
    return laid;
  }

  void lay_out(const std::vector<Step>& steps, const std::vector<Laid>& laid, int cycle) {
    for (std::size_t i = 0; i < steps.size(); ++i) {
      if (steps[i].verb == StepVerb::repeat) {
        for (int time = 0; time < steps[i].times; ++time) {
          lay_out(steps[i].steps, laid[i].inner, time);
        }
      } else if (procedure_.order.size() < executed_steps_max) {
        procedure_.order.push_back({laid[i].index, static_cast<std::uint16_t>(cycle)});
      }
    }
  }

  PlannedStep planned(const Step& step) const {
    PlannedStep planned;
    planned.name = step.name;
    planned.verb = step.verb;
    planned.rest = step.rest;
    planned.until = resolve(step.until, cell_.capacity);
    planned.within = step.within;
    planned.place = step.place;
    if (step.verb == StepVerb::charge) {
      const Rate* rate = std::get_if<Rate>(&step.charge.current);
      planned.ceilings = {
          rate != nullptr ? rate->of(cell_.capacity) : std::get<Amperes>(step.charge.current),
          step.charge.voltage, step.charge.power, step.charge.temperature};
    }
    return planned;
  }

  const Cell& cell_;
  Procedure& procedure_;
};

}  // namespace

std::string_view key_of(StepVerb verb) {
  for (const auto& [key, of] : verbs) {
    if (of == verb) return key;
  }
  return {};
}

Checked<Profile> read_profile(const Document& document) {
  Reader reader(document);
  reader.read();
  if (reader.problems.list.empty()) return std::move(reader.profile);
  sort_by_place(reader.problems);
  return std::move(reader.problems);
}

Checked<Profile> load_profile(const std::string& path) {
  const Checked<Document> document = read_document(path);
  if (!document) return document.error();
  return read_profile(*document);
}

Checked<Cell> load_cell_of(const Profile& profile, const std::vector<std::string>& folders) {
  if (profile.cell.empty()) {
    return Failures{{{{profile.file, 1, 1},
                      "the profile names no cell",
                      "add `cell: NAME`, or name a cell file"}}};
  }
  std::vector<std::string> places{folder_of(profile.file)};
  places.insert(places.end(), folders.begin(), folders.end());
  if (const auto path = find_file(profile.cell, places)) return load_cell(*path);
  std::string searched;
  for (const std::string& place : places) searched += (searched.empty() ? "" : ", ") + place;
  return Failures{
      {{profile.cell_place, "no cell file `" + profile.cell + ".yaml`", "looked in " + searched}}};
}

Procedure resolve(const Profile& profile, const Cell& cell) {
  Procedure procedure;
  procedure.name = profile.name;
  procedure.capacity = cell.capacity;
  Planner(cell, procedure).plan(profile.steps);
  return procedure;
}

}  // namespace chargewright::profiles

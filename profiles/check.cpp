#include "profiles/check.h"

#include <algorithm>
#include <cmath>
#include <iterator>

#include "drivers/quantity_text.h"
#include "profiles/origins.h"
#include "profiles/protections.h"

namespace chargewright::profiles {

using namespace drivers;
using safety::Limits;

namespace {

// safety/rise.h wants five readings in half a minute at least, and forgets after a minute's gap.
constexpr Duration rise_interval_max = std::chrono::seconds(10);

// A current that flows on after a cut must be told from none (common practice, no source).
constexpr double off_clearly_below = 2;

// J/(kg K). Handbook of thermal parameters: 913 and 999 for two lithium-ion cells; half as much
// again, since water and copper are in others.
constexpr double specific_heat_most = 1500;
// Longer than this without a look at the cell is worth a remark (common practice, no source).
constexpr Duration slow_bench = std::chrono::seconds(10);
// A proof that lets more than this share of the source's rating pass proves nothing: the coarsest
// sets in steps of some hundredths of its range (common practice, no source).
constexpr double proof_share = 0.05;
// Of what the cell is full at; common practice, no source.
constexpr double differs_much = 0.10;
constexpr double differs_most = 0.25;

std::string show(const Place& place) {
  if (place.file.empty()) return {};
  return place.file + (place.line > 0 ? ':' + std::to_string(place.line) : "");
}

// Every step of this verb, also those inside repeats.
template <class With>
void for_each_step(StepVerb verb, const std::vector<Step>& steps, With with) {
  for (const Step& step : steps) {
    if (step.verb == verb) with(step);
    for_each_step(verb, step.steps, with);
  }
}

class Checker {
 public:
  Checker(const Profile& profile, const Cell& cell, const Bench& bench, std::size_t channel,
          const Policy& policy, const Basis& basis)
      : profile_(profile),
        cell_(cell),
        bench_(bench),
        channel_number_(channel),
        channel_(bench.channels[channel]),
        policy_(policy),
        basis_(basis),
        source_(bench.source_of(channel_)),
        said_(all_said(profile, cell, bench, channel_, policy)) {}

  CheckReport run() {
    report_.procedure = resolve(profile_, cell_);
    report_.plan.limits = merged(said_);
    check_thermometers();
    report_.lines = explain(said_, limits());
    report_.notes = remarks(said_, limits());
    check_name();
    check_limits();
    for_each_step(StepVerb::charge, profile_.steps, [&](const Step& step) { check_step(step); });
    for_each_step(StepVerb::rest, profile_.steps, [&](const Step& step) { check_rest(step); });
    check_off_current();
    check_disagreement();
    check_proofs();
    check_abilities();
    fill_plan();
    check_resumption();
    // With defects among the limits there is nothing to compute with.
    if (safety::defect(limits()).empty()) check_enforcement();
    return std::move(report_);
  }

 private:
  [[nodiscard]] const Limits& limits() const { return report_.plan.limits; }

  void problem(const Place& place, std::string cause, std::string advice = {}) {
    report_.problems.push_back({place, std::move(cause), std::move(advice)});
  }
  void note(const Place& place, std::string cause, std::string advice = {}) {
    report_.notes.push_back({place, std::move(cause), std::move(advice)});
  }

  // "4.250 V (cell, hut.yaml:5)"
  [[nodiscard]] std::string limit_of(std::string_view quantity) const {
    const auto line = std::ranges::find(report_.lines, quantity, &LimitLine::quantity);
    if (line == report_.lines.end()) return "none";
    const std::string at = show(line->place);
    return line->value + " (" + line->origin + (at.empty() ? "" : ", " + at) + ')';
  }
  [[nodiscard]] Place place_of(std::string_view quantity) const {
    const auto line = std::ranges::find(report_.lines, quantity, &LimitLine::quantity);
    return line == report_.lines.end() ? profile_.limits_place : line->place;
  }

  // A file that was copied and keeps its old name, or one that was named by hand: records and
  // approvals bear the name in the file.
  void check_name() {
    if (profile_.cell.empty() || profile_.cell == cell_.name) return;
    note(profile_.cell_place, "the profile is written for cell `" + profile_.cell +
                                  "`, but the file that is used calls its cell `" + cell_.name +
                                  '`');
  }

  // A limit that nothing can measure must not look as if it protected anyone.
  void check_thermometers() {
    const std::size_t there = channel_.thermometers.size();
    if (policy_.thermometers > there) {
      problem(channel_.place,
              "the policy wants " + std::to_string(policy_.thermometers) +
                  " thermometers at the cell, but channel `" + channel_.name + "` has " +
                  std::to_string(there),
              "add `temperature: [INSTRUMENT/INPUT]` to the channel");
    }
    if (there > 0) return;
    const auto unmeasured = [&](const std::optional<LimitText>& limit) {
      if (limit) {
        problem(limit->place,
                "a limit on temperature, but channel `" + channel_.name + "` has no thermometer",
                "add `temperature: [INSTRUMENT/INPUT]` to the channel");
      }
    };
    for (const LimitsText* written : {&profile_.limits, &policy_.limits}) {
      unmeasured(written->temperature_above);
      unmeasured(written->temperature_below);
      unmeasured(written->temperature_rising);
    }
    for_each_step(StepVerb::charge, profile_.steps, [&](const Step& step) {
      if (step.charge.temperature) {
        problem(step.charge.temperature_place,
                "a ceiling on temperature, but channel `" + channel_.name + "` has no thermometer",
                "add `temperature: [INSTRUMENT/INPUT]` to the channel");
      }
    });
    report_.plan.limits.temperature_above.reset();
    report_.plan.limits.temperature_below.reset();
    report_.plan.limits.temperature_rising.reset();
    no_thermometer_ = true;
  }

  void check_limits() {
    if (no_thermometer_) {
      note(channel_.place, "channel `" + channel_.name +
                               "` has no thermometer: nothing watches the cell's temperature");
    }
    if (!channel_.wiring.rated) {
      note(channel_.wiring.place, "the wiring has no `rated` current: nothing protects the leads");
    }
    check_patience();
    if (limits().temperature_rising && channel_.every > rise_interval_max) {
      problem(channel_.place,
              "the channel is read every " + drivers::to_text(channel_.every) +
                  ", too rarely to tell how fast a temperature rises",
              "read it at least every 10 s, or leave `rising` out");
    }
    if (!profile_.limits.run_time) {
      problem(profile_.limits_place, "no limit on the run time",
              "add for example `time: {above: 90 min}` to `limits`");
    }
    // Reversed limits are refused, never swapped.
    const std::size_t before = report_.problems.size();
    if (limits().voltage_below && limits().voltage_above &&
        limits().voltage_below->value >= limits().voltage_above->value) {
      problem(place_of("voltage-below"), "reversed limits: voltage-below " +
                                             limit_of("voltage-below") + " is not below " +
                                             limit_of("voltage-above"));
    }
    if (limits().temperature_below && limits().temperature_above &&
        limits().temperature_below->value.value() >= limits().temperature_above->value.value()) {
      problem(place_of("temperature-below"), "reversed limits: temperature-below " +
                                                 limit_of("temperature-below") + " is not below " +
                                                 limit_of("temperature-above"));
    }
    const std::string_view defect = safety::defect(limits());
    const bool told = report_.problems.size() != before || !limits().run_time;
    if (!defect.empty() && !told) problem(profile_.limits_place, std::string(defect));
  }

  // A bench may be slow, but nobody should find out only from its file how long a cell goes unseen.
  void check_patience() {
    if (channel_.allowed_age > slow_bench) {
      note(channel_.place,
           "channel `" + channel_.name + "` may go unread for " + to_text(channel_.allowed_age) +
               " before the cut",
           "shorten `every` and `allowed-age`, unless the bench is a simulated one at speed");
    }
    if (channel_.heartbeat > slow_bench) {
      note(channel_.place,
           "channel `" + channel_.name + "` lets the sequencer be silent for " +
               to_text(channel_.heartbeat) + " before the cut",
           "shorten `heartbeat`, unless the bench is a simulated one at speed");
    }
  }

  // S3: what source and meter may differ by is also what a lead may drop, or a meter be wrong by,
  // before anything notices.
  void check_disagreement() {
    const Volts differ = channel_.disagree_voltage;
    const Volts full = cell_.voltage.full;
    const std::string so = "on channel `" + channel_.name + "` source and meter may differ by " +
                           to_text(differ) + " before it cuts";
    const std::string advice = "state `disagree`, or how accurate the instruments are";
    if (differ > differs_most * full * (1 + 1e-9)) {
      problem(channel_.place,
              so + ", more than a quarter of what the cell is full at, " + to_text(full), advice);
    } else if (differ > differs_much * full * (1 + 1e-9)) {
      note(channel_.place, so, advice);
    }
  }

  void check_step(const Step& step) {
    const CeilingsText& ceilings = step.charge;
    const Rate* rate = std::get_if<Rate>(&ceilings.current);
    const Amperes current =
        rate != nullptr ? rate->of(cell_.capacity) : std::get<Amperes>(ceilings.current);
    current_max_ = std::max(current_max_, current);
    voltage_max_ = std::max(voltage_max_, ceilings.voltage);
    const std::string where = " of step `" + step.name + "` is ";

    if (current.value() > cell_.current.charge.value() * (1 + 1e-9)) {
      problem(ceilings.current_place,
              "the current ceiling" + where + to_text(current) + ", but the cell takes " +
                  to_text(cell_.current.charge) + " (" + show(cell_.places.charge_current) + ')',
              "lower it");
    } else {
      below_limit(ceilings.current_place, "current ceiling" + where, current,
                  limits().current_above, "current-above");
    }
    if (ceilings.voltage.value() > cell_.voltage.full.value() * (1 + 1e-9)) {
      problem(ceilings.voltage_place,
              "the voltage ceiling" + where + to_text(ceilings.voltage) +
                  ", but the cell is full at " + to_text(cell_.voltage.full) + " (" +
                  show(cell_.places.full) + ')',
              "lower it");
    } else {
      below_limit(ceilings.voltage_place, "voltage ceiling" + where, ceilings.voltage,
                  limits().voltage_above, "voltage-above");
    }
    if (limits().voltage_below && ceilings.voltage <= limits().voltage_below->value) {
      problem(ceilings.voltage_place, "the voltage ceiling" + where + to_text(ceilings.voltage) +
                                          ", not above the limit " + limit_of("voltage-below"));
    }
    if (ceilings.power) {
      below_limit(ceilings.power_place, "power ceiling" + where, *ceilings.power,
                  limits().power_above, "power-above");
    } else {
      check_power(ceilings, current, where);
    }
    if (ceilings.temperature) check_temperature(ceilings, where);
    check_margin(ceilings, current, where);
    check_end(step, current);
    check_pulse(step);
  }

  // S4: what a cut is proved by.
  void check_off_current() {
    const Amperes off = channel_.off_current;
    if (current_max_.value() <= 0 || current_max_ >= off_clearly_below * off) return;
    problem(channel_.place,
            "channel `" + channel_.name + "` takes up to " + to_text(off) +
                " for no current, but no step charges with more than " + to_text(current_max_) +
                ": nothing would show that a cut has stopped it",
            "lower its `off-current`");
  }

  // S1 S7: what is taken for set and armed.
  void check_proofs() {
    const ProvedWithin& within = basis_.proved_within;
    const auto look = [&](std::string_view verb, auto passes, const auto& rating) {
      if (!rating || passes.value() <= proof_share * rating->value() * (1 + 1e-9)) return;
      problem(source_.ratings_place,
              "dialect `" + source_.dialect + "` takes `" + std::string(verb) +
                  "` for proved within " + to_text(passes) + ", more than 5 % of what `" +
                  source_.name + "` is rated, " + to_text(*rating),
              "write the step by which the instrument sets it");
    };
    look("set-voltage", within.voltage, source_.ratings.voltage);
    look("set-current", within.current, source_.ratings.current);
    look("set-over-voltage", within.over_voltage, source_.ratings.voltage);
    look("set-over-current", within.over_current, source_.ratings.current);
  }

  // S1 S3: a layer of protection that is not there must not look as if it were.
  void check_abilities() {
    const auto look = [&](bool has, const std::string& what, const std::string& verbs,
                          const std::string& so) {
      if (has) return;
      note(source_.place,
           what + " of `" + source_.name + "` is not reached: its dialect `" + source_.dialect +
               "` has no " + verbs,
           so);
    };
    const safety::SourceAbilities& can = basis_.abilities;
    const std::string unguarded = "without it nothing but this computer limits the source";
    look(can.over_voltage_protection, "the own over-voltage protection", "`set-over-voltage`",
         unguarded);
    look(can.over_current_protection, "the own over-current protection", "`set-over-current`",
         unguarded);
    look(can.reads_protection, "the state of the own protections", "`read-protection`",
         "nobody hears that one has tripped");
    look(can.reads_setpoints, "the readback of the setpoints",
         "`read-voltage-setpoint` and `read-current-setpoint`", "a turned knob is not noticed");
    look(can.reads_output, "the state of the output", "`read-output`",
         "an output that is switched by hand is not noticed");
  }

  // The limit on the time of a step counts while it rests, too.
  void check_rest(const Step& step) {
    if (!limits().step_time || step.rest < limits().step_time->value) return;
    const std::string says = "the rest of step `" + step.name + "` takes " + to_text(step.rest) +
                             ", not below the limit " + limit_of("step-time");
    if (step.until.empty()) {
      problem(step.place, says,
              "it would trip: shorten the rest, or raise the limit where it is written");
    } else {
      note(step.place, says, "unless its `until` ends it sooner it would trip");
    }
  }

  // What flows between two readings is in no count: a whole step must not.
  void check_pulse(const Step& step) {
    const Duration least = 2 * channel_.every;
    const double soonest = soonest_unread(resolve(step.until, cell_.capacity)).value();
    if (soonest >= in_seconds(least)) return;
    problem(step.until_place,
            "step `" + step.name + "` may end after " +
                to_text(Duration{std::llround(soonest * 1e9)}) +
                ", before anything was read in it: its charge would be in no limit",
            "let it charge for " + to_text(least) + " at least, or read channel `" + channel_.name +
                "` more often");
  }

  // A ceiling is steered to and a limit is cut at: one on the other would trip.
  template <class Q>
  void below_limit(const Place& place, const std::string& what, Q ceiling,
                   const std::optional<safety::Limit<Q>>& limit, std::string_view quantity) {
    if (!limit || ceiling.value() < limit->value.value() * (1 - 1e-9)) return;
    problem(place, "the " + what + to_text(ceiling) + ", not below the limit " + limit_of(quantity),
            "it would trip: lower the ceiling, or raise the limit where it is written");
  }

  // Both ceilings are met as a charge begins to taper. A source that holds its own rating there
  // reads a little beyond it now and then. Of a source no more is asked than its rated power at the
  // voltage ceiling.
  void check_power(const CeilingsText& ceilings, Amperes current, const std::string& where) {
    if (!limits().power_above) return;
    const auto beyond = [&](Volts voltage) {
      const drivers::Watts power = current * voltage;
      return "the current ceiling" + where + to_text(current) + ": at " + to_text(voltage) +
             " that is " + to_text(power) + ", not below the limit " + limit_of("power-above");
    };
    const Volts least =
        limits().voltage_below ? limits().voltage_below->value : cell_.voltage.never_below;
    const auto& rated = source_.ratings.power;
    const Amperes asked = rated ? std::min(current, *rated / ceilings.voltage) : current;
    if (asked * least > limits().power_above->value) {  // what safety/gate.h would refuse
      problem(
          ceilings.current_place, beyond(least),
          "even the emptiest cell would take more: lower it, or give the step a `power` ceiling");
    } else if (current * ceilings.voltage >= limits().power_above->value) {
      note(ceilings.current_place, beyond(ceilings.voltage),
           "unless the cell never takes both at once it would trip: give the step a `power` "
           "ceiling");
    }
  }

  void check_temperature(const CeilingsText& ceilings, const std::string& where) {
    const Celsius ceiling = *ceilings.temperature;
    if (limits().temperature_above &&
        ceiling.value() >= limits().temperature_above->value.value()) {
      problem(ceilings.temperature_place,
              "the temperature ceiling" + where + to_text(ceiling) + ", not below the limit " +
                  limit_of("temperature-above"),
              "it would trip: lower the ceiling, or raise the limit where it is written");
    }
    if (limits().temperature_below &&
        ceiling.value() <= limits().temperature_below->value.value()) {
      problem(ceilings.temperature_place, "the temperature ceiling" + where + to_text(ceiling) +
                                              ", not above the limit " +
                                              limit_of("temperature-below"));
    }
  }

  // Closer than the source's own accuracy, an honest supply may trip the limit.
  void check_margin(const CeilingsText& ceilings, Amperes current, const std::string& where) {
    const double current_room =
        limits().current_above ? (limits().current_above->value - current).value() : INFINITY;
    if (current_room > 0 && current_room < source_.accuracy.current.of(current.value())) {
      note(ceilings.current_place, "the current ceiling" + where + to_text(current) +
                                       ", closer to the limit " + limit_of("current-above") +
                                       " than the source is accurate");
    }
    const double voltage_room = limits().voltage_above
                                    ? (limits().voltage_above->value - ceilings.voltage).value()
                                    : INFINITY;
    if (voltage_room > 0 && voltage_room < source_.accuracy.voltage.of(ceilings.voltage.value())) {
      note(ceilings.voltage_place, "the voltage ceiling" + where + to_text(ceilings.voltage) +
                                       ", closer to the limit " + limit_of("voltage-above") +
                                       " than the source is accurate");
    }
  }

  // An end that cannot come: only where the condition is one comparison.
  void check_end(const Step& step, Amperes current) {
    if (step.until.nodes.size() != 1) return;
    const Condition resolved = resolve(step.until, cell_.capacity);
    const Condition::Node& node = resolved.nodes.front();
    const bool upward =
        node.comparison == Comparison::at_least || node.comparison == Comparison::above;
    const std::string says = '`' + describe(resolved) + "` of step `" + step.name + '`';
    const auto cut_first = [&](const auto& limit, double value, std::string_view quantity) {
      if (!limit || node.value < value) return;
      problem(step.until_place,
              says + " is never met: the limit " + limit_of(quantity) + " cuts first");
    };
    switch (node.subject) {
      case Subject::voltage:
        if (upward && node.value > step.charge.voltage.value()) {
          problem(step.until_place,
                  says + " is never met: its voltage ceiling is " + to_text(step.charge.voltage));
        }
        return;
      case Subject::current:
        if (upward && node.value > current.value()) {
          problem(step.until_place,
                  says + " is never met: its current ceiling is " + to_text(current));
        } else if (!upward && node.value >= current.value()) {
          note(step.until_place,
               says + " is met at once: its current ceiling is " + to_text(current));
        }
        return;
      case Subject::temperature:
        if (upward && step.charge.temperature && node.value > step.charge.temperature->value()) {
          problem(step.until_place, says + " is never met: its temperature ceiling is " +
                                        to_text(*step.charge.temperature));
        } else if (upward && limits().temperature_above) {
          cut_first(limits().temperature_above, limits().temperature_above->value.value(),
                    "temperature-above");
        }
        return;
      case Subject::charge:
        if (upward && limits().charge_above) {
          cut_first(limits().charge_above, limits().charge_above->value.value(), "charge-above");
        }
        return;
      case Subject::energy:
        if (upward && limits().energy_above) {
          cut_first(limits().energy_above, limits().energy_above->value.value(), "energy-above");
        }
        return;
      case Subject::step_time:
        if (upward && step.within && node.value > in_seconds(*step.within)) {
          problem(step.until_place, says + " is never met: it fails after " +
                                        to_text(*step.within) + ", its `within`");
        } else if (upward && limits().step_time) {
          cut_first(limits().step_time, in_seconds(limits().step_time->value), "step-time");
        } else if (upward && limits().run_time) {
          cut_first(limits().run_time, in_seconds(limits().run_time->value), "run-time");
        }
        return;
      case Subject::run_time:
        if (upward && limits().run_time) {
          cut_first(limits().run_time, in_seconds(limits().run_time->value), "run-time");
        }
        return;
      case Subject::power:
        if (const Watts most = power_most(step.charge, current);
            upward && node.value > most.value() * (1 + 1e-9)) {
          problem(step.until_place,
                  says + " is never met: its ceilings allow " + to_text(most) + " at most");
        } else if (upward && limits().power_above) {
          cut_first(limits().power_above, limits().power_above->value.value(), "power-above");
        }
        return;
    }
  }

  static Watts power_most(const CeilingsText& ceilings, Amperes current) {
    const Watts both = current * ceilings.voltage;
    return ceilings.power ? std::min(both, *ceilings.power) : both;
  }

  void fill_plan() {
    safety::RunPlan& plan = report_.plan;
    set_protections(plan, cell_, bench_, channel_, basis_.proved_within, current_max_);
    if (plan.limits.voltage_below) plan.open_circuit_min = plan.limits.voltage_below->value;
    if (plan.limits.voltage_above) plan.open_circuit_max = plan.limits.voltage_above->value;
    const Volts reach = plan.full + plan.lead_compensation_max;
    if (source_.ratings.voltage && plan.over_voltage_protection > *source_.ratings.voltage) {
      plan.over_voltage_protection = *source_.ratings.voltage;
      note(source_.ratings_place,
           "the source is rated " + to_text(*source_.ratings.voltage) +
               ": its over-voltage protection is armed at that, closer than usual to the " +
               to_text(reach) + " that it may reach");
    }
    plan.thermometers_needed = policy_.thermometers;
    fill_body();
  }

  // S9: what happens with nobody there has to be seen by whoever is there now.
  void check_resumption() {
    if (!profile_.resumption) return;
    if (policy_.resumption_forbidden) {
      return note(
          profile_.resumption_place,
          "the policy forbids a run to resume by itself: after an interruption it stays off");
    }
    const Resumption& resumption = *profile_.resumption;
    report_.resumption = resumption;
    const std::string times =
        resumption.times == 1 ? "once" : std::to_string(resumption.times) + " times in a row";
    note(profile_.resumption_place,
         "CAUTION: after a power loss or a crash this run switches on again by itself, up to " +
             to_text(resumption.within) + " later, " + times + ", after a warning of " +
             to_text(resumption.warning),
         "keep your hands off the bench after an interruption until it is cut or acknowledged");
  }

  // The most that a cell's body can hold; batteries stand at about 0.9 to 1.0 kJ/(kg K). Where the
  // chemistry is not known nothing is typical: what the file leaves out is not known.
  void fill_body() {
    safety::Body& body = report_.plan.body;
    const auto& model = cell_.model;
    const auto& states = cell_.model_states;
    const bool has_typical = cell_.chemistry != "other";
    if (has_typical || states.resistance) body.resistance_least = model.r0;
    if (has_typical || states.heat_capacity) body.heat_capacity_most = model.heat_capacity;
    if (cell_.mass) {
      body.heat_capacity_most = std::max(
          body.heat_capacity_most, joules_per_kelvin(specific_heat_most * cell_.mass->value()));
    }
    const bool straight = model.kind == simulated::CellModel::Kind::capacitor;
    if (!straight && !cell_.capacitance) return;
    const Farads capacitance = straight ? model.capacitance : *cell_.capacitance;
    const double fall_s = (body.resistance_least * capacitance).value();
    body.fall_time = seconds(std::max(1e-6, fall_s));
    if (!channel_.reads_at_cell() && body.fall_time < channel_.every) {
      note(channel_.place,
           "read every " + to_text(channel_.every) + ", a full capacitor of " +
               (fall_s > 0 ? to_text(body.fall_time) : "unknown resistance") +
               " cannot be told from a lead that is off",
           "measure the voltage at its own terminals with a meter");
    }
  }

  // S7: a limit that this bench cannot enforce protects nobody.
  void check_enforcement() {
    report_.enforcement = enforcement_of(
        {.plan = report_.plan,
         .cell = cell_,
         .bench = bench_,
         .channel = channel_number_,
         .basis = basis_,
         .current_max = current_max_,
         .voltage_max = voltage_max_,
         .place_of = [this](std::string_view quantity) { return place_of(quantity); },
         .words_of = [this](std::string_view quantity) { return limit_of(quantity); }});
    // Beside other problems the numbers are not yet those of a run.
    if (!report_.problems.empty()) return;
    std::ranges::copy(report_.enforcement.problems, std::back_inserter(report_.problems));
    std::ranges::copy(report_.enforcement.notes, std::back_inserter(report_.notes));
  }

  const Profile& profile_;
  const Cell& cell_;
  const Bench& bench_;
  std::size_t channel_number_;
  const BenchChannel& channel_;
  const Policy& policy_;
  const Basis& basis_;
  const BenchInstrument& source_;
  std::vector<Said> said_;
  bool no_thermometer_ = false;
  Amperes current_max_{};
  Volts voltage_max_{};
  CheckReport report_;
};

}  // namespace

CheckReport check(const Profile& profile, const Cell& cell, const Bench& bench, std::size_t channel,
                  const Policy& policy, const Basis& basis) {
  if (channel >= bench.channels.size()) {
    CheckReport report;
    report.problems.push_back({{bench.file, 0, 0}, "the bench has no such channel", {}});
    return report;
  }
  return Checker(profile, cell, bench, channel, policy, basis).run();
}

}  // namespace chargewright::profiles

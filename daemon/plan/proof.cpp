#include "daemon/plan/proof.h"

#include <algorithm>
#include <charconv>
#include <cmath>

#include "drivers/quantity_text.h"
#include "profiles/origins.h"

namespace chargewright::daemon {

using drivers::Duration;
using drivers::in_seconds;
using drivers::Instant;

namespace {

using namespace std::chrono_literals;

// All of it common practice, no source. A person walks to the bench and back.
constexpr Duration hand_within = 2min;
constexpr Duration cut_within = 10s;
// A cut that is proved takes fractions of a second; this is a failed one.
constexpr Duration off_within = 10s;
// Longer than a daemon that is merely busy takes to answer.
constexpr Duration silence_means_dead = 1s;
// A capacitor is filled from empty in no less than this.
constexpr double capacitor_fill_s = 600;
// The current must be told from none, which reads up to `off-current`.
constexpr double over_off_current = 3;
// At its rating the source's own limit cuts: what is steered to stays below.
constexpr double below_rating = 0.9;

// Rounded as it is written into the profile, so that what is said is what is done.
std::string plain(double value, int digits) {
  std::array<char, 64> text{};
  const auto end = std::to_chars(text.data(), text.data() + text.size(), value,
                                 std::chars_format::fixed, digits);
  return {text.data(), end.ptr};
}

// Never above what the cell bears, in no digit.
double rounded_down(double value, int digits) {
  const double step = std::pow(10.0, -digits);
  return std::floor(value / step * (1 + 1e-9)) * step;
}
constexpr int amperes_digits = 4;
constexpr int volts_digits = 3;

class Trials {
 public:
  Trials(const profiles::Bench& bench, const profiles::BenchChannel& channel,
         const profiles::Cell& cell, const safety::SourceAbilities& can)
      : bench_(bench), channel_(channel), cell_(cell), can_(can) {}

  std::vector<ProofTrial> list() {
    readings();
    if (!profiles::is_capacitor(cell_)) reversed();
    operators_cut();
    limits();
    panel();
    wires();
    daemon();
    return std::move(trials_);
  }

  [[nodiscard]] std::vector<std::string> not_covered() const {
    std::vector<std::string> left{
        "the source's own over-voltage and over-current protection: with the daemon stopped and "
        "the cell off, raise the voltage at the panel beyond the level that is armed"};
    left.emplace_back(
        "the limits on voltage and current by themselves: no setpoint is let beyond them, and a "
        "knob that is turned so far is noticed as one");
    left.push_back(channel_.contactor
                       ? "a source that loses its link, or ignores off, while it charges"
                       : "a source that loses its link, or ignores off: there is no contactor, so "
                         "only a hand at the panel stops it");
    if (!can_.reads_output) left.emplace_back("an output switched at the panel: it is not read");
    if (!can_.reads_setpoints) left.emplace_back("a knob that is turned: setpoints are not read");
    if (channel_.thermometers.empty()) left.emplace_back("any heat: there is no thermometer");
    left.emplace_back(
        "daemon and dead-man killed at once, and the emergency stop: the guide says how");
    return left;
  }

 private:
  // Of several outputs, a hand must find the one: `psu` output 2
  [[nodiscard]] std::string source() const { return at(channel_.source, "output"); }
  [[nodiscard]] std::string source_output() const {
    return (channel_.source.channel > 0 ? "" : "the output of ") + source();
  }

  void readings() {
    trials_.push_back(
        {.key = "readings",
         .deed = ProofDeed::look,
         .title = "the readings are right",
         .act = "compare the readings below with a hand meter at the cell's terminals and a "
                "thermometer of your own",
         .must = "they agree within what the instruments' accuracy explains",
         .asked = "Do they agree?"});
  }
  void reversed() {
    trials_.push_back({.key = "reversed",
                       .deed = ProofDeed::refused_start,
                       .title = "a cell the wrong way round is refused",
                       .act = "swap the two leads at the cell, those of its meter with them",
                       .must = "the start is refused, and the output never goes on",
                       .undo = "swap the leads back, and look at the polarity twice",
                       .causes = {"polarity-reversed"},
                       .within = hand_within});
  }
  void operators_cut() {
    trials_.push_back({.key = "operator-cut",
                       .deed = ProofDeed::cut,
                       .title = "the operator's cut",
                       .act = "watch the supply's own display; this command cuts",
                       .must = "the output goes off at once, and is proved off",
                       .asked = "Does the supply's own display show its output off?",
                       .causes = {"operator-cut"},
                       .within = cut_within});
    if (!channel_.contactor) return;
    trials_.push_back({.key = "contactor",
                       .deed = ProofDeed::cut,
                       .title = "the contactor opens",
                       .act = "listen to the contactor, or measure across it; this command cuts",
                       .must = "it opens, and no current can flow",
                       .asked = "Did the contactor open?",
                       .causes = {"operator-cut"},
                       .within = cut_within});
  }
  void limits() {
    trials_.push_back({.key = "limit-charge",
                       .deed = ProofDeed::by_itself,
                       .title = "a limit that is crossed",
                       .act = "wait; the limit on charge is set at what flows in about 10 s",
                       .must = "it trips by itself",
                       .causes = {"charge-high"},
                       .limit = ProofLimit::charge,
                       .within = 5 * proof_charge_span});
    for (std::size_t k = 0; k < channel_.thermometers.size(); ++k) {
      const std::string number = std::to_string(k + 1);
      trials_.push_back(
          {.key = "limit-temperature-" + number,
           .deed = ProofDeed::by_hand,
           .title = "thermometer " + number + " and its limit",
           .act = "warm thermometer " + number + ", " + at(channel_.thermometers[k], "input") +
                  ", and no other, by hand or with a warm cloth: the limit stands 3 K above what "
                  "is read now",
           .must = "it trips by the temperature of thermometer " + number,
           .undo = "let the thermometer cool",
           .causes = {"temperature-high"},
           .subject = "thermometer " + number + ':',
           .limit = ProofLimit::temperature,
           .within = hand_within});
    }
  }
  void panel() {
    if (can_.reads_setpoints) {
      trials_.push_back({.key = "knob",
                         .deed = ProofDeed::by_hand,
                         .title = "a knob that is turned",
                         .act = "turn the voltage knob of " + source() +
                                " a little down (local mode, if it is locked)",
                         .must = "it trips: the setpoint differs from the one written",
                         .causes = {"setpoint-changed"},
                         .within = hand_within});
    }
    if (!can_.reads_output) return;
    trials_.push_back({.key = "output-off-at-panel",
                       .deed = ProofDeed::by_hand,
                       .title = "an output that is switched off at the panel",
                       .act = "switch " + source_output() + " off at its panel",
                       .must = "it trips: off though it should be on",
                       .causes = {"output-off-unbidden"},
                       .within = hand_within});
    trials_.push_back({.key = "output-on-at-panel",
                       .deed = ProofDeed::by_hand_off,
                       .title = "an output that is switched on at the panel",
                       .act = "switch " + source_output() + " on at its panel",
                       .must = "it is cut: on though it should be off",
                       .asked = "Does the supply's own display show its output off?",
                       .causes = {"output-on-unbidden"},
                       .within = hand_within});
  }
  void wires() {
    trials_.push_back({.key = "lead-off",
                       .deed = ProofDeed::by_hand,
                       .title = "a lead that falls off",
                       .act = std::string("take the positive lead of the supply off the cell") +
                              (channel_.reads_at_cell() ? ", and leave the meter's on it" : ""),
                       .must = "it trips: the circuit is open",
                       .undo = "put the lead back, and look at the polarity twice",
                       .causes = {"circuit-open"},
                       .within = hand_within});
    for (const drivers::InstrumentId id : readers()) {
      trials_.push_back({.key = "link-" + bench_.instruments[id].name,
                         .deed = ProofDeed::by_hand,
                         .title = "the link of `" + bench_.instruments[id].name + "` is lost",
                         .act = "pull the data cable of `" + bench_.instruments[id].name + '`',
                         .must = "it trips: the instrument does not answer, or its reading is old",
                         .undo = "plug the cable in again",
                         .causes = {"conversation-failing", "reading-stale", "reading-unusable"},
                         .within = hand_within});
    }
    for (std::size_t k = 0; k < channel_.thermometers.size(); ++k) {
      const std::string number = std::to_string(k + 1);
      trials_.push_back(
          {.key = "sensor-" + number,
           .deed = ProofDeed::by_hand,
           .title = "the sensor of thermometer " + number + " is unplugged",
           .act = "pull the sensor's connector at " + at(channel_.thermometers[k], "input"),
           .must = "it trips: the reading is unusable or old",
           .undo = "plug the sensor in again",
           .causes = {"reading-unusable", "reading-stale"},
           .within = hand_within});
    }
  }
  void daemon() {
    for (const auto& [signal, what] :
         {std::pair{"KILL", "is killed"}, std::pair{"STOP", "hangs"}}) {
      trials_.push_back(
          {.key = signal == std::string_view("KILL") ? "daemon-killed" : "daemon-hung",
           .deed = ProofDeed::kill,
           .title = std::string("the daemon ") + what,
           .act = std::string("in another terminal: kill -s ") + signal,
           .must = "the dead-man switches the output off, and nothing goes on",
           .undo = "start the daemon again, where the service manager does not",
           .asked = "Does the supply's own display show its output off?",
           .within = hand_within});
    }
  }

  // `probe` input 2
  [[nodiscard]] std::string at(const safety::Terminal& terminal, const std::string& what) const {
    std::string words = '`' + bench_.instruments[terminal.instrument].name + '`';
    if (terminal.channel > 0) words += ' ' + what + ' ' + std::to_string(terminal.channel);
    return words;
  }
  // Those that are read, and are not the source.
  [[nodiscard]] std::vector<drivers::InstrumentId> readers() const {
    std::vector<drivers::InstrumentId> ids;
    const auto add = [&](const safety::Terminal& terminal) {
      const auto id = terminal.instrument;
      if (id != channel_.source.instrument && std::ranges::find(ids, id) == ids.end()) {
        ids.push_back(id);
      }
    };
    add(channel_.voltmeter);
    add(channel_.ammeter);
    for (const auto& thermometer : channel_.thermometers) add(thermometer);
    return ids;
  }

  const profiles::Bench& bench_;
  const profiles::BenchChannel& channel_;
  const profiles::Cell& cell_;
  const safety::SourceAbilities& can_;
  std::vector<ProofTrial> trials_;
};

bool energises(const ProofTrial& trial) {
  return trial.deed != ProofDeed::look && trial.deed != ProofDeed::refused_start;
}

ProofFinding passed(std::string reason) { return {ProofVerdict::passed, std::move(reason)}; }
ProofFinding failed(std::string reason, bool not_off = false) {
  return {ProofVerdict::failed, std::move(reason), not_off};
}

bool is_off(const std::string& state) { return state == "off" || state == "tripped"; }
// The daemon says what tripped when that is on its disk: a little later than that it tripped.
bool is_told(const ProofSight& sight) { return sight.state == "tripped" && !sight.trip.empty(); }
bool is_over(const std::string& phase) {
  return phase == "done" || phase == "stopped" || phase == "failed";
}

}  // namespace

drivers::Result<ProofPlan> plan_proof(const profiles::Bench& bench, std::size_t channel_number,
                                      const profiles::Cell& cell,
                                      const safety::SourceAbilities& abilities) {
  const profiles::BenchChannel& channel = bench.channels[channel_number];
  ProofPlan plan;
  const double gentle =
      cell.capacity.value() / (profiles::is_capacitor(cell) ? capacitor_fill_s : 10 * 3600.0);
  plan.amperes = std::min({proof_amperes_most, gentle, cell.current.charge.value()});
  if (const auto rated = bench.source_of(channel).ratings.current) {
    plan.amperes = std::min(plan.amperes, below_rating * rated->value());
  }
  plan.amperes = rounded_down(plan.amperes, amperes_digits);
  const double least = over_off_current * channel.off_current.value();
  if (plan.amperes < least) {
    return drivers::Failure{
        .place = cell.places.capacity,
        .cause = "a tenth of what this cell bears is " +
                 drivers::to_text(drivers::amperes(plan.amperes)) +
                 ", which this bench does not tell from no current (`off-current` " +
                 drivers::to_text(channel.off_current) + ')',
        .advice = "take a larger cell for the proof test, or a finer ammeter"};
  }
  plan.amperes_limit = 1.5 * plan.amperes;
  plan.volts = rounded_down(cell.voltage.full.value(), volts_digits);
  plan.each = proof_each;
  Trials trials(bench, channel, cell, abilities);
  plan.not_covered = trials.not_covered();
  plan.trials = trials.list();
  const auto energised = static_cast<double>(std::ranges::count_if(plan.trials, energises));
  plan.watt_hours = energised * plan.amperes * plan.volts * in_seconds(plan.each) / 3600;
  return plan;
}

std::string proof_profile(const ProofPlan& plan, const profiles::Cell& cell, ProofLimit limit,
                          double hottest_degc) {
  const double seconds =
      limit == ProofLimit::charge ? in_seconds(proof_charge_span) : in_seconds(plan.each);
  std::string text =
      "profile: proof-test\ncell: " + cell.name +
      "\nsteps:\n  - name: prove\n    charge: {current: " + plain(plan.amperes, amperes_digits) +
      " A, voltage: " + plain(plan.volts, volts_digits) +
      " V}\n    until: step-time >= " + plain(in_seconds(proof_charging), 0) +
      " s\nlimits:\n  current: {above: " + plain(plan.amperes_limit, 4) +
      " A}\n  charge: {above: " + plain(plan.amperes * seconds / 3600, 7) + " Ah}\n";
  if (limit == ProofLimit::temperature) {
    text += "  temperature: {above: " + plain(hottest_degc + proof_warmer_k, 2) + " degC}\n";
  }
  return text + "  time: {above: " + plain(in_seconds(plan.each), 0) + " s}\n";
}

std::string_view key_of(ProofVerdict verdict) {
  switch (verdict) {
    case ProofVerdict::passed:
      return "passed";
    case ProofVerdict::failed:
      return "FAILED";
    case ProofVerdict::skipped:
      break;
  }
  return "skipped";
}

void ProofJudge::note(const ProofEvent& event, Instant now) {
  const bool notice = event.kind == "cause-present" || event.kind == "refused";
  if (notice && !noticed_s_) noticed_s_ = in_seconds(now - began_);
  if (event.kind == "cut-stage") {
    const bool proved = event.stage == "verified" || event.stage == "verified-by-contactor";
    if (proved && !off_ms_) off_ms_ = event.after_ms;
    std::string line = "cut: " + event.stage;
    if (event.after_ms) line += " after " + plain(*event.after_ms, 0) + " ms";
    evidence_.push_back(std::move(line));
  } else if (notice || event.kind == "tripped" || event.kind == "alarm") {
    evidence_.push_back(event.kind + ": " + event.words);
  }
}

std::optional<ProofFinding> ProofJudge::see(const ProofSight& sight, Instant now) {
  const bool late = now - began_ > trial_.within;
  if (!sight.answers) {
    if (!silent_since_) silent_since_ = now;
    if (now - *silent_since_ < silence_means_dead) return {};
    if (trial_.deed == ProofDeed::kill) return passed("the daemon is gone");
    return failed("the daemon does not answer any more", true);
  }
  silent_since_.reset();
  if (sight.state == "cutting") {
    if (!cutting_since_) cutting_since_ = now;
    if (now - *cutting_since_ < off_within) return {};
    return failed("the output could not be proved off", true);
  }
  cutting_since_.reset();
  if (trial_.deed == ProofDeed::kill) {
    // A service manager may have started it again before anybody looked.
    if (sight.trip == "interrupted") return passed("the daemon was gone");
    if (is_told(sight)) return failed("it tripped instead: " + sight.trip_words);
    if (!late) return {};
    return failed("the daemon was not ended within " + drivers::to_text(trial_.within));
  }
  return trial_.deed == ProofDeed::refused_start ? see_start(sight, late) : see_trip(sight, late);
}

std::optional<ProofFinding> ProofJudge::see_start(const ProofSight& sight, bool late) const {
  if (sight.state == "energised") return failed("it was energised, and not refused", true);
  if (sight.phase == "refused") {
    const bool right = std::ranges::find(trial_.causes, sight.refusal) != trial_.causes.end();
    return right ? passed("refused: " + sight.refusal)
                 : failed("refused, but not for this: " + sight.refusal);
  }
  if (is_told(sight)) return failed("it tripped instead: " + sight.trip_words);
  if (late) return failed("it was not refused");
  return {};
}

std::optional<ProofFinding> ProofJudge::see_trip(const ProofSight& sight, bool late) const {
  if (is_told(sight)) return judge_trip(sight);
  const bool running = trial_.deed != ProofDeed::by_hand_off;
  if (running && is_off(sight.state) && is_over(sight.phase)) {
    return failed("the run ended without a trip: " + sight.phase);
  }
  if (late) return failed("nothing was noticed within " + drivers::to_text(trial_.within));
  return {};
}

ProofFinding ProofJudge::judge_trip(const ProofSight& sight) const {
  if (std::ranges::find(trial_.causes, sight.trip) == trial_.causes.end()) {
    return failed("it tripped, but not by what was done: " + sight.trip_words);
  }
  if (sight.trip_words.find(trial_.subject) == std::string::npos) {
    return failed("it tripped by another than " + trial_.subject + ' ' + sight.trip_words);
  }
  return passed(sight.trip_words);
}

ProofFinding judge_return(const ProofSight& sight, const std::vector<std::string>& log) {
  if (!sight.answers) return failed("no daemon answers again");
  if (!is_off(sight.state)) return failed("the output is not proved off again", true);
  if (sight.trip != "interrupted") {
    return failed("the new daemon does not say that the run was interrupted");
  }
  constexpr std::string_view off = "every output is verified off";
  bool proved = false;
  for (const std::string& line : log) {
    if (line.find("NOT " + std::string(off)) != std::string::npos) {
      return failed("the dead-man could not prove every output off");
    }
    proved = proved || line.find(off) != std::string::npos;
  }
  if (!proved) return failed("the dead-man left no word that every output is off");
  return passed("the dead-man cut, and proved every output off");
}

std::size_t ProofSheet::count(ProofVerdict verdict) const {
  return static_cast<std::size_t>(std::ranges::count_if(
      results, [&](const ProofResult& result) { return result.finding.verdict == verdict; }));
}

}  // namespace chargewright::daemon

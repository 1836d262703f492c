// The guided proof test of a real bench: the terminal around daemon/plan/proof.h. Asks a person,
// asks the daemon, and writes the sheet. However it ends, it leaves the output off.
#include <algorithm>
#include <array>
#include <boost/json.hpp>
#include <chrono>
#include <ctime>
#include <iostream>

#include "daemon/bench/plant.h"
#include "daemon/cli/arming.h"
#include "daemon/cli/asking.h"
#include "daemon/cli/bench_basis.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/files.h"
#include "daemon/cli/person.h"
#include "daemon/cli/proof_talk.h"
#include "daemon/cli/proof_view.h"
#include "daemon/cli/verbs.h"
#include "daemon/record/whole_file.h"
#include "daemon/serve/cautions.h"
#include "daemon/serve/data_folders.h"
#include "daemon/state/disk.h"

namespace chargewright::daemon {
namespace {

using namespace std::chrono_literals;
using boost::json::object;
using drivers::Instant;

constexpr auto look_every = 100ms;
constexpr auto flowing_within = 150s;  // once it has armed; a bench may look once a minute
constexpr auto off_within = 10s;
constexpr auto again_within = 3min;  // a person starts a daemon anew
constexpr auto evidence_within = 2s;
constexpr auto acknowledge_within = 20s;
constexpr double flowing_share = 0.5;  // of the current that is steered to

Instant now() { return Instant{std::chrono::steady_clock::now().time_since_epoch()}; }

double wall_s() {
  return std::chrono::duration<double>(std::chrono::system_clock::now().time_since_epoch()).count();
}

bool is_off(const ProofSight& sight) {
  return sight.answers && (sight.state == "off" || sight.state == "tripped");
}

enum class Go : std::uint8_t { on, skip, end };

class ProofRun {
 public:
  ProofRun(std::ostream& out, ProofTalk& talk, const profiles::Cell& cell, ProofSheet& sheet)
      : out_(out), person_(out), talk_(talk), cell_(cell), sheet_(sheet) {}
  // Whatever happened before: no output is left on.
  ~ProofRun() { leave_off(); }
  ProofRun(const ProofRun&) = delete;
  ProofRun& operator=(const ProofRun&) = delete;

  // False: nothing was energised, and `code` says why.
  bool begin(ExitCode& code);
  void perform_all();
  // True: the output is proved off, as the daemon says.
  bool leave_off();

 private:
  void say(const std::string& text) { out_ << text << '\n' << std::flush; }
  Go ask_go(const std::string& question);
  Go ask_ready(const ProofTrial& trial);
  ProofResult perform(const ProofTrial& trial, std::size_t number);
  void decide(ProofResult& result);
  ProofFinding play(ProofResult& result);
  ProofFinding look_only(ProofResult& result);
  std::string energise(const ProofTrial& trial);
  std::string start(const ProofTrial& trial);
  ProofFinding watch(ProofResult& result);
  ProofFinding kill(ProofResult& result);
  void ask_eyes(ProofResult& result);
  void undo(const ProofTrial& trial);
  bool acknowledge();
  ProofFinding ended() const { return {ProofVerdict::skipped, "not done: " + sheet_.ended_early}; }

  std::ostream& out_;
  AskedPerson person_;
  ProofTalk& talk_;
  const profiles::Cell& cell_;
  ProofSheet& sheet_;
  bool left_off_ = false;
};

Go ProofRun::ask_go(const std::string& question) {
  const auto line = person_.ask(question);
  if (!line || *line == "stop") {
    if (sheet_.ended_early.empty()) {
      sheet_.ended_early = line ? "the person stopped it" : "the person went away, or interrupted";
    }
    return Go::end;
  }
  return *line == "skip" ? Go::skip : Go::on;
}

bool ProofRun::begin(ExitCode& code) {
  say("Proof test of bench " + sheet_.bench + ", channel " + sheet_.channel + ", with cell " +
      sheet_.cell + ".\nThe output goes on, again and again: " + proof_bounds_text(sheet_.plan) +
      ".\n\nBefore anything is energised:");
  for (const auto caution : cautions) say("  - " + std::string(caution));
  say("  - Use a small cell or a large capacitor that nobody will miss, in a place that does not\n"
      "    burn. Stay beside it, with a hand near the supply's own switch. `stop`, the interrupt\n"
      "    key or the end of input bring the output to off, at any moment.");
  const auto accepted = person_.ask("Type yes to accept: ");
  code = ExitCode::refused;
  if (!accepted || *accepted != "yes") {
    std::cerr << (accepted ? "not accepted; nothing was energised\n"
                           : "\nnobody answers: a proof test wants a person at the bench, or "
                             "answers line by line on standard input; nothing was energised\n");
    return false;
  }
  std::vector<std::string> limits;
  const std::string usual = proof_profile(sheet_.plan, cell_, ProofLimit::usual, 0);
  std::string why = talk_.approve(usual, cell_, false, limits);
  if (why.empty()) {
    say("\nThe limits of every trial, or tighter ones:");
    for (const auto& line : limits) say("  - " + line);
    const auto approved = person_.ask("Type yes to approve: ");
    if (!approved || *approved != "yes") {
      std::cerr << "not approved; nothing was energised\n";
      return false;
    }
    why = talk_.approve(usual, cell_, true, limits);
  }
  if (why.empty()) return true;
  std::cerr << why << '\n';
  return false;
}

void ProofRun::perform_all() {
  talk_.forget_news();
  std::size_t number = 0;
  for (const ProofTrial& trial : sheet_.plan.trials) {
    ++number;
    if (!sheet_.ended_early.empty()) {
      sheet_.results.push_back({.trial = trial, .finding = ended()});
      continue;
    }
    sheet_.results.push_back(perform(trial, number));
    const ProofResult& result = sheet_.results.back();
    say("  => " + std::string(key_of(result.finding.verdict)) + ": " + result.finding.reason);
    if (sheet_.ended_early.empty()) undo(trial);
  }
}

// The next trial waits while something goes on elsewhere on the bench: a person's hands are on it,
// pull cables that channels may share, and end the daemon.
Go ProofRun::ask_ready(const ProofTrial& trial) {
  const bool first = trial.deed == ProofDeed::refused_start;
  const bool off = first || trial.deed == ProofDeed::look;
  Go go = ask_go(
      off ? (first ? "Enter when it is done (or: skip, stop) " : "Enter to look (or: skip, stop) ")
          : "Enter when you stand ready, not before NOW is said (or: skip, stop) ");
  while (go == Go::on) {
    const std::string why = talk_.what_else_goes_on().value_or("the daemon does not answer");
    if (why.empty()) break;
    say("  the trial cannot begin yet: " + why);
    go = ask_go("  Enter to try again, when that is over (or: skip, stop) ");
  }
  return go;
}

ProofResult ProofRun::perform(const ProofTrial& trial, std::size_t number) {
  ProofResult result{.trial = trial, .finding = {}};
  say("\nTrial " + std::to_string(number) + " of " + std::to_string(sheet_.plan.trials.size()) +
      ": " + trial.title + "\n  do:   " + trial.act + "\n  must: " + trial.must);
  const Go go = ask_ready(trial);
  if (go == Go::skip) {
    const auto why = person_.ask("Why is it skipped? ");
    result.finding = {ProofVerdict::skipped,
                      why && !why->empty() ? "the person: " + *why : "the person gave no reason"};
    return result;
  }
  if (go == Go::end) {
    result.finding = ended();
    return result;
  }
  decide(result);
  return result;
}

void ProofRun::decide(ProofResult& result) {
  result.finding = play(result);
  if (!sheet_.ended_early.empty()) {
    result.finding = ended();
    return;
  }
  if (result.finding.not_off) {
    // Nobody asks first: the daemon is told again, and the person can do what no program can.
    (void)talk_.cut();
    say("\a  SWITCH THE SUPPLY OFF AT ITS OWN SWITCH, NOW. " + result.finding.reason + '.');
    (void)ask_go("Enter when its display shows off ");
    sheet_.ended_early = "an output could not be proved off";
  }
}

ProofFinding ProofRun::play(ProofResult& result) {
  const ProofTrial& trial = result.trial;
  if (trial.deed == ProofDeed::look) return look_only(result);
  std::string why;
  if (trial.deed == ProofDeed::refused_start) {
    why = start(trial);
  } else if (trial.deed != ProofDeed::by_hand_off) {
    why = energise(trial);
  }
  if (!why.empty()) return {ProofVerdict::failed, why, !is_off(talk_.look().sight)};
  if (!sheet_.ended_early.empty()) return ended();
  (void)talk_.news();  // how it was armed is no evidence
  if (trial.deed == ProofDeed::kill) return kill(result);
  if (trial.deed == ProofDeed::cut) {
    if (why = talk_.cut(); !why.empty()) return {ProofVerdict::failed, why, true};
  } else if (trial.deed == ProofDeed::by_hand || trial.deed == ProofDeed::by_hand_off) {
    say("  NOW: " + trial.act);
  }
  ProofFinding finding = watch(result);
  if (finding.not_off || finding.verdict == ProofVerdict::skipped) return finding;
  result.finding = finding;
  ask_eyes(result);
  return result.finding;
}

ProofFinding ProofRun::look_only(ProofResult& result) {
  const ProofLook look = talk_.look();
  std::string text = "  voltage " + quantity_text(look.volts, 3, "V") + ", current " +
                     quantity_text(look.amperes, 3, "A");
  for (std::size_t k = 0; k < look.degrees_c.size(); ++k) {
    text += ", thermometer " + std::to_string(k + 1) + ' ' + temperature_text(look.degrees_c[k]);
  }
  say(text);
  result.evidence.push_back(text);
  result.finding = {ProofVerdict::passed, "the readings agree"};
  ask_eyes(result);
  return result.finding;
}

std::string ProofRun::start(const ProofTrial& trial) {
  const ProofLook before = talk_.look();
  if (trial.limit == ProofLimit::temperature && !before.hottest_degc) {
    return "no temperature is read";
  }
  return talk_.start(
      proof_profile(sheet_.plan, cell_, trial.limit, before.hottest_degc.value_or(0)), cell_);
}

// Empty: current flows. What else ended or kept it, in words.
std::string ProofRun::energise(const ProofTrial& trial) {
  if (std::string why = start(trial); !why.empty()) return "it did not start: " + why;
  const Instant began = now();
  Instant last = began + flowing_within;
  while (now() < last) {
    const ProofLook look = talk_.look();
    const ProofSight& sight = look.sight;
    if (sight.phase == "arming" && now() < began + arming_within) last = now() + flowing_within;
    if (!sight.answers) return "the daemon does not answer";
    if (sight.phase == "refused") return "the start was refused: " + sight.refusal;
    if (sight.state == "tripped") return "it tripped before the deed: " + sight.trip_words;
    if (sight.state == "energised" && look.amperes &&
        *look.amperes >= flowing_share * sheet_.plan.amperes) {
      return {};
    }
    if (sight.state != "energised" && !look.run_in_progress && sight.phase != "arming") {
      return "the run ended: " + sight.phase;
    }
    if (person_.typed("stop", look_every) || person_.gone()) {
      sheet_.ended_early = "the person stopped it, or went away";
      return {};
    }
  }
  return "no current came to flow; is the cell full, or a lead off?";
}

ProofFinding ProofRun::watch(ProofResult& result) {
  ProofJudge judge(result.trial, now());
  std::optional<ProofFinding> found;
  const auto take = [&] {
    for (const ProofEvent& event : talk_.news()) judge.note(event, now());
  };
  while (!found) {
    const ProofSight sight = talk_.look().sight;
    if (sight.answers) take();
    found = judge.see(sight, now());
    if (found) break;
    if (result.trial.deed == ProofDeed::kill && sight.answers) {
      // Another's run would be interrupted, and might go on by itself beside the person.
      if (const auto what = talk_.what_else_goes_on(); what && !what->empty()) {
        found = {ProofVerdict::skipped, "do not end the daemon: " + *what};
        (void)talk_.cut();
        break;
      }
    }
    if (person_.typed("skip", look_every)) {
      found = {ProofVerdict::skipped, "the person gave up waiting"};
      (void)talk_.cut();
    } else if (person_.typed("stop", 0ms) || person_.gone()) {
      sheet_.ended_early = "the person stopped it, or went away";
      found = ended();
    }
  }
  // The state is published ahead of the events that led to it.
  const Instant last = now() + evidence_within;
  while (found->verdict == ProofVerdict::passed && result.trial.deed != ProofDeed::kill &&
         result.trial.deed != ProofDeed::refused_start && !judge.off_ms() && now() < last) {
    person_.wait(look_every);
    take();
  }
  result.noticed_s = judge.noticed_s();
  result.off_ms = judge.off_ms();
  result.evidence = judge.evidence();
  return *found;
}

ProofFinding ProofRun::kill(ProofResult& result) {
  const auto id = talk_.process();
  if (!id) return {ProofVerdict::failed, "the daemon's process could not be found"};
  result.trial.act += ' ' + std::to_string(*id);
  say("  NOW, " + result.trial.act);
  const ProofFinding gone = watch(result);
  if (gone.verdict != ProofVerdict::passed) return gone;
  say("  the daemon does not answer any more");
  result.finding = gone;
  ask_eyes(result);
  if (result.finding.verdict == ProofVerdict::failed) {
    result.finding.not_off = true;
    return result.finding;
  }
  if (!sheet_.ended_early.empty()) return ended();
  say("  " + result.trial.undo + "; waiting for it");
  const Instant last = now() + again_within;
  ProofSight sight;
  do {
    sight = talk_.look().sight;
    if (is_off(sight)) break;
    if (person_.typed("stop", look_every) || person_.gone()) {
      sheet_.ended_early = "the person stopped it, or went away";
      return ended();
    }
  } while (now() < last);
  const auto log = talk_.dead_man_log();
  for (const auto& line : log) result.evidence.push_back("dead-man: " + line);
  talk_.forget_news();
  if (!sight.answers) sheet_.ended_early = "no daemon answers any more";
  return judge_return(sight, log);
}

void ProofRun::ask_eyes(ProofResult& result) {
  if (result.trial.asked.empty()) return;
  const auto answer = person_.ask_yes_or_no("  " + result.trial.asked);
  if (!answer) {
    sheet_.ended_early = "the person stopped it, or went away";
    return;
  }
  result.seen = *answer ? "yes" : "no";
  if (*answer) return;
  result.finding.reason =
      "a person saw otherwise (" + result.trial.asked + "); " + result.finding.reason;
  result.finding.verdict = ProofVerdict::failed;
}

void ProofRun::undo(const ProofTrial& trial) {
  if (!leave_off()) return;
  left_off_ = false;
  if (!trial.undo.empty() && trial.deed != ProofDeed::kill &&
      sheet_.results.back().finding.verdict != ProofVerdict::skipped) {
    if (ask_go("  then: " + trial.undo + ". Enter when it is done ") == Go::end) return;
  }
  while (!acknowledge()) {
    if (ask_go("  Enter to try again, when that is mended (or: stop) ") == Go::end) return;
  }
}

// True: nothing is latched, every instrument answers again, and the next start may come.
bool ProofRun::acknowledge() {
  const Instant last = now() + acknowledge_within;
  std::string why;
  while (now() < last) {
    const ProofSight sight = talk_.look().sight;
    if (!sight.answers) {
      why = "the daemon does not answer";
    } else if (sight.state == "off" && sight.trip.empty()) {
      if (why = talk_.who_is_silent(); why.empty()) return true;
    } else if (sight.state == "tripped") {
      if (why = talk_.acknowledge(); why.empty()) why = "it tripped: " + sight.trip_words;
    } else {
      why = "the channel is " + sight.state;
    }
    person_.wait(look_every);
    if (person_.gone()) return true;  // no start comes any more
  }
  say("  the next trial cannot begin yet: " + why);
  return false;
}

bool ProofRun::leave_off() {
  if (left_off_) return true;
  const auto last = now() + off_within;
  bool asked = false;
  do {
    const ProofLook look = talk_.look();
    if (!look.sight.answers) break;
    if (is_off(look.sight) && !look.run_in_progress) return left_off_ = true;
    if (!asked) asked = talk_.cut().empty();
    person_.wait(look_every);
  } while (now() < last);
  std::cerr << "the daemon does not prove the output off: look at the supply's own display, use "
               "its switch, or `chargewright cut --direct --bench FILE`\n";
  if (sheet_.ended_early.empty()) sheet_.ended_early = "an output could not be proved off";
  return false;
}

// ---- what it needs before, and what is kept after -----------------------------------------------

drivers::Checked<safety::SourceAbilities> abilities(const CommandLine& line,
                                                    const BenchFiles& files) {
  const auto& channel = files.bench.channels[files.channel];
  const auto dialect = drivers::load_dialect(
      files.bench.instruments[channel.source.instrument].dialect, dialect_folders(line.dialects));
  if (!dialect) return dialect.error();
  return abilities_of(*dialect);
}

// Of those that the channel has to do with; a name may be there twice.
std::vector<std::string> instrument_names(const BenchFiles& files) {
  const auto& channel = files.bench.channels[files.channel];
  std::vector<safety::Terminal> terminals = channel.thermometers;
  terminals.insert(terminals.end(), {channel.source, channel.voltmeter, channel.ammeter});
  if (channel.contactor) terminals.push_back(*channel.contactor);
  std::vector<std::string> names;
  for (const auto& terminal : terminals) {
    names.push_back(files.bench.instruments[terminal.instrument].name);
  }
  return names;
}

// Empty: the daemon runs this very bench. Its instruments come into the sheet.
std::string is_this_bench(const object& facts, const CommandLine& line, const BenchFiles& files,
                          ProofSheet& sheet) {
  const profiles::Bench& bench = files.bench;
  const auto* instruments = array_in(facts, "instruments");
  const std::string other = "the daemon runs another bench than that file says: ";
  if (text_in(facts, "bench") != bench.name) return other + text_in(facts, "bench");
  if (instruments == nullptr || instruments->size() != bench.instruments.size()) {
    return other + "other instruments";
  }
  for (std::size_t k = 0; k < bench.instruments.size(); ++k) {
    const object* one = (*instruments)[k].if_object();
    if (one == nullptr || text_in(*one, "name") != bench.instruments[k].name ||
        text_in(*one, "link") != bench.instruments[k].link_text) {
      return other + "`" + bench.instruments[k].name + "` is another, or elsewhere";
    }
    sheet.instruments.push_back(bench.instruments[k].name + ": " + text_in(*one, "identity"));
  }
  // What is proved has to be what runs later: wiring and ages, limits, what an instrument is told.
  std::string why;
  for (const auto& failure : not_in_force(facts, line, files)) {
    why += (why.empty() ? "" : "\n") + describe(failure);
  }
  return why;
}

std::string sheet_name(const CommandLine& line, const ProofSheet& sheet) {
  if (!line.sheet.empty()) return line.sheet;
  const auto at = static_cast<std::time_t>(wall_s());
  std::tm local{};
  std::array<char, 32> text{};
  if (::localtime_r(&at, &local) != nullptr) {
    (void)std::strftime(text.data(), text.size(), "%Y-%m-%dT%H-%M-%S", &local);
  }
  return "proof-" + file_name_of(sheet.bench) + '-' + file_name_of(sheet.channel) + '-' +
         text.data();
}

drivers::Result<void> write_file(const std::string& path, std::string_view text) {
  auto file = WholeFile::begin(path);
  if (!file) return file.error();
  if (auto written = file->write(text); !written) return written;
  return file->publish();
}

// Found out before the first trial, not after the last.
drivers::Result<void> can_keep(const std::string& name) {
  for (const char* ending : {".txt", ".json", ".html"}) {
    if (auto place = WholeFile::begin(name + ending); !place) return place.error();
  }
  return {};
}

ExitCode keep(const CommandLine& line, const ProofSheet& sheet, const std::string& name,
              std::ostream& out) {
  const std::string json = boost::json::serialize(proof_json(sheet)) + '\n';
  bool kept = true;
  for (const auto& [ending, text] : {std::pair<std::string, std::string>{".txt", proof_text(sheet)},
                                     {".json", json},
                                     {".html", proof_page(sheet)}}) {
    const auto written = write_file(name + ending, text);
    if (!written) std::cerr << describe(written.error()) << '\n';
    kept = kept && written;
  }
  if (line.json) std::cout << json;
  out << '\n' << proof_text(sheet);
  if (kept) out << "\nkept: " << name << ".txt, .json and, to print and sign, .html\n";
  if (sheet.count(ProofVerdict::failed) > 0) return ExitCode::failed;
  if (!sheet.proved()) return ExitCode::stopped;
  return kept ? ExitCode::done : ExitCode::usage;
}

}  // namespace

ExitCode proof_verb(const CommandLine& line) {
  const auto cell = profiles::load_cell(line.cell);
  if (!cell) return complain(cell.error(), ExitCode::bad_input);
  const auto bench = load_bench_files(line);
  if (!bench) return complain(bench.error(), ExitCode::bad_input);
  const auto can = abilities(line, *bench);
  if (!can) return complain(can.error(), ExitCode::bad_input);
  const auto plan = plan_proof(bench->bench, bench->channel, *cell, *can);
  if (!plan) return complain(plan.error(), ExitCode::bad_input);

  ProofSheet sheet{.bench = bench->bench.name,
                   .channel = bench->bench.channels[bench->channel].name,
                   .cell = cell->name,
                   .version = CHARGEWRIGHT_VERSION,
                   .started = moment_text(wall_s()),
                   .plan = *plan};
  ProofTalk talk(line.socket, sheet.channel, instrument_names(*bench));
  const auto facts = talk.bench();
  if (!facts) {
    std::cerr << line.socket
              << ": no daemon answers on this socket; start chargewrightd on this "
                 "bench first\n";
    return ExitCode::could_not_connect;
  }
  if (const auto why = is_this_bench(*facts, line, *bench, sheet); !why.empty()) {
    std::cerr << why << '\n';
    return ExitCode::refused;
  }
  const ProofLook before = talk.look();
  if (before.run_in_progress || before.sight.state != "off" || !before.sight.trip.empty()) {
    std::cerr << "the channel is not off and free of trips (" << before.sight.state
              << "): end its run, or look into the trip and acknowledge it, first\n";
    return ExitCode::refused;
  }
  const auto what = talk.what_else_goes_on();
  if (!what || !what->empty()) {
    std::cerr << what.value_or("the daemon does not say what goes on on its other channels")
              << ": a proof test wants the bench for itself; `stop` that first\n";
    return ExitCode::refused;
  }
  const std::string name = sheet_name(line, sheet);
  if (const auto place = can_keep(name); !place) {
    return complain(place.error(), ExitCode::bad_input);
  }
  std::ostream& out = line.json ? std::cerr : std::cout;
  {
    ProofRun run(out, talk, *cell, sheet);
    ExitCode code = ExitCode::done;
    if (!run.begin(code)) return code;
    run.perform_all();
    (void)run.leave_off();
  }
  sheet.ended = moment_text(wall_s());
  return keep(line, sheet, name, out);
}

}  // namespace chargewright::daemon

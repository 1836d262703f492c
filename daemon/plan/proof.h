#pragma once
// The proof test of a real bench, guided: which trials there are for one channel, at how little
// energy, and whether what the daemon tells of each is what must happen. A person at the bench does
// the deeds and says what only eyes can see; every order to an instrument goes through the daemon
// and its guard.
//
// Plain code; time is an argument; any thread. The shell is daemon/cli/proof_verb.cpp.

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "drivers/failure.h"
#include "drivers/instant.h"
#include "profiles/bench.h"
#include "profiles/cell.h"
#include "safety/plant.h"

namespace chargewright::daemon {

// How a trial comes about.
enum class ProofDeed : std::uint8_t {
  look,           // nothing is energised: a person compares
  refused_start,  // a person does it first; then a start must be refused
  cut,            // energised; cut as an operator would
  by_itself,      // energised; a limit made tight is crossed without a hand
  by_hand,        // energised; a person does something that must be noticed
  by_hand_off,    // the same while the output is off
  kill,           // energised; a person ends the daemon
};

// What a trial's profile limits more tightly than the others'.
enum class ProofLimit : std::uint8_t { usual, charge, temperature };

struct ProofTrial {
  std::string key;  // "operator-cut"
  ProofDeed deed = ProofDeed::by_hand;
  std::string title;
  std::string act;      // what the person does, in one sentence; of `kill` without the process id
  std::string must;     // what must happen
  std::string undo{};   // before the next trial; empty: nothing
  std::string asked{};  // for eyes and ears, answered yes or no; empty: nothing
  std::vector<std::string> causes{};  // of the trip, or of the refusal: any of them is right
  std::string subject{};              // the trip's words must name it: "thermometer 2"
  ProofLimit limit = ProofLimit::usual;
  drivers::Duration within{};  // from the deed, or from when it was asked for, to the notice
};

struct ProofPlan {
  double amperes = 0;        // the most that is steered to
  double amperes_limit = 0;  // cut at
  double volts = 0;          // the most that is steered to: the cell's full voltage
  drivers::Duration each{};  // the longest that the output is on in one trial
  double watt_hours = 0;     // the most that goes into the cell in all trials together
  std::vector<ProofTrial> trials;
  std::vector<std::string> not_covered;  // what a person has to prove otherwise
};

inline constexpr double proof_amperes_most = 0.5;
inline constexpr drivers::Duration proof_each = std::chrono::minutes(5);
inline constexpr drivers::Duration proof_charging = std::chrono::minutes(4);
// What warming by a hand reaches (common practice, no source).
inline constexpr double proof_warmer_k = 3;
inline constexpr drivers::Duration proof_charge_span = std::chrono::seconds(10);

// Refused where the cell is so small that its current could not be told from none.
drivers::Result<ProofPlan> plan_proof(const profiles::Bench& bench, std::size_t channel,
                                      const profiles::Cell& cell,
                                      const safety::SourceAbilities& abilities);

// The profile of a trial, as a file that `check` and the daemon read. `hottest_degc`: at present.
std::string proof_profile(const ProofPlan& plan, const profiles::Cell& cell, ProofLimit limit,
                          double hottest_degc);

// What the daemon says at one moment.
struct ProofSight {
  bool answers = true;  // else the rest is not known
  std::string state{};  // of the channel, as the API names it
  std::string trip{};   // cause of the latched trip; empty: none
  std::string trip_words{};
  std::string phase{};  // of the run
  std::string refusal{};
};
// One of its events, of this channel.
struct ProofEvent {
  std::string kind{}, cause{}, stage{}, words{};
  std::optional<double> after_ms{};  // of a stage of the cut, since the first cause
};

enum class ProofVerdict : std::uint8_t { passed, failed, skipped };
std::string_view key_of(ProofVerdict verdict);

struct ProofFinding {
  ProofVerdict verdict = ProofVerdict::failed;
  std::string reason{};
  bool not_off = false;  // an output could not be proved off: nothing may go on
};

// Looks at one trial from the deed on, until it is decided.
class ProofJudge {
 public:
  ProofJudge(const ProofTrial& trial, drivers::Instant began) : trial_(trial), began_(began) {}

  void note(const ProofEvent& event, drivers::Instant now);
  // Nothing: not decided yet. Of `kill`: decided when the daemon is gone.
  std::optional<ProofFinding> see(const ProofSight& sight, drivers::Instant now);

  [[nodiscard]] std::optional<double> noticed_s() const { return noticed_s_; }  // from the deed
  [[nodiscard]] std::optional<double> off_ms() const { return off_ms_; }        // from the notice
  [[nodiscard]] const std::vector<std::string>& evidence() const { return evidence_; }

 private:
  [[nodiscard]] std::optional<ProofFinding> see_start(const ProofSight& sight, bool late) const;
  [[nodiscard]] std::optional<ProofFinding> see_trip(const ProofSight& sight, bool late) const;
  [[nodiscard]] ProofFinding judge_trip(const ProofSight& sight) const;

  const ProofTrial& trial_;
  drivers::Instant began_;
  std::optional<drivers::Instant> silent_since_, cutting_since_;
  std::optional<double> noticed_s_, off_ms_;
  std::vector<std::string> evidence_;
};

// Of `kill`, when a daemon answers again: did the dead-man cut, and does nothing go on by itself?
ProofFinding judge_return(const ProofSight& sight, const std::vector<std::string>& dead_man_log);

struct ProofResult {
  ProofTrial trial;
  ProofFinding finding{};
  std::optional<double> noticed_s{}, off_ms{};
  std::string seen{};  // what the person answered; empty: nothing was asked
  std::vector<std::string> evidence{};
};

// Everything that was found, for paper.
struct ProofSheet {
  std::string bench{}, channel{}, cell{}, version{}, started{}, ended{};
  std::vector<std::string> instruments{};  // "supply: Example,PS-20-20,..."
  ProofPlan plan{};
  std::vector<ProofResult> results{};  // of every trial
  std::string ended_early{};           // why; empty: it was not
  [[nodiscard]] std::size_t count(ProofVerdict verdict) const;
  [[nodiscard]] bool proved() const { return count(ProofVerdict::passed) == results.size(); }
};

}  // namespace chargewright::daemon

#pragma once
// Steps a channel through a procedure: asks the guard to arm, to charge with the setpoints that
// follow from the present step's ceilings, to rest, and to finish; judges from readings when a step
// has reached its end. It cannot reach an output: all it makes are requests, which pass the gate.
//
// Plain code fed snapshots and time; one thread; requests are taken with take_request(). The same
// code runs a bench in real time and a rehearsal in virtual time.
//
// - Conditions judge only readings asked for after the step's setpoints were proved and the output
//   read back: the last reading of the step before never ends this one (`current <= C/20` just
//   after switching on).
// - While the temperature ceiling holds the current down, current and power say nothing about the
//   end of the charge and meet no condition; nor until they were read under the setpoint that
//   follows.
// - Where the guard is in neither of the two states of a run, it has ended it: what it cut may have
//   been acknowledged between two looks. The run fails.
// - No charge ends before its current was read once, whatever ends it: what flows unread is in no
//   tally.
// - While the guard doubts its readings (they contradict each other, or what a cell can do) they
//   meet no condition and no step ends: either the doubt goes, or the guard cuts.
// - A step that has not reached its end `within` its time fails the run: output off.
// - A run that was interrupted (RunPlan::carried) goes on with the step at which it stood: its
//   conditions begin anew, its time counts on; with none left it fails, and nothing goes on (S9).

#include <vector>

#include "daemon/run/estimate.h"
#include "daemon/run/progress.h"
#include "daemon/run/steering.h"
#include "drivers/ring.h"
#include "profiles/profile.h"
#include "safety/guard.h"

namespace chargewright::daemon {

class Sequencer {
 public:
  struct Setup {
    std::uint8_t channel = 0;
    safety::ChannelPlan channel_plan;
    safety::RunPlan run_plan;
    profiles::Procedure procedure;  // at least one step
    // How long each executed step took in a rehearsal; empty: not rehearsed.
    std::vector<drivers::Duration> expected;
  };

  Sequencer(Setup setup, drivers::Instant now);
  Sequencer(const Sequencer&) = delete;
  Sequencer& operator=(const Sequencer&) = delete;

  // Looks at the channel and moves on. To be called at every reading, at least.
  void turn(const safety::ChannelSnapshot& snapshot, drivers::Instant now);
  void stop(drivers::Instant now);  // a person's word: output off, the run is `stopped`
  void fail(drivers::Instant now);  // it cannot go on (the record fails): off, `failed`

  [[nodiscard]] bool take_request(safety::Request& request);
  [[nodiscard]] const Progress& progress() const { return progress_; }
  [[nodiscard]] bool is_over() const { return daemon::is_over(progress_.phase); }
  [[nodiscard]] const profiles::Procedure& procedure() const { return setup_.procedure; }

 private:
  using Kind = safety::Request::Kind;

  void arm(const safety::ChannelSnapshot& snapshot, drivers::Instant now);
  void run(const safety::ChannelSnapshot& snapshot, drivers::Instant now);
  void wait_for_off(const safety::ChannelSnapshot& snapshot, drivers::Instant now);
  bool noticed_trip(const safety::ChannelSnapshot& snapshot, drivers::Instant now);
  // `gone`: of its time, before an interruption.
  void begin_step(std::size_t executed, const safety::ChannelSnapshot& snapshot,
                  drivers::Instant now, drivers::Duration gone = {});
  bool charge(drivers::Instant now);  // false: the gate would refuse, the run ends
  void move(safety::RunEvent on);
  void finish(safety::RunEvent ending, drivers::Instant now);
  void end_early(safety::RunEvent ending, drivers::Instant now);
  void conclude(safety::RunEvent ending, drivers::Instant now);
  // The setpoints asked for last are those that the guard has proved.
  [[nodiscard]] bool stand(const safety::ChannelSnapshot& snapshot) const;
  // Has the guard done what this step asked for?
  [[nodiscard]] bool is_established(const safety::ChannelSnapshot& snapshot) const;
  // Was the current read since then? Of a charge; a rest has none.
  [[nodiscard]] bool is_counted(const safety::ChannelSnapshot& snapshot) const;
  // What of the snapshot may be judged in this step.
  [[nodiscard]] profiles::Measured measured(const safety::ChannelSnapshot& snapshot,
                                            drivers::Instant now) const;
  [[nodiscard]] bool reached_its_end(const profiles::Measured& measured, drivers::Instant now);
  void watch_folding(const safety::ChannelSnapshot& snapshot, drivers::Instant now);
  void estimate(drivers::Instant now);
  void ask(Kind kind, drivers::Instant now);
  void beat(drivers::Instant now);
  [[nodiscard]] const profiles::PlannedStep& step() const {
    return setup_.procedure.steps[progress_.step_in_file];
  }

  Setup setup_;
  Progress progress_;
  safety::RunEvent ending_ = safety::RunEvent::complete;  // what follows off
  bool asked_to_arm_ = false;
  bool seen_arming_ = false;
  safety::Refusal refusal_before_ = safety::Refusal::none;
  std::uint32_t arms_before_ = 0;
  drivers::Instant asked_at_{};     // arm, charge or rest
  drivers::Volts asked_voltage_{};  // of the last charge
  drivers::Amperes asked_current_{};
  drivers::Duration on_time_before_{};  // when the step began
  std::optional<drivers::Instant> established_at_;
  std::optional<drivers::Instant> unfolded_at_;  // empty: the temperature holds the current down
  std::optional<drivers::Instant> stood_at_;     // since when what was asked for last is proved
  std::optional<Steering> steering_;
  profiles::ConditionState condition_;
  Estimate estimate_;
  drivers::Instant next_beat_{};
  std::vector<double> expected_after_;  // seconds in the steps after each; empty: not rehearsed
  drivers::Ring<safety::Request, 8> requests_;
  std::uint32_t number_ = 0;
};

}  // namespace chargewright::daemon

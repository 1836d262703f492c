#pragma once
// One channel in virtual time: guard and sequencer on a simulated bench. What rehearsal, drills and
// speed measurements share; it decides nothing.

#include <functional>
#include <memory>
#include <optional>
#include <vector>

#include "daemon/run/sequencer.h"
#include "drivers/simulated/bench.h"
#include "safety/guard.h"

namespace chargewright::daemon {

class Stage {
 public:
  // The plant has one channel; the sequencer's setup is for channel 0.
  Stage(drivers::simulated::BenchModel model, const safety::Plant& plant, drivers::Instant start);

  void run(Sequencer::Setup setup);

  // Lets everything happen that happens at this instant. Time never goes back.
  void turn(drivers::Instant now);

  [[nodiscard]] drivers::simulated::Bench& bench() { return bench_; }
  [[nodiscard]] safety::Guard& guard() { return *guard_; }
  [[nodiscard]] Sequencer& sequencer() { return *sequencer_; }
  [[nodiscard]] const safety::ChannelSnapshot& channel() const { return snapshot_->channel[0]; }
  // By the clock that guard and sequencer see: a nanosecond later for each order given so far, so
  // that what comes after something is later than it, as on a real bench.
  [[nodiscard]] drivers::Instant now() const { return now_ + spent_; }

  // A hung sequencer: it is not turned any more, and its heart does not beat.
  bool sequencer_hangs = false;

  // Called with every event of the guard, in order, within turn().
  std::function<void(const safety::Event&)> on_event;

 private:
  void hand_on_late();
  bool exchange();  // orders out, outcomes in; true: there were some
  bool sequence();  // requests; true: there were some that change anything

  drivers::Instant now_;
  drivers::Duration spent_{};
  drivers::simulated::Bench bench_;
  std::unique_ptr<safety::Guard> guard_;  // too large for a stack
  std::unique_ptr<safety::Snapshot> snapshot_;
  std::optional<Sequencer> sequencer_;
  // Outcomes that are answered later than now (a slow or mute instrument), by their time.
  std::vector<drivers::Outcome> late_;
};

}  // namespace chargewright::daemon

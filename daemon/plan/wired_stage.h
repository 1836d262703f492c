#pragma once
// A whole bench in virtual time, byte streams included: the guard with its instruments
// (safety/wires.h, the code that the guard's thread runs) and the sequencers, against simulated
// devices at the far ends of simulated links. What drills, storms and tests share; it decides
// nothing.
//
// Time goes from one moment at which something happens to the next; nothing sleeps. Within such a
// moment the guard's clock is a nanosecond later with each round of bytes, so that what comes after
// something is later than it, as on a real bench; the physics stands still meanwhile.

#include <functional>
#include <memory>
#include <optional>
#include <vector>

#include "daemon/run/sequencer.h"
#include "drivers/simulated/bench.h"
#include "drivers/simulated/byte_link.h"
#include "safety/wires.h"

namespace chargewright::daemon {

class WiredStage final : safety::ByteSink {
 public:
  struct Setup {
    drivers::simulated::BenchModel model;  // its devices are the plant's instruments
    safety::Plant plant;
    std::vector<drivers::InstrumentSpec> instruments;        // one for each device
    std::vector<drivers::simulated::ByteLinkModel> links{};  // by device; those missing: instant
    std::vector<safety::Fault> trips{};                      // latched by a former life (S5)
    drivers::Duration tick = std::chrono::milliseconds(50);  // of the sequencers, as on a bench
    drivers::Instant start{};
  };
  explicit WiredStage(Setup setup);
  ~WiredStage() override;
  WiredStage(const WiredStage&) = delete;
  WiredStage& operator=(const WiredStage&) = delete;

  // A run on setup.channel, in the place of the one that was there.
  void run(Sequencer::Setup setup);
  // What an operator asks, or the daemon.
  void request(const safety::Request& request);

  // The guard dies without a word, and another begins: no sequencer, no link, nothing of what was
  // asked or told; only these trips, which the state on disk had kept (S5).
  void restart(const std::vector<safety::Fault>& trips);

  // Lets everything happen that happens up to and at this moment. Time never goes back.
  void advance(drivers::Instant to);

  [[nodiscard]] drivers::simulated::Bench& bench() { return bench_; }
  [[nodiscard]] safety::Wires& wires() { return *wires_; }
  [[nodiscard]] drivers::simulated::ByteLink& link(drivers::InstrumentId device);
  // nullptr: no run was ever on this channel.
  [[nodiscard]] Sequencer* sequencer(std::uint8_t channel = 0);
  // As the sequencers see it.
  [[nodiscard]] const safety::ChannelSnapshot& channel(std::uint8_t index = 0);
  // By the clock that guard and sequencers see.
  [[nodiscard]] drivers::Instant now() const { return now_ + spent_; }

  // Hung sequencers: they are not turned any more, and their hearts do not beat.
  bool sequencers_hang = false;
  // The device whose link is served first of all that have something at the same moment.
  std::size_t first_served = 0;

  // Called with every event of the guard, in order.
  std::function<void(const safety::Event&)> on_event;
  // Called when time has gone on, before anything happens at the new moment: what the physics did
  // meanwhile. A cut of this very moment is not yet to be seen.
  std::function<void()> on_arrival;
  // Called when everything has happened that happens at a moment, before time goes on.
  std::function<void()> on_moment;

  // Moments so far at which the work did not end within its bound: our own endless loop.
  [[nodiscard]] std::uint64_t endless_moments() const { return endless_; }
  [[nodiscard]] std::uint64_t moments() const { return moments_; }

 private:
  struct Line;
  bool write(drivers::InstrumentId link, std::string_view bytes) override;
  void go_to(drivers::Instant at);
  void happen();
  bool exchange(bool first);
  void sequence();
  void give_events();
  [[nodiscard]] drivers::Instant next() const;

  void begin(const std::vector<safety::Fault>& trips);

  safety::Plant plant_;
  std::vector<drivers::InstrumentSpec> instruments_;
  drivers::Instant now_;
  drivers::Duration spent_{};
  drivers::Duration tick_;
  drivers::Instant next_tick_;
  drivers::simulated::Bench bench_;
  std::vector<std::unique_ptr<Line>> lines_;
  std::unique_ptr<safety::Wires> wires_;
  std::unique_ptr<safety::Snapshot> snapshot_;  // too large for a stack
  drivers::Instant snapshot_of_ = drivers::Instant::min();
  std::vector<std::optional<Sequencer>> sequencers_;
  bool sequenced_ = false;
  bool requested_ = false;
  std::uint64_t moments_ = 0;
  std::uint64_t endless_ = 0;
};

}  // namespace chargewright::daemon

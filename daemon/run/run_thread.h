#pragma once
// The run thread (named `run`): turns the sequencers of all channels against the guard's snapshot,
// and carries their requests to the guard. It decides nothing. If it hangs or dies, the guard
// misses its heartbeats and cuts (S6).
//
// start(), stop(), fail() and progress(): any thread. The callback comes on the run thread. Only a
// start may wait for it: who looks or says stop, the control socket's thread among them, does not
// hang with it. The next turn takes the word.

#include <array>
#include <condition_variable>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <thread>

#include "daemon/run/guard_port.h"
#include "daemon/run/sequencer.h"

namespace chargewright::daemon {

class RunThread {
 public:
  // Called where phase, step, cycle or binding changed, and at the end of a run. Must not call this
  // object.
  using OnProgress = std::function<void(const Progress& progress, drivers::Instant at)>;

  // `tick`: real time between two looks at the snapshot; at a speed factor it must be shortened by
  // the caller, so that several fit into a heartbeat.
  RunThread(GuardPort& guard, std::chrono::nanoseconds tick, OnProgress on_progress);
  ~RunThread();  // ends the thread; asks nothing of the guard any more
  RunThread(const RunThread&) = delete;
  RunThread& operator=(const RunThread&) = delete;

  // Fails where the channel has a run that is not over.
  drivers::Result<void> start(Sequencer::Setup setup);
  // False: no run there that is not over. The first word stands.
  bool stop(std::uint8_t channel);
  bool fail(std::uint8_t channel);
  // Of the present run, or the last one; empty: none yet.
  [[nodiscard]] std::optional<Progress> progress(std::uint8_t channel) const;
  [[nodiscard]] bool is_running(std::uint8_t channel) const;

 private:
  struct Channel {  // of the thread
    std::unique_ptr<Sequencer> sequencer;
    std::optional<safety::Request> untaken;  // the guard's queue was full
    std::optional<Progress> told;
  };
  struct Seen {
    std::optional<Progress> progress;
    std::optional<safety::RunEvent> word;  // stop or fail, not taken yet
  };
  void work();
  bool take_new();
  void obey(Sequencer& sequencer, drivers::Instant now);
  void turn(Channel& channel, const safety::Snapshot& snapshot, drivers::Instant now);
  void send(Channel& channel);
  void tell(Channel& channel, drivers::Instant now);
  bool say(std::uint8_t channel, safety::RunEvent word);
  [[nodiscard]] bool any_running() const;

  GuardPort& guard_;
  std::chrono::nanoseconds tick_;
  OnProgress on_progress_;
  std::array<Channel, safety::max_channels> channels_;
  mutable std::mutex seen_mutex_;  // held for a copy alone
  std::array<Seen, safety::max_channels> seen_;
  std::mutex mutex_;  // of what follows; before seen_mutex_
  std::condition_variable wake_;
  std::array<std::unique_ptr<Sequencer>, safety::max_channels> new_;
  bool ending_ = false;
  std::thread thread_;
};

}  // namespace chargewright::daemon

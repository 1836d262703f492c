#pragma once
// The one consumer of the guard's events and the run thread's progress. In this order, so that a
// crash at any moment is found by the next life: a trip is on the disk before anything else is done
// with it (S5); then the record (S10); then whoever listens. A run's record is ended, and its
// marker removed, only after the channel is verified off.
//
// turn() belongs to one thread (named `events`, or a test's); progress() and begin_run() come from
// any.

#include <array>
#include <atomic>
#include <condition_variable>
#include <functional>
#include <mutex>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "daemon/record/recorder.h"
#include "daemon/serve/backlog.h"
#include "daemon/serve/guard_side.h"
#include "daemon/serve/shapes.h"
#include "daemon/state/store.h"

namespace chargewright::daemon {

enum class LogLevel : std::uint8_t { info, warning, critical };
using Log = std::function<void(LogLevel level, const std::string& text)>;

class EventPump {
 public:
  struct Parts {
    GuardSide& guard;
    Recorder& recorder;
    StateStore& state;
    Backlog& backlog;
    std::vector<std::string> channels;     // names
    std::vector<std::string> instruments;  // names by InstrumentId
    std::function<WallTime()> wall;
    Log log;
    // Events were lost before they could be recorded: what is not recorded does not run (S10).
    std::function<void()> events_lost;
  };
  explicit EventPump(Parts parts);
  ~EventPump();
  EventPump(const EventPump&) = delete;
  EventPump& operator=(const EventPump&) = delete;

  // `died` is called, on the thread, when it ends by an exception.
  void start(std::function<void(const std::string& why)> died);
  void stop();  // after a last turn
  bool turn();  // false: there is more to take

  // A record was begun and the marker written; what happens on this channel belongs to it now.
  // `limits_before`: those of the run before, which are kept again if this one never runs.
  void begin_run(std::uint8_t channel, const RunFacts& run,
                 const std::optional<safety::Limits>& limits_before = {});
  void progress(const Progress& progress, drivers::Instant at);

  // The run that the channel carries or carried last, with its latest progress.
  [[nodiscard]] std::optional<RunFacts> run(std::uint8_t channel) const;
  // A run that is not over, or whose record and marker are not closed yet.
  [[nodiscard]] bool is_busy(std::uint8_t channel) const;
  void await_closed(std::uint8_t channel, std::chrono::milliseconds wait);
  // The answer to the request of this number: acknowledged or refused.
  [[nodiscard]] std::optional<safety::Event> await_answer(std::uint32_t number,
                                                          std::chrono::milliseconds wait);

  // Before a person's request of this number to acknowledge: what it ends is not held again (S9).
  void person_looks(std::uint8_t channel, std::uint32_t number);
  // When the guard last began to cut there, by its clock. A snapshot shows a short cut to nobody.
  [[nodiscard]] std::optional<drivers::Instant> last_cut(std::uint8_t channel) const;

  // The run on this channel, if any, does not resume after an interruption: a person's word (S9).
  // Written by the pump's own thread within moments.
  void withdraw_offer(std::uint8_t channel);

  // Grows many times a second while the thread lives; it stands still while a disk hangs.
  [[nodiscard]] std::uint64_t pulses() const { return pulses_; }

  // An event of our own making for the log and whoever listens.
  void tell(LogLevel level, boost::json::object event);

 private:
  struct Told {
    Progress progress;
    drivers::Instant at;
  };
  // What the disk did not take, and is tried anew.
  enum class Unkept : std::uint8_t {
    nothing,
    trip,  // latched in memory alone
    end,   // acknowledged, and still latched for the next life
  };
  struct Channel {
    std::optional<RunFacts> run;                  // under mutex_
    bool busy = false;                            // under mutex_
    bool withdrawn = false;                       // under mutex_; the offer on the disk is to go
    std::optional<safety::Limits> limits_before;  // under mutex_
    std::optional<drivers::Instant> last_cut;     // under mutex_
    bool ran = false;                             // this run; set anew only where none is busy
    std::optional<Progress> ending;               // the pump's own from here on
    bool closing = false;
    Unkept unkept = Unkept::nothing;
    bool hold = false;    // it could not resume: a person has to look (S9)
    bool looked = false;  // and has, since it began; set anew only where none is busy
    std::optional<std::uint32_t> looks;  // under mutex_; a person's request to acknowledge
    std::optional<drivers::Instant> cut_began;
  };
  bool take_events();
  void handle(const safety::Event& event);
  void persist(const safety::Event& event);
  void keep(std::size_t channel, Unkept what, const drivers::Result<void>& kept);
  void try_the_disk_again();
  void publish(const safety::Event& event);
  void look_for_losses();
  void take_progress();
  void take_withdrawals();
  void forget_offer(std::size_t channel);
  void hold(std::uint8_t channel);
  void keep_former_limits(std::uint8_t channel);
  void close_runs();
  [[nodiscard]] bool anything_ends() const;
  [[nodiscard]] std::string run_id_of(std::uint8_t channel) const;
  void work();

  Parts parts_;
  mutable std::mutex mutex_;
  std::condition_variable news_;
  std::array<Channel, safety::max_channels> channels_;
  std::vector<Told> told_;              // under mutex_
  std::vector<safety::Event> answers_;  // under mutex_; the last few
  bool ending_ = false;                 // under mutex_
  safety::Snapshot snapshot_;
  std::uint64_t lost_ = 0;
  std::atomic<std::uint64_t> pulses_ = 0;
  std::chrono::steady_clock::time_point try_again_at_{};
  bool last_turns_ = false;  // the recorder is waited for now, since nothing new comes
  int patience_ = 1000;      // pauses of 5 ms, in all
  std::function<void(const std::string&)> died_;
  std::thread thread_;
};

}  // namespace chargewright::daemon

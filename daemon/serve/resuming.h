#pragma once
// Runs that the last life left interrupted and that may go on by themselves (S9): reads what is on
// record, asks daemon/run/resumption whether and when, tells people, and has the supervisor begin.
// A thread of its own (named `resume`), which ends when all is decided; without such runs there is
// none. What it gives up stays tripped, as every other interruption.

#include <array>
#include <atomic>
#include <condition_variable>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <thread>
#include <vector>

#include "daemon/run/resumption.h"
#include "daemon/serve/dead_man.h"
#include "daemon/serve/event_pump.h"
#include "daemon/serve/guard_side.h"
#include "daemon/serve/preparing.h"
#include "daemon/serve/shapes.h"
#include "daemon/state/machine_clock.h"
#include "daemon/state/store.h"

namespace chargewright::daemon {

// How a run goes on.
struct GoingOn {
  Resumed resumed;
  RestWindow window;  // where the guard must find the cell's voltage before it arms
  // When the bench was last looked at, before the output goes on.
  std::chrono::steady_clock::time_point looked_at{};
  std::optional<drivers::Instant> last_cut{};  // of the channel, as it was then
};

class Resuming {
 public:
  struct Parts {
    const profiles::Bench& bench;
    const safety::Plant& plant;
    const std::vector<RecordedFile>& files;
    std::string runs_folder;
    double speed = 1;
    GuardSide& guard;
    StateStore& state;
    std::function<MachineClock()> clocks;
    std::optional<ProvedOff> proved_off;  // by the dead-man of the last life
    std::function<Answer<PreparedRun>(const NamedText& profile, const NamedText& cell,
                                      std::uint8_t channel)>
        prepare;
    std::function<bool(const PreparedRun& run)> is_approved;
    // When the guard last began to cut there, by its clock.
    std::function<std::optional<drivers::Instant>(std::uint8_t channel)> last_cut;
    // Acknowledges and arms; a failure leaves the channel tripped.
    std::function<Answer<boost::json::object>(std::uint8_t channel, const PreparedRun& run,
                                              const GoingOn& how)>
        begin;
    std::function<void(LogLevel level, boost::json::object event)> tell;
  };
  explicit Resuming(Parts parts) : parts_(std::move(parts)) {}
  ~Resuming();
  Resuming(const Resuming&) = delete;
  Resuming& operator=(const Resuming&) = delete;

  void start(std::function<void(const std::string& why)> died);
  void stop();
  // A person's word, at any moment. True: something waited there to be resumed.
  bool withdraw(std::uint8_t channel);
  [[nodiscard]] bool is_withdrawn(std::uint8_t channel) const { return withdrawn_[channel]; }
  // For those who look: while it waits or warns, and why it was given up.
  [[nodiscard]] std::optional<ResumptionFacts> facts(std::uint8_t channel) const;

 private:
  struct Case {
    std::uint8_t channel = 0;
    Energised marker;
    InterruptedRun run;
    PreparedRun prepared;
    RestWindow window;
    Resumption decider;
    std::optional<safety::Carried> carried{};
    drivers::Instant waited_until{};  // by the guard's clock: until its warning began
    std::optional<drivers::Instant> last_cut{};
    Resumption::State told = Resumption::State::waiting;
    drivers::Instant told_at{};
  };
  void work();
  void consider(std::uint8_t channel, const Energised& marker);
  void turn(Case& one);
  void go_on(Case& one, drivers::Instant looked_at);
  [[nodiscard]] Resumption::Look look(Case& one);
  [[nodiscard]] std::optional<double> age_s(const Case& one, const MachineClock& now) const;
  void count_unseen(Case& one, const Resumption::Look& look);
  void tell(Case& one, drivers::Instant now);
  void tell_given_up(std::uint8_t channel, const std::string& run, Unresumed why,
                     const std::string& more = {});
  void show(std::uint8_t channel, std::optional<ResumptionFacts> facts);

  Parts parts_;
  std::array<std::atomic<bool>, safety::max_channels> withdrawn_{};
  std::vector<std::unique_ptr<Case>> cases_;  // of the thread
  mutable std::mutex mutex_;
  std::condition_variable wake_;
  std::array<std::optional<ResumptionFacts>, safety::max_channels> shown_;  // under mutex_
  bool ending_ = false;                                                     // under mutex_
  std::thread thread_;
};

}  // namespace chargewright::daemon

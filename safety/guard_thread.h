#pragma once
// The guard's thread: the shell around safety/wires.h on a real bench. It alone owns the links; it
// moves bytes, hands in the time, and publishes what came of it. Nothing else happens on it: no
// disk, no log, no lock shared with others, no allocation of ours in steady state. No exception
// leaves its loop: one becomes a fault of the guard, which cuts (S4).
//
// The speed factor scales the time that the deciding code is given. Any other than 1 is for
// simulated benches (safety/wires.h).

#include <array>
#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "drivers/link.h"
#include "safety/dead_man/pulse.h"
#include "safety/priority.h"
#include "safety/wires.h"

namespace chargewright::safety {

using LinkMaker = std::function<std::unique_ptr<drivers::Link>(
    boost::asio::io_context&, const drivers::LinkAddress&, drivers::LinkUser&)>;

struct GuardThreadSpec {
  Plant plant;
  std::vector<drivers::InstrumentSpec> instruments;  // their ids are their places here
  std::vector<drivers::LinkAddress> links;           // one for each instrument
  double speed = 1;
  std::vector<Fault> trips;  // latched by a former life of the daemon (S5)
  // Of the last run of a channel in a former life: the watch goes on by them (S8).
  std::vector<std::pair<std::uint8_t, Limits>> limits = {};
  // Ask for a real-time class and locked memory; never with a speed factor other than 1.
  bool real_time = true;
  LinkMaker make_link = {};                     // empty: drivers::make_link
  std::chrono::milliseconds stop_within{5000};  // real time for outputs to be verified off
  // Used from the guard's thread alone; nobody: arm is refused (S6).
  std::shared_ptr<DeadManSide> dead_man = {};
};

class GuardThread {
 public:
  explicit GuardThread(GuardThreadSpec spec);
  ~GuardThread();  // stop()
  GuardThread(const GuardThread&) = delete;
  GuardThread& operator=(const GuardThread&) = delete;

  void start();
  // Outputs off first, then the links. False: not all verified off within the time.
  bool stop();

  // From any thread; never waits for the guard. False: the queue is full, nothing was taken. An
  // operator's cut is always taken and overtakes what is queued.
  bool request(const Request& request);
  // From one thread. Events wait in a bounded queue; what does not fit is lost and counted.
  bool take_event(Event& event);
  [[nodiscard]] std::uint64_t events_lost() const;

  // From any thread.
  [[nodiscard]] Snapshot snapshot() const;
  [[nodiscard]] std::vector<InstrumentStatus> instruments() const;
  // Grows at least ten times a second while the guard lives; for the watchdog of the main thread.
  [[nodiscard]] std::uint64_t beats() const;
  // False once the loop has ended, or before start().
  [[nodiscard]] bool alive() const;
  // What the system gave; told by the thread before its first beat.
  [[nodiscard]] Priority priority() const;
  // Why the loop ended by itself; empty while it has not.
  [[nodiscard]] std::string death() const;
  // The guard's time now, as in the events' instants.
  [[nodiscard]] drivers::Instant now() const;

 private:
  class Loop;
  std::unique_ptr<Loop> loop_;
};

}  // namespace chargewright::safety

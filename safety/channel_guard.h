#pragma once
// One channel under guard: composes interlock, gate, permissives, cut chain and reading schedule
// around the state table of safety/transitions.h, which alone changes the state. Plain synchronous
// code; no allocation after construction.

#include <optional>

#include "safety/cut_chain.h"
#include "safety/interlock.h"
#include "safety/outbox.h"
#include "safety/permissives.h"
#include "safety/schedule.h"

namespace chargewright::safety {

class ChannelGuard {
 public:
  ChannelGuard(const ChannelPlan& plan, std::uint8_t channel);

  void restore_trip(const Fault& fault);
  void restore_limits(const Limits& limits) { interlock_.restore_limits(limits); }
  void start(drivers::Instant now, Outbox& out);
  void request(const Request& request, drivers::Instant now, Outbox& out);
  void see(const drivers::Outcome& outcome, drivers::Instant now, Outbox& out);
  void link_changed(drivers::InstrumentId instrument, bool up, drivers::Instant now, Outbox& out);
  void turn(drivers::Instant now, Outbox& out);
  void shut_down(drivers::Instant now, Outbox& out);
  void internal_fault(drivers::Instant now, Outbox& out);
  void dead_man_lost(drivers::Instant now, Outbox& out);
  void arm_refused(Refusal refusal) { refusal_ = refusal; }  // by the guard's shell

  void snapshot(ChannelSnapshot& into, drivers::Instant now) const;
  [[nodiscard]] drivers::Instant wake() const;
  [[nodiscard]] bool verified_off() const {
    return state_ == State::off || state_ == State::tripped;
  }
  [[nodiscard]] State state() const { return state_; }
  [[nodiscard]] const Facts& facts() const { return interlock_.facts(); }
  [[nodiscard]] const CutRecord& cut_record() const { return chain_.record(); }
  [[nodiscard]] bool uses(drivers::InstrumentId instrument) const;

 protected:  // for tests of what nothing but a bug of ours or a stray write brings about
  void transit(Transition on, drivers::Instant now, Outbox& out);
  // Does what the table needs for this change hold now?
  [[nodiscard]] bool may(Transition on, drivers::Instant now) const;
  // From ready alone; from elsewhere it cuts.
  void switch_on(drivers::Instant now, Outbox& out);

  RunPlan run_{};

 private:
  // Setpoints on their way to the instrument.
  enum class Steering : std::uint8_t { idle, setting, switching_on, switching_off };
  struct Aim {
    drivers::Volts voltage{};
    drivers::Amperes current{};
    std::uint32_t number = 0;
  };

  // channel_guard.cpp: states
  void enter(const Row& row, drivers::Instant now, Outbox& out);
  void begin_cut(State from, drivers::Instant now, Outbox& out);
  void begin_off(drivers::Duration patience, drivers::Instant now, Outbox& out);
  void judge(drivers::Instant now, Outbox& out);
  void alarm(const Fault& fault, drivers::Instant now, Outbox& out);
  void follow_chain(drivers::Instant now, Outbox& out);
  void follow_permissives(drivers::Instant now, Outbox& out);
  void latch(drivers::Instant now, Outbox& out);
  void tell_reading(const drivers::Outcome& outcome, drivers::Instant now, Outbox& out);
  [[nodiscard]] Event event(Event::Kind kind, drivers::Instant now) const;

  // channel_requests.cpp: what a run asks
  void arm(const Request& request, drivers::Instant now, Outbox& out);
  void charge(const Request& request, drivers::Instant now, Outbox& out);
  void rest(const Request& request, drivers::Instant now, Outbox& out);
  void finish(const Request& request, drivers::Instant now, Outbox& out);
  void acknowledge(const Request& request, drivers::Instant now, Outbox& out);
  void refuse(Refusal refusal, double measured, double limit, std::uint32_t number,
              drivers::Instant now, Outbox& out);

  // channel_steering.cpp: setpoints and output
  void steer(drivers::Instant now, Outbox& out);
  void set(const Aim& aim, drivers::Instant now, Outbox& out);
  [[nodiscard]] bool is_setting() const;
  void switch_off(std::uint32_t number, drivers::Instant now, Outbox& out);
  void see_steering(const drivers::Outcome& outcome, drivers::Instant now, Outbox& out);
  void steering_failed(const drivers::Outcome& outcome, drivers::Instant now);
  void forget_steering();
  void expect_output(bool on, drivers::Instant since);
  void tell_output(bool on, drivers::Instant at, std::uint32_t number, Outbox& out);

  ChannelPlan plan_;
  std::uint8_t channel_;
  Interlock interlock_;
  CutChain chain_;
  Permissives permissives_;
  Schedule schedule_;

  State state_ = State::unknown;
  std::uint32_t arms_ = 0;  // counts what run_ was set to
  std::uint32_t arm_number_ = 0;
  std::uint16_t step_ = 0;
  bool started_ = false;
  drivers::Instant started_at_{};
  bool shutting_down_ = false;
  bool dirty_ = false;  // something was seen since the last judge()
  Refusal refusal_ = Refusal::none;
  Fault trip_{};                     // latched, or about to be: the first that cut
  std::bitset<cause_count> told_;    // causes of this trip already told
  Fault chain_alarm_{};              // cause none: there is none
  Cause watch_alarm_ = Cause::none;  // the worst that was told since the watch was last quiet
  std::uint8_t regulation_ = 0;

  Expected expected_{};
  Steering steering_ = Steering::idle;
  Aim aim_{};
  std::optional<Aim> next_aim_;
  // Tickets outstanding: voltage, current, and the levels of the two protections. 0: none.
  std::array<std::uint32_t, 4> setting_{};
  std::uint32_t switching_ = 0;
  bool setpoints_known_ = false;
  bool protections_proved_ = false;  // since the last rest
  bool told_on_ = false;             // the output, to whoever records
};

}  // namespace chargewright::safety

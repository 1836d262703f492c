#pragma once
// Brings one channel's output to off and proves it (S4): output off -> verify by measured current
// and output state -> repeat, setpoints to zero -> contactor open -> alarm, each stage with its
// deadline of `cut_stage`. A stage whose order has failed is not waited for. The alarm alone waits
// for answers that a slow bench still owes: until questions asked when current should have stopped
// are all answered and prove nothing, or the source answers that it is on, or `prove_off_within` is
// over. It goes on repeating, at a rate that its source can hear, until current is proved to have
// stopped.
//
// The same chain ends a run in good order and brings the outputs to off at start; only the guard
// knows whether it is a cut.
//
// Proved means, by measurements asked after the off was written: the output state reads off and the
// current of every ammeter is at or below `off_current`; or, where the source cannot be read, that
// the contactor proves open and an ammeter of its own shows no current.

#include <cstdint>

#include "drivers/order.h"
#include "safety/outbox.h"
#include "safety/plant.h"

namespace chargewright::safety {

enum class CutStage : std::uint8_t {
  started,
  off_written,
  off_confirmed,
  current_stopped,
  repeated,        // not verified in time: off again, setpoints to zero
  opening,         // contactor ordered open
  contactor_open,  // proved
  alarmed,         // not verified within all stages
  verified,
  verified_by_contactor,
};
std::string_view key_of(CutStage stage);

// When each stage was reached; `never` where it was not (yet).
struct CutRecord {
  drivers::Instant started = drivers::never;
  drivers::Instant off_written = drivers::never;
  drivers::Instant off_confirmed = drivers::never;
  drivers::Instant current_stopped = drivers::never;
  drivers::Instant contactor_open = drivers::never;
  drivers::Instant alarmed = drivers::never;
  drivers::Instant verified = drivers::never;
  bool by_contactor = false;
};

class CutChain {
 public:
  CutChain(const ChannelPlan& plan, std::uint8_t channel);

  // Begins, or begins anew. `patience`: before the alarm; stages go on at `cut_stage` meanwhile.
  void begin(drivers::Instant now, drivers::Duration patience, Outbox& out);
  // Without patience: the alarm comes after the last stage.
  void begin(drivers::Instant now, Outbox& out) { begin(now, alarm_after_ * plan_.cut_stage, out); }
  // The off that ended a run, verified while its contactor is yet to open, is no proof against what
  // cuts now: the next begin() begins anew.
  void forget_verified() {
    if (verified()) running_ = false;
  }
  void link(drivers::InstrumentId instrument, bool up, drivers::Instant now, Outbox& out);
  // Any outcome of this channel's terminals; its own orders and the schedule's readings.
  void see(const drivers::Outcome& outcome, drivers::Instant now, Outbox& out);
  void turn(drivers::Instant now, Outbox& out);
  void announce(bool wanted) { announce_ = wanted; }  // events for each stage

  [[nodiscard]] bool running() const { return running_; }
  [[nodiscard]] bool verified() const { return record_.verified != drivers::never; }
  [[nodiscard]] bool alarmed() const { return record_.alarmed != drivers::never; }
  // What the source says of its output, asked after the off was written: on.
  [[nodiscard]] bool output_still_on() const;
  [[nodiscard]] const CutRecord& record() const { return record_; }
  [[nodiscard]] drivers::Instant wake() const;

 private:
  static constexpr int alarm_after_ = 3;       // stages: repeat, contactor, alarm
  static constexpr int offs_outstanding_ = 4;  // at most so many offs unanswered
  static constexpr int opens_most_ = 3;        // tries at the contactor once current has stopped
  static constexpr int forget_after_ = 10;     // stages, after which an outcome counts as lost

  struct Evidence {
    drivers::Instant asked{};
    double value = 0;
    bool known = false;
  };
  void reach(CutStage stage, drivers::Instant& at, drivers::Instant now, Outbox& out);
  void tell(CutStage stage, drivers::Instant now, Outbox& out);
  bool write_off(drivers::Instant now, Outbox& out);
  void write_zero(Outbox& out);
  void ask(drivers::Instant now, Outbox& out);
  void open_contactor(drivers::Instant now, Outbox& out);
  void see_contactor_open(drivers::Instant now, Outbox& out);
  void see_own(const drivers::Outcome& outcome, drivers::Instant now, Outbox& out);
  void see_off(const drivers::Outcome& outcome, drivers::Instant now, Outbox& out);
  void see_evidence(const drivers::Outcome& outcome);
  void weigh(drivers::Instant now, Outbox& out);
  [[nodiscard]] bool stopped(const Evidence& current, drivers::Instant since) const;
  [[nodiscard]] bool flows_on() const;
  [[nodiscard]] bool after_off(const Evidence& evidence) const;
  [[nodiscard]] bool is_off() const;
  void end_round();
  [[nodiscard]] bool should_have_stopped() const;
  [[nodiscard]] drivers::Duration questions_lost_after() const;
  [[nodiscard]] drivers::Instant alarm_due() const;

  ChannelPlan plan_;
  std::uint8_t channel_;
  bool separate_ammeter_;
  bool announce_ = false;
  bool running_ = false;
  bool source_down_ = false;
  bool repeated_ = false;
  bool opening_ = false;
  bool off_done_ = false;
  bool disproved_ = false;    // questions asked late enough were all answered, and none proved it
  bool garbled_ = false;      // one of those under way got no answer that can be read
  bool asked_again_ = false;  // for that reason, once
  int offs_pending_ = 0;
  int questions_pending_ = 0;
  int opens_failed_ = 0;
  drivers::Instant off_at_{};
  drivers::Instant off_heard_ = drivers::never;  // the answer to the first that was written
  drivers::Instant asked_at_{};
  drivers::Instant link_up_at_{};
  Evidence output_;
  Evidence source_current_;
  Evidence meter_current_;
  drivers::Instant repeat_at_ = drivers::never;
  drivers::Instant open_at_ = drivers::never;
  drivers::Instant alarm_at_ = drivers::never;
  drivers::Instant ask_at_ = drivers::never;
  CutRecord record_;
};

}  // namespace chargewright::safety

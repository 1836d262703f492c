#pragma once
// The permissives of one channel: what must be proved, one after the other, before the gate opens
// (S1). Each stage's orders go to their instruments in parallel; the next stage begins when all of
// them are done; the first that fails names the refusal. The output stays off throughout.
//
//   identify      every instrument of the channel says the identity that the bench demands
//   drain_errors  the source's error queue is emptied
//   output_off    proved
//   contactor_opens  proved: one that is welded is no second way to cut
//   protection    the instrument's own has not tripped
//   setpoints     zero volts and amperes, proved
//   arm_protection  over-voltage and over-current levels set and read back, where it has them
//   still_clear   arming has not tripped it
//   look          before the contactor closes: voltage and polarity, where the voltmeter is the
//                 cell's own
//   contactor     closed, proved
//   fresh         every sensor read anew, no current, the cell fits; last of all the output is off
//   done

#include <boost/container/static_vector.hpp>

#include "safety/interlock.h"
#include "safety/outbox.h"

namespace chargewright::safety {

class Permissives {
 public:
  enum class Stage : std::uint8_t {
    idle,
    identify,
    drain_errors,
    output_off,
    contactor_opens,
    protection,
    setpoints,
    arm_protection,
    still_clear,
    look,
    contactor,
    fresh,
    done,
  };

  Permissives(const ChannelPlan& plan, std::uint8_t channel);

  void begin(const RunPlan& run, drivers::Instant now, Outbox& out);
  void stop() { stage_ = Stage::idle; }
  void see(const drivers::Outcome& outcome, drivers::Instant now, Outbox& out);
  // Looks at the readings that the interlock holds, and at the deadline.
  void turn(const Interlock& interlock, drivers::Instant now, Outbox& out);

  [[nodiscard]] bool running() const { return stage_ != Stage::idle && stage_ != Stage::done; }
  [[nodiscard]] bool met() const { return stage_ == Stage::done; }
  [[nodiscard]] Stage stage() const { return stage_; }
  // Set when a permissive failed; running() is then false.
  [[nodiscard]] Refusal refusal() const { return refusal_; }
  [[nodiscard]] double measured() const { return measured_; }
  [[nodiscard]] double limit() const { return limit_; }
  [[nodiscard]] drivers::InstrumentId instrument() const { return instrument_; }
  [[nodiscard]] drivers::Instant wake() const;

 private:
  static constexpr std::size_t parallel_max_ = 4 + max_thermometers;
  static constexpr int drains_most_ = 3;

  void enter(Stage stage, drivers::Instant now, Outbox& out);
  void next(drivers::Instant now, Outbox& out);
  void ask(const Terminal& at, drivers::Verb verb, double value, Outbox& out);
  void ask_identities(Outbox& out);
  void refuse(Refusal refusal, double measured = 0, double limit = 0);
  [[nodiscard]] Refusal refusal_of_stage() const;
  void see_drained(const drivers::Outcome& outcome, drivers::Instant now, Outbox& out);
  // Fresh: asked after this stage began. All of them, and the cell plausible: true.
  [[nodiscard]] bool read_anew(const Sensed& sensed) const;
  bool cell_plausible(const Sensed& voltage);
  void look(const Interlock& interlock, drivers::Instant now, Outbox& out);
  void check_fresh(const Interlock& interlock, drivers::Instant now, Outbox& out);

  ChannelPlan plan_;
  std::uint8_t channel_;
  RunPlan run_{};
  Stage stage_ = Stage::idle;
  drivers::Instant stage_began_{};
  drivers::Instant deadline_ = drivers::never;
  boost::container::static_vector<std::uint32_t, parallel_max_> waiting_;
  int drains_ = 0;
  Refusal refusal_ = Refusal::none;
  double measured_ = 0;
  double limit_ = 0;
  drivers::InstrumentId instrument_ = drivers::no_instrument;
};

}  // namespace chargewright::safety

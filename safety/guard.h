#pragma once
// The guard: interlock, gate, permissives and cut chain of every channel of a bench, as plain code
// that takes outcomes, requests and time, and gives orders and events (S1 to S5). It owns the
// wires: nothing else makes orders. No allocation after construction, no lock, no clock. The shells
// are safety/guard_thread.h (a real bench) and daemon/plan/rehearse.h (virtual time).

#include <array>
#include <boost/container/static_vector.hpp>
#include <cstdint>
#include <memory>

#include "drivers/order.h"
#include "drivers/reading.h"
#include "safety/fault.h"
#include "safety/interlock.h"
#include "safety/limits.h"
#include "safety/plant.h"
#include "safety/tally.h"
#include "safety/transitions.h"

namespace chargewright::safety {

// What a run asks to be enforced. Made by profiles/check; the guard believes none of it blindly:
// defects are refused.
struct RunPlan {
  Limits limits;
  drivers::Volts full{};                   // the cell's; voltage setpoints never exceed it by more
  drivers::Volts lead_compensation_max{};  //   than this (S2)
  drivers::Volts open_circuit_min{};       // plausible before energising; below: refused (polarity:
  drivers::Volts open_circuit_max{};       //   a negative voltage is refused by that name)
  drivers::Volts over_voltage_protection{};  // level to arm in the instrument
  drivers::Amperes over_current_protection{};
  bool approved = false;
  std::uint8_t thermometers_needed = 0;  // policy: at least so many sensors at the cell
  Body body{};                           // how the cell warms, where it is known
  Carried carried{};                     // of the run before an interruption (S9)
};

struct Request {
  enum class Kind : std::uint8_t {
    arm,          // plan
    charge,       // output on with these setpoints (step, volts, amperes); through the gate
    rest,         // output off, run goes on (step)
    heartbeat,    // the sequencer lives
    finish,       // output off, run over; watch goes on (S8)
    cut,          // operator's cut
    acknowledge,  // a person's; or one given beforehand, by a profile that resumes (S9)
    hold,         // a run could not resume: tripped, until a person has looked (S9)
  };
  Kind kind = Kind::heartbeat;
  std::uint8_t channel = 0;
  std::uint16_t step = 0;
  drivers::Volts voltage{};
  drivers::Amperes current{};
  std::optional<RunPlan> plan{};  // of arm, and of nothing else; it is large
  std::uint32_t number = 0;       // the asker's own, returned in events
};

// Why a request was refused; the channel stays or goes off.
enum class Refusal : std::uint8_t {
  none,
  wrong_state,
  limits_defective,
  limits_not_approved,
  latched_trip,
  identity_mismatch,
  instrument_unreachable,
  instrument_errors,  // errors in its queue that would not drain
  output_not_off,
  setpoint_not_proved,
  protection_not_armed,
  protection_was_tripped,
  open_circuit_implausible,
  polarity_reversed,
  reading_not_fresh,
  too_few_thermometers,
  voltage_beyond_limit,  // gate
  current_beyond_limit,  // gate
  power_beyond_limit,    // gate
  not_a_number,          // gate
  took_too_long,
  contactor_not_proved,
  not_simulated,  // a speed factor other than 1, and an instrument that may be real
  no_dead_man,    // S6: nobody would cut if the daemon died
};
std::string_view key_of(Refusal refusal);
std::string_view describe(Refusal refusal);  // a sentence with advice

struct Event {
  enum class Kind : std::uint8_t {
    reading,         // judged; `reading`
    state_changed,   // from, to
    setpoints_set,   // volts, amperes, proved
    output_changed,  // on = volts/amperes irrelevant
    refused,         // refusal (numbers: measured, limit)
    cause_present,   // fault: every cause of a trip, the worst first
    cut_stage,       // stage reached
    tripped,         // fault: latched
    acknowledged,
    alarm,             // fault: cannot be verified off, or too warm after a run (S8)
    instrument_error,  // device_error from instrument
    link_changed,      // instrument; on
  };
  Kind kind = Kind::reading;
  std::uint8_t channel = 0;
  bool on = false;
  drivers::Instant at{};
  drivers::Reading reading{};
  // Taken at the source's terminals though the channel has a meter at the cell for this quantity.
  bool at_source = false;
  State from = State::unknown;
  State to = State::unknown;
  Fault fault{};
  Refusal refusal = Refusal::none;
  std::uint8_t cut_stage = 0;  // CutStage
  std::uint16_t step = 0;
  drivers::InstrumentId instrument = drivers::no_instrument;
  std::int32_t device_error = 0;
  std::uint32_t number = 0;  // of the request it answers
  double volts = 0;
  double amperes = 0;
};

// Latest of everything, copied out whole for the other threads. Trivially copyable.
struct ChannelSnapshot {
  State state = State::unknown;
  Refusal refusal = Refusal::none;  // of the last arm
  Fault trip{};                     // latched
  Fault alarm{};                    // cause none: there is none
  bool in_doubt = false;            // Interlock::in_doubt()
  drivers::Reading voltage{};
  drivers::Reading current{};
  drivers::Reading source_voltage{};
  std::uint8_t thermometers = 0;
  std::array<drivers::Reading, max_thermometers> temperatures{};
  bool output_on = false;       // as last read back
  std::uint8_t regulation = 0;  // 0 unknown, 1 CV, 2 CC; never trusted alone
  double voltage_setpoint = 0;
  double current_setpoint = 0;
  double charge_in = 0;  // C
  double charge_out = 0;
  double charge_uncertain = 0;  // what may have flowed besides: for the limits it has
  double energy_in = 0;         // J
  double energy_out = 0;
  drivers::Duration on_time{};
  std::uint16_t step = 0;
  std::uint32_t arms = 0;  // accepted so far
  Limits limits{};         // of the last of them; renewed only where `arms` differs
};
struct Snapshot {
  drivers::Instant at{};
  std::uint32_t events_lost = 0;  // nobody took them in time
  std::uint8_t channels = 0;
  std::array<ChannelSnapshot, max_channels> channel{};
};

class Guard {
 public:
  explicit Guard(const Plant& plant);
  ~Guard();
  Guard(Guard&&) noexcept;
  Guard& operator=(Guard&&) noexcept;

  // A trip that a former life of the daemon latched (S5): the channel starts tripped.
  void restore_trip(const Fault& fault);
  // The limits of the channel's last run in a former life: those of temperature are watched (S8).
  void restore_limits(std::uint8_t channel, const Limits& limits);
  // Begins: all outputs are brought to off before anything else.
  void start(drivers::Instant now);

  void request(const Request& request, drivers::Instant now);
  // Tells that the shell refused this request itself.
  void refuse(const Request& request, Refusal refusal, drivers::Instant now);
  void see(const drivers::Outcome& outcome, drivers::Instant now);
  void link_changed(drivers::InstrumentId instrument, bool up, drivers::Instant now);
  void turn(drivers::Instant now);  // judges, reads, arms, cuts; call after every see()
  // Something in the guard's own shell went wrong: every channel cuts.
  void internal_fault(drivers::Instant now);
  // S6: every channel cuts.
  void dead_man_lost(drivers::Instant now);

  [[nodiscard]] bool take_order(drivers::Order& order);  // urgent ones come first
  [[nodiscard]] bool take_event(Event& event);
  // Whether events are wanted (they are, at first): a rehearsal that records nothing wants none.
  void listen(bool wanted);
  void snapshot(Snapshot& into, drivers::Instant now) const;
  [[nodiscard]] drivers::Instant wake() const;
  // Every channel off and verified: the daemon may end.
  [[nodiscard]] bool all_off() const;
  // Ends everything in good order: outputs off, no new arms.
  void shut_down(drivers::Instant now);

 private:
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

}  // namespace chargewright::safety

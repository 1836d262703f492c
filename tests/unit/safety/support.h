#pragma once
// Builders in trade words for the tests of this room, and a bench that obeys orders in virtual
// time: one supply, and where asked for a voltmeter, an ammeter, thermometers and a contactor of
// their own. Each can be told to misbehave.

#include <functional>
#include <map>
#include <vector>

#include "safety/channel_guard.h"
#include "safety/gate.h"
#include "safety/guard.h"

namespace chargewright::safety::testing {

using namespace std::chrono_literals;
using namespace drivers::literals;
using drivers::Duration;
using drivers::Ending;
using drivers::Instant;
using drivers::Order;
using drivers::Outcome;
using drivers::Verb;

constexpr Instant at(Duration since_begin) { return Instant{} + 1h + since_begin; }

// Instruments of the test bench.
inline constexpr drivers::InstrumentId supply = 0;
inline constexpr drivers::InstrumentId voltmeter = 1;
inline constexpr drivers::InstrumentId thermometer = 2;
inline constexpr drivers::InstrumentId ammeter = 3;
inline constexpr drivers::InstrumentId contactor = 4;
inline constexpr std::size_t instruments = 5;

struct Fittings {
  bool voltmeter = true;
  bool ammeter = false;
  bool contactor = false;
  int thermometers = 1;
};

inline ChannelPlan plan_of(const Fittings& fittings = {}) {
  ChannelPlan plan;
  plan.source = {supply, 0};
  plan.voltmeter = fittings.voltmeter ? Terminal{voltmeter, 0} : plan.source;
  plan.ammeter = fittings.ammeter ? Terminal{ammeter, 0} : plan.source;
  for (int k = 0; k < fittings.thermometers; ++k) {
    plan.thermometers.push_back({thermometer, static_cast<std::uint8_t>(k + 1)});
  }
  if (fittings.contactor) plan.contactor = Terminal{contactor, 1};
  plan.loop_resistance = 20.0_mohm;
  plan.voltage_disagreement = 30.0_mV;
  plan.current_disagreement = 50.0_mA;
  plan.source_voltage_max = 20.0_V;
  plan.source_current_max = 20.0_A;
  plan.source_power_max = 200.0_W;
  return plan;
}

inline Plant plant_of(const ChannelPlan& channel) {
  Plant plant;
  plant.channels.push_back(channel);
  plant.instruments = instruments;
  return plant;
}

template <class Q>
Limit<Q> limit(Q value, Origin origin = Origin::profile, Duration on_delay = {}) {
  return {value, origin, on_delay};
}

// A 2.4 Ah cell of 4.20 V.
inline Limits cell_limits() {
  Limits limits;
  limits.voltage_above = limit(4.25_V, Origin::cell);
  limits.voltage_below = limit(2.50_V, Origin::cell);
  limits.current_above = limit(7.2_A, Origin::cell);
  limits.current_reverse = limit(0.5_A, Origin::policy);
  limits.power_above = limit(30.0_W, Origin::wiring);
  limits.temperature_above = limit(48.0_degC);
  limits.temperature_below = limit(5.0_degC);
  limits.temperature_rising = limit(drivers::kelvins_per_second(2.0 / 60.0));
  limits.charge_above = limit(2.64_Ah);
  limits.energy_above = limit(12.0_Wh);
  limits.run_time = limit(Duration{90min});
  limits.step_time = limit(Duration{80min});
  return limits;
}

inline RunPlan run_plan() {
  RunPlan run;
  run.limits = cell_limits();
  run.full = 4.20_V;
  run.lead_compensation_max = 0.10_V;
  run.open_circuit_min = 2.50_V;
  run.open_circuit_max = 4.25_V;
  run.over_voltage_protection = 4.40_V;
  run.over_current_protection = 8.0_A;
  run.approved = true;
  run.thermometers_needed = 1;
  return run;
}

constexpr std::uint8_t subject(Subject s) { return static_cast<std::uint8_t>(s); }

inline bool names(const Verdict& verdict, Cause cause) {
  return verdict.present.test(static_cast<std::size_t>(cause));
}

// Orders that nobody takes, until no other of this kind finds a place.
inline void fill(Outbox& out, bool urgent) {
  while (out.order(0, Purpose::reading, {supply, 0}, Verb::read_regulation, 0, urgent) != 0) {
  }
}

inline Outcome outcome(drivers::InstrumentId instrument, std::uint8_t channel, Verb verb,
                       double value, Instant when, Ending ending = Ending::done) {
  Outcome outcome;
  outcome.order = {.ticket = 0, .instrument = instrument, .channel = channel, .verb = verb};
  outcome.ending = ending;
  outcome.value = value;
  outcome.asked = when;
  outcome.answered = when;
  return outcome;
}

// A cell of constant inner voltage and resistance behind leads, on a supply that obeys.
class FakeBench {
 public:
  double inner_voltage = 3.70;
  double cell_resistance = 0.030;
  double lead_resistance = 0.015;
  std::array<double, max_thermometers> celsius{25, 25, 25, 25, 25, 25, 25, 25};

  bool output = false;
  double voltage_setpoint = 0;
  double current_setpoint = 0;
  double ovp = 0;
  double ocp = 0;
  int protection = 0;
  bool contactor_closed = true;
  bool lead_off = false;
  Duration latency = 2ms;
  Duration deadline = 500ms;

  struct Misbehaviour {
    bool mute = false;  // does not answer
    bool link_down = false;
    bool wrong_identity = false;
  };
  std::array<Misbehaviour, instruments> misbehave{};
  bool ignores_off = false;
  bool ignores_set = false;
  bool contactor_welded = false;
  int errors_queued = 0;
  // Overrides the answer of a verb at an instrument.
  std::map<std::pair<drivers::InstrumentId, Verb>, std::pair<Ending, double>> says;

  // Order log: what was written, and when.
  struct Written {
    Order order;
    Instant at;
  };
  std::vector<Written> written;

  double cell_current() const {
    if (!output || lead_off || !contactor_closed) return 0;
    const double by_voltage =
        (voltage_setpoint - inner_voltage) / (cell_resistance + lead_resistance);
    return std::max(0.0, std::min(current_setpoint, by_voltage));
  }
  double cell_voltage() const { return inner_voltage + cell_current() * cell_resistance; }
  double source_voltage() const {
    if (lead_off || !contactor_closed) return output ? voltage_setpoint : 0.0;
    return cell_voltage() + cell_current() * lead_resistance;
  }

  void obey(const Order& order, Instant now);
  // Outcomes whose time has come.
  bool take(Outcome& outcome, Instant now);
  bool idle() const { return waiting_.empty(); }
  Instant next() const;
  int count(Verb verb) const;

 private:
  std::pair<Ending, double> act(const Order& order);
  std::vector<Outcome> waiting_;
};

// A guard on such a bench; time is stepped by hand.
class GuardStory {
 public:
  explicit GuardStory(const Fittings& fittings = {}) : GuardStory(plan_of(fittings)) {}
  explicit GuardStory(const ChannelPlan& plan) : guard(plant_of(plan)) {}

  Guard guard;
  FakeBench bench;
  Instant now = at(0s);
  std::vector<Event> events;
  bool sequencer_lives = true;

  void start() {
    guard.start(now);
    settle();
  }
  void pass(Duration time);
  // Passes time until the channel is in this state; false after `within`.
  bool until(State state, Duration within = 20s);
  void settle() { pass(0ms); }

  void ask(Request::Kind kind, std::uint16_t step = 0, drivers::Volts voltage = {},
           drivers::Amperes current = {});
  void arm(const RunPlan& run = run_plan());
  // From the start to where a run may begin to charge; false where it does not get there.
  [[nodiscard]] bool start_to_ready(const RunPlan& run = run_plan());
  // The same from an output that is, or goes, off.
  [[nodiscard]] bool off_to_ready(const RunPlan& run = run_plan());
  // To the state in which the first step charges with 4.20 V and 2.4 A.
  void charge_on();
  ChannelSnapshot channel() const;
  State state() const { return channel().state; }
  Cause trip() const { return channel().trip.cause; }
  Refusal last_refusal() const;
  bool happened(Event::Kind kind) const;
  const Event* last(Event::Kind kind) const;
  std::vector<Cause> causes_present() const;

 private:
  void turn();
  static void expect_listed(const Event& event);
  std::uint32_t number_ = 0;
};

}  // namespace chargewright::safety::testing

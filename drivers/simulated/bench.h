#pragma once
// The simulated bench in virtual time: devices, circuits, faults, and a log of what it did. Two
// seams look at it: obey() takes orders directly (rehearsal; no bytes, no allocation), and
// scpi_device.h speaks SCPI for one device (storm in virtual time, or served over a real link).
//
// Time only moves by advance() and obey(); an instant before the last one changes nothing. One
// thread.

#include <array>
#include <string>
#include <vector>

#include "drivers/failure.h"
#include "drivers/simulated/bench_model.h"
#include "drivers/simulated/circuit.h"
#include "drivers/simulated/event_log.h"
#include "drivers/simulated/fault.h"

namespace chargewright::drivers::simulated {

// Watches a quantity inside the bench, and notes in the log when it first passes the level.
struct Mark {
  enum class Quantity : std::uint8_t { supply_voltage, current, cell_voltage, temperature };
  Quantity quantity = Quantity::cell_voltage;
  Terminal source{};  // the circuit is the one that this output drives
  double level = 0;
};

class Bench {
 public:
  // The model must be well-formed (problems_of() below: none); wiring that points nowhere is our
  // own bug.
  Bench(BenchModel model, Instant start);

  void advance(Instant now);
  [[nodiscard]] Instant now() const { return now_; }

  // Carries out an order, after advancing to `now`. Outcome.answered may lie after `now` (latency,
  // slow, mute): then the outcome must be handed on only at that time.
  Outcome obey(const Order& order, Instant now);

  // False: no such device or channel, or the fault does not fit its role.
  bool inject(const BenchFault& fault);
  void clear(FaultKind kind, InstrumentId device);
  void clear_all();
  [[nodiscard]] const DeviceFaults& faults(InstrumentId device) const {
    return devices_[device].faults;
  }

  // `mark.source` must be an output of a supply. Already beyond the level: never noted.
  void watch(const Mark& mark);
  void forget_marks();

  [[nodiscard]] const EventLog& log() const { return log_; }
  [[nodiscard]] const BenchModel& model() const { return model_; }
  [[nodiscard]] std::string identity(InstrumentId device) const;
  // The device of that name, or no_instrument.
  [[nodiscard]] InstrumentId find(std::string_view name) const;
  [[nodiscard]] std::uint8_t channels(InstrumentId device) const {
    return model_.devices[device].channels;
  }

  // For SCPI and for tests. Channels count from 1 and must exist. After changing an output's
  // settings, call changed().
  [[nodiscard]] SupplyOutput& output(InstrumentId device, std::uint8_t channel = 1) {
    return devices_[device].outputs[channel - 1U];
  }
  [[nodiscard]] const SupplyOutput& output(InstrumentId device, std::uint8_t channel = 1) const {
    return devices_[device].outputs[channel - 1U];
  }
  void changed(InstrumentId device, std::uint8_t channel);
  // Which of its outputs a message means that names none (SCPI's INSTrument:NSELect).
  [[nodiscard]] std::uint8_t selected(InstrumentId device) const {
    return devices_[device].selected;
  }
  void select(InstrumentId device, std::uint8_t channel) { devices_[device].selected = channel; }
  // False: refused, since a protection is latched.
  bool switch_output(InstrumentId device, std::uint8_t channel, bool on);
  void reset_output(InstrumentId device, std::uint8_t channel);
  void set_switch(InstrumentId device, std::uint8_t channel, bool closed);
  [[nodiscard]] bool is_closed(InstrumentId device, std::uint8_t channel) const {
    return devices_[device].closed[channel - 1U];
  }
  // What the device would show; faults of measuring included. nullopt: not a number.
  [[nodiscard]] std::optional<double> measure(InstrumentId device, std::uint8_t channel,
                                              Measurand measurand) const;

  // The SCPI device notes every value that it answers; an oracle asks whether this one was ever
  // answered from `from` to `to`, among the last sixteen.
  void note_answer(InstrumentId device, std::uint8_t channel, Measurand measurand, double value);
  [[nodiscard]] bool has_answered(InstrumentId device, std::uint8_t channel, Measurand measurand,
                                  double value, Instant from, Instant to) const;

  // A rested cell at this state of charge takes the place of the one in the circuit, as warm as it.
  void place_cell(std::size_t circuit, double state_of_charge);
  // Likewise one that rests at this voltage, as warm as the room.
  void swap_cell(std::size_t circuit, Volts open_circuit);

  [[nodiscard]] const std::vector<Circuit>& circuits() const { return circuits_; }
  [[nodiscard]] Circuit& circuit(std::size_t index) { return circuits_[index]; }
  [[nodiscard]] const Circuit& circuit(std::size_t index) const { return circuits_[index]; }

 private:
  struct Answers {
    struct One {
      Instant at{};
      double value = 0;
    };
    std::array<One, 16> last;
    std::size_t count = 0;
  };
  struct Device {
    std::vector<SupplyOutput> outputs;
    std::vector<Sensor> sensors;
    std::vector<bool> closed;
    std::vector<std::size_t> circuits;            // by channel; none: no_circuit
    std::vector<std::array<double, 3>> frozen;    // by channel and measurand, while stuck
    std::vector<std::array<Answers, 3>> answers;  // by channel and measurand
    DeviceFaults faults;
    std::uint8_t selected = 1;
  };
  struct Watched {
    Mark mark;
    bool crossed = false;
  };
  static constexpr std::size_t no_circuit = ~std::size_t{0};

  SupplyOutput* source_of(std::size_t circuit);
  void settle(std::size_t circuit);
  void note_output(Terminal source, bool was_on, Instant at);
  [[nodiscard]] double true_measure(InstrumentId device, std::uint8_t channel, Measurand m) const;
  [[nodiscard]] double marked(const Mark& mark) const;
  void look_at_marks(Instant from, Instant to);
  Ending carry_out(const Order& order, std::uint8_t channel, double& value, std::int32_t& error);
  Ending carry_out_supply(const Order& order, std::uint8_t channel, double& value,
                          std::int32_t& error);
  bool happen(const BenchFault& fault, const Event& injected);  // what happens once
  void apply(const BenchFault& fault, bool on);

  BenchModel model_;
  Instant now_;
  std::vector<Device> devices_;
  std::vector<Circuit> circuits_;
  std::vector<Watched> marks_;
  std::vector<double> marked_before_;
  EventLog log_;
};

// Problems of a model, in words; empty: Bench can be made of it.
std::vector<std::string> problems_of(const BenchModel& model);

}  // namespace chargewright::drivers::simulated

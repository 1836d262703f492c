// The simulated bench, spoken to by anybody: program messages for its four instruments, and words
// for its control connection. Whatever it is told, it answers in lines that its own reader takes,
// stays within its ratings and knows no number that is none.

#include <array>
#include <boost/json.hpp>
#include <cmath>

#include "drivers/scpi/message.h"
#include "drivers/simulated/control.h"
#include "drivers/simulated/scpi_device.h"
#include "tests/fuzz/fuzz.h"

namespace chargewright::fuzz {
namespace {

using namespace drivers;
using namespace drivers::simulated;

constexpr InstrumentId supply = 0, meter = 1, probe = 2, contactor = 3;

BenchModel bench_model() {
  BenchModel model;
  model.devices.resize(4);
  model.devices[supply] = {.name = "S1", .channels = 2};
  model.devices[meter] = {.name = "M1", .role = Role::meter};
  model.devices[probe] = {.name = "T1", .role = Role::thermometer, .channels = 3};
  model.devices[contactor] = {.name = "C1", .role = Role::contactor};
  BenchModel::Circuit circuit;
  circuit.name = "left";
  circuit.cell = *typical_model("li-ion-nmc", ampere_hours(2.4));
  circuit.state_of_charge = 0.3;
  circuit.source = {supply, 1};
  circuit.contactor = {contactor, 1};
  circuit.leads = ohms(0.02);
  model.circuits.push_back(circuit);
  model.probes = {{{meter, 1}, 0}, {{probe, 1}, 0}, {{probe, 2}, 0}};
  return model;
}

class Story {
 public:
  void happens(Plan& plan) {
    const unsigned what = plan.up_to(7);
    if (what < 4) {
      ports_[what].receive(plan.piece(), now_);
    } else if (what == 4) {
      message(plan.up_to(3), std::string(plan.piece()) + '\n');
    } else if (what == 5) {
      control(plan.piece());
    } else if (what == 6) {
      now_ += std::chrono::milliseconds(plan.byte()) * (1 + 20 * plan.up_to(3));
      bench_.advance(now_);
    } else {
      read(plan.up_to(3), plan.byte());
    }
    look();
  }
  void end() {
    now_ += std::chrono::seconds(5);
    bench_.advance(now_);
    for (unsigned port = 0; port < 4; ++port) read(port, 100'000);
    look();
  }

 private:
  void message(unsigned port, const std::string& text) { ports_[port].receive(text, now_); }

  void control(std::string_view line) {
    bench_.advance(now_);
    boost::json::error_code error;
    const auto answer = boost::json::parse(control_.obey(line), error);
    CLAIM(!error);
    const auto& facts = answer.as_object();
    CLAIM(facts.at("ok").is_bool());
    CLAIM(facts.at("ok").get_bool() || !facts.at("error").as_string().empty());
    if (line.find("garbage") != std::string_view::npos) garbage_ = true;
  }

  void read(unsigned port, std::size_t most) {
    std::string_view bytes = ports_[port].to_write(now_).substr(0, most);
    const std::size_t size = bytes.size();
    while (auto line = readers_[port].next(bytes)) {
      CLAIM(garbage_ || line->defect == scpi::LineDefect::none);
    }
    ports_[port].written(size);
  }

  void look() {
    for (std::uint8_t channel = 1; channel <= 2; ++channel) {
      const SupplyOutput& output = bench_.output(supply, channel);
      const auto& ratings = bench_.model().devices[supply].supply;
      CLAIM(output.voltage_setpoint() >= volts(0) &&
            output.voltage_setpoint() <= ratings.voltage_max);
      CLAIM(output.current_setpoint() >= amperes(0) &&
            output.current_setpoint() <= ratings.current_max);
      CLAIM(std::isfinite(output.voltage().value()));
    }
    const Circuit& circuit = bench_.circuit(0);
    CLAIM(std::isfinite(circuit.current().value()));
    CLAIM(std::isfinite(circuit.voltage().value()));
    CLAIM(std::isfinite(circuit.temperature().value()));
    CLAIM(circuit.cell().state_of_charge() > -1 && circuit.cell().state_of_charge() < 3);
  }

  Instant now_{};
  Bench bench_{bench_model(), now_};
  Pace pace_;
  Control control_{bench_, pace_};
  std::array<ScpiDevice, 4> devices_{ScpiDevice{bench_, supply}, ScpiDevice{bench_, meter},
                                     ScpiDevice{bench_, probe}, ScpiDevice{bench_, contactor}};
  std::array<ScpiPort, 4> ports_{ScpiPort{devices_[0]}, ScpiPort{devices_[1]},
                                 ScpiPort{devices_[2]}, ScpiPort{devices_[3]}};
  std::array<scpi::LineReader, 4> readers_;
  bool garbage_ = false;
};

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  Plan plan(data, size);
  Story story;
  while (!plan.is_over()) story.happens(plan);
  story.end();
  return 0;
}

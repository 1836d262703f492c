#pragma once
// What stands on a simulated bench and how it is wired: plain facts, from a real bench file with
// its cell file (rehearsal) or from a simulation file (served bench).

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "drivers/order.h"
#include "drivers/simulated/cell.h"
#include "drivers/simulated/cell_model.h"
#include "drivers/simulated/meter.h"
#include "drivers/simulated/playback.h"
#include "drivers/simulated/supply.h"
#include "drivers/simulated/thermometer.h"

namespace chargewright::drivers::simulated {

enum class Role : std::uint8_t { supply, meter, thermometer, contactor };

// An output or input of an instrument; channels count from 1.
struct Terminal {
  InstrumentId device = no_instrument;
  std::uint8_t channel = 1;
};

struct BenchModel {
  struct Device {
    std::string name{};
    Role role = Role::supply;
    std::uint8_t channels = 1;  // at most 32
    SupplyModel supply{};
    MeterModel meter{};
    ThermometerModel thermometer{};
    std::string identity{};  // *IDN? answer; empty: "Chargewright,Simulated <role>,<name>,1.0"
    Duration latency{};      // from question to answer, in the seam of orders
  };
  struct Circuit {
    std::string name{};
    CellModel cell{};
    std::optional<double> state_of_charge{};       // at the start; absent, and no voltage: half
    std::optional<Volts> voltage{};                // rested at this
    std::optional<Cell::State> found{};            // or in the midst of something
    std::shared_ptr<const Recording> recording{};  // instead of a cell
    Playback::Between between = Playback::Between::hold;
    Ohms leads{};  // both leads and joints, outside the meter's reach
    Terminal source{};
    Terminal contactor{};  // no_instrument: none, always closed
  };
  // A meter input at a circuit's cell, or a thermometer input on its body.
  struct Probe {
    Terminal input;
    std::size_t circuit = 0;
  };
  std::vector<Device> devices;  // indexed by InstrumentId
  std::vector<Circuit> circuits;
  std::vector<Probe> probes;
  // In the seam of orders: how long an asker waits for a mute instrument before it gives up.
  Duration answer_deadline = std::chrono::milliseconds(500);
};

}  // namespace chargewright::drivers::simulated

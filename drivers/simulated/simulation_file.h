#pragma once
// The file that describes a served bench: devices and where each is served, cells or recordings,
// and the circuits that join them.
//
//   simulation: hut-bench
//   speed: 60                                # simulated seconds in one real second
//   control: tcp://127.0.0.1:0               # or unix:///run/user/1000/hut-bench.sock; may be
//   absent devices:
//     supply:
//       role: supply                         # supply, meter, thermometer, switch
//       serve: tcp://127.0.0.1:0             # port 0: one is chosen; `pty`, or
//       pty:///path/of/a/link ratings: {voltage: 20 V, current: 20 A, power: 200 W} resolution:
//       {voltage: 1 mV, current: 1 mA}
//     meter: {role: meter, serve: pty}
//     probe: {role: thermometer, channels: 2, lag: 5 s, serve: tcp://127.0.0.1:0}
//   cells:
//     radio: {chemistry: li-ion-nmc, capacity: 2.4 Ah, charge: 20 %}   # or voltage: 3.4 V; model:
//     measured: {playback: charge.csv, between: linear}                # or hold
//   circuits:
//     left: {cell: radio, source: supply, leads: 20 mohm, meter: meter, temperature: [probe/1]}

#include <string>
#include <vector>

#include "drivers/document.h"
#include "drivers/simulated/bench_model.h"

namespace chargewright::drivers::simulated {

// Where something is served. Only addresses of this machine.
struct Served {
  enum class Kind : std::uint8_t { nowhere, tcp, pty, unix_socket } kind = Kind::nowhere;
  std::string host;        // numeric
  std::uint16_t port = 0;  // 0: the system chooses
  std::string path;        // of a unix socket, or of a symbolic link to the pty (may be empty)
  std::uint8_t connections = 16;  // of TCP, at a time; others wait until one is closed
};

struct Simulation {
  std::string name;
  double speed = 1;
  Served control;
  BenchModel bench;
  std::vector<Served> serve;  // by device
};

// Recordings are looked for beside the file.
Checked<Simulation> read_simulation(const Document& document);

}  // namespace chargewright::drivers::simulated

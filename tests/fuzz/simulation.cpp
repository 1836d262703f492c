// Simulation files and recordings: what loads is a bench that runs, in finite numbers; what does
// not says why and where. An input that begins with `time_s` is a recording.

#include "drivers/simulated/simulation_file.h"

#include <cmath>

#include "drivers/simulated/bench.h"
#include "drivers/simulated/playback.h"
#include "tests/fuzz/fuzz.h"

namespace chargewright::fuzz {
namespace {

using namespace drivers;
using namespace drivers::simulated;

void play(const std::string& text) {
  auto recording = parse_recording(text, "fuzzed.csv");
  if (!recording) {
    claim_explained(recording.error());
    return;
  }
  const auto shared = std::make_shared<const Recording>(std::move(*recording));
  for (const auto between : {Playback::Between::hold, Playback::Between::linear}) {
    Playback playback{shared, between};
    playback.output(true);
    for (int i = 0; i < 40; ++i) {
      playback.advance(std::chrono::milliseconds(1 << (i / 2)));
      CLAIM(std::isfinite(playback.voltage().value()));
      CLAIM(std::isfinite(playback.current().value()));
      CLAIM(std::isfinite(playback.temperature().value()));
      CLAIM(std::isfinite(playback.source_voltage().value()));
    }
  }
}

void run(const Simulation& simulation) {
  CLAIM(problems_of(simulation.bench).empty());
  CLAIM(simulation.serve.size() == simulation.bench.devices.size());
  CLAIM(simulation.speed > 0 && std::isfinite(simulation.speed));
  Instant now{};
  Bench bench{simulation.bench, now};
  for (std::size_t k = 0; k < bench.circuits().size(); ++k) {
    const Terminal source = simulation.bench.circuits[k].source;
    SupplyOutput& output = bench.output(source.device, source.channel);
    output.set_voltage(output.model().voltage_max);
    output.set_current(output.model().current_max);
    bench.changed(source.device, source.channel);
    bench.switch_output(source.device, source.channel, true);
  }
  for (int i = 0; i < 30; ++i) {
    now += std::chrono::milliseconds(100 << (i / 4));
    bench.advance(now);
    for (const Circuit& circuit : bench.circuits()) {
      CLAIM(std::isfinite(circuit.current().value()));
      CLAIM(std::isfinite(circuit.voltage().value()));
      CLAIM(std::isfinite(circuit.temperature().value()));
    }
  }
}

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  const std::string text(reinterpret_cast<const char*>(data), size);
  if (text.starts_with("time_s")) {
    play(text);
    return 0;
  }
  static const bool has_recording = [] {
    write_file(
        folder() + "/charge.csv",
        "time_s,voltage_V,current_A,temperature_C\n0,3.4,0,20\n10,3.6,2,21\n60,4.2,0.1,25\n");
    return true;
  }();
  CLAIM(has_recording);
  const auto document = chargewright::drivers::parse_document(text, folder() + "/fuzzed.yaml");
  if (!document) {
    claim_explained(document.error());
    return 0;
  }
  const auto simulation = chargewright::drivers::simulated::read_simulation(*document);
  if (!simulation) {
    claim_explained(simulation.error());
    return 0;
  }
  run(*simulation);
  return 0;
}

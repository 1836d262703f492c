#pragma once
// A served simulated bench whose output is on, and the cut sheet that a daemon would render of it:
// a supply over TCP that measures its own current, a contactor on a pseudo-terminal, and a meter
// that no cut needs.

#include <string>

#include "safety/dead_man/cut_sheet.h"
#include "tests/bench/served_bench.h"

namespace chargewright::test {

class LiveBench {
 public:
  LiveBench();
  [[nodiscard]] Simulator& simulator() { return simulator_; }
  // `late_after`: generous, for tests that are not about silence.
  [[nodiscard]] safety::CutSheet sheet(
      std::chrono::milliseconds late_after = std::chrono::seconds(10)) const;
  [[nodiscard]] std::string log_file() const { return folder_.path() + "/dead-man.log"; }
  [[nodiscard]] std::string log() const;  // what stands there
  // As the last words of a daemon would that the network carried on.
  void switch_on();

 private:
  Scratch folder_;
  Simulator simulator_;
};

}  // namespace chargewright::test

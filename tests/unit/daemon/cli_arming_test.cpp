// A command that starts a run waits for as long as the daemon may arm.
#include "daemon/cli/arming.h"

#include "tests/unit/daemon/shipped_bench.h"

namespace chargewright::daemon {
namespace {

class AStart : public ShippedBench {};

TEST_F(AStart, is_waited_for_longer_than_the_slowest_bench_may_arm) {  // S1
  constexpr int sequencer_patience = 2 + 4;  // for the outputs to be off first, and for the arming
  left().every = std::chrono::seconds(60);   // the slowest that a bench file may ask for
  const auto plan = profiles::plant_of(bench).channels.front();
  EXPECT_GT(arming_within, sequencer_patience * plan.arm_within);
}

}  // namespace
}  // namespace chargewright::daemon

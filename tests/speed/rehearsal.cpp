// A two-hour CC-CV charge in 1 s steps, on a cell with two RC pairs and its temperature: the whole
// rehearsal (sequencer, guard, interlock, simulated instruments) against the bare loop that only
// integrates the same model over the same time. Target: at most 5 ms, and at most 3 times the loop.
#include <algorithm>
#include <chrono>
#include <cstdio>
#include <vector>

#include "daemon/plan/rehearse.h"
#include "drivers/simulated/cell.h"
#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;

profiles::Cell two_pair_cell() {
  profiles::Cell cell = hut::cell(30.0_mohm);
  cell.model.rc[0] = {15.0_mohm, 1000.0_F};
  cell.model.rc[1] = {25.0_mohm, 12'000.0_F};
  return cell;
}

// 1.1 A at most: full after something more than two hours.
constexpr double amperes = 1.1;
constexpr int seconds_in_all = 7200;

double bare_loop(const profiles::Cell& file) {
  auto cell = drivers::simulated::Cell::with_voltage(file.model, file.voltage.empty);
  const drivers::Amperes most = drivers::amperes(amperes);
  bool constant_voltage = false;
  double sum = 0;
  for (int i = 0; i < seconds_in_all; ++i) {
    if (constant_voltage) {
      cell.advance_held(1s, 4.2_V, drivers::ohms(0));
    } else {
      cell.advance(1s, most);
      constant_voltage = cell.terminal(most) >= 4.2_V;
    }
    sum += cell.temperature().value();
  }
  return sum;
}

Rehearsal whole(const profiles::Bench& bench, const profiles::Cell& cell) {
  const auto steps =
      procedure({charge(drivers::amperes(amperes), 4.2_V,
                        when(compare(profiles::Subject::step_time, profiles::Comparison::at_least,
                                     seconds_in_all)))});
  return rehearse({.bench = bench, .cell = cell, .procedure = steps, .plan = plan()});
}

template <class Work>
double best_of(int times, Work work) {
  double best = 1e9;
  for (int i = 0; i < times; ++i) {
    const auto begin = std::chrono::steady_clock::now();
    work();
    const std::chrono::duration<double, std::milli> took = std::chrono::steady_clock::now() - begin;
    best = std::min(best, took.count());
  }
  return best;
}

int measure() {
  const profiles::Cell cell = two_pair_cell();
  const profiles::Bench bench = hut::bench();
  const Rehearsal run = whole(bench, cell);
  if (run.phase != Phase::done) {
    std::printf("the rehearsal did not end well: %s\n", std::string(key_of(run.phase)).c_str());
    return 1;
  }
  volatile double sink = 0;
  const double loop = best_of(50, [&] { sink = bare_loop(cell); });
  const double all = best_of(50, [&] { sink = whole(bench, cell).charge_in_ah; });
  std::printf("rehearsal of %.0f s in 1 s steps: %.3f ms (target 5 ms)\n",
              drivers::in_seconds(run.duration), all);
  std::printf("bare model integration loop:     %.3f ms\n", loop);
  std::printf("ratio: %.2f (target 3)\n", all / loop);
  return 0;
}

}  // namespace
}  // namespace chargewright::daemon

int main() { return chargewright::daemon::measure(); }

#pragma once
// The plant that the guard is given: what the bench file says, with what each source's dialect can
// do, how exactly it sets and how far two instruments may differ by their accuracies.

#include <vector>

#include "drivers/dialect.h"
#include "profiles/bench.h"
#include "profiles/bench_times.h"
#include "safety/plant.h"

namespace chargewright::daemon {

safety::SourceAbilities abilities_of(const drivers::Dialect& dialect);

// `dialects` by InstrumentId, as many as the bench has instruments.
safety::Plant make_plant(const profiles::Bench& bench,
                         const std::vector<drivers::Dialect>& dialects);

// What the response-time budget rests on besides the bench file (S7). `measured`: worst round trips
// by InstrumentId, in real time, zero where none is known; may be shorter. A bench whose clock is
// sped up, which only a simulated one can be, is judged as at its own pace: that its answers take
// real time there is no property of any bench.
profiles::Basis basis_of(const profiles::BenchChannel& channel,
                         const std::vector<drivers::Dialect>& dialects,
                         const std::vector<drivers::Duration>& measured);

// Two instruments that measure the same may differ by the sum of their accuracies at the highest
// value the source can make, and 5 mV or 5 mA; more than that is a disagreement (S3), once the
// leads have been accounted for. What the bench file says itself rules where it is wider.
void widen_disagreement(const profiles::Bench& bench, const profiles::BenchChannel& channel,
                        safety::ChannelPlan& plan);

// Links and instruments answer in the time of the wall, whatever the speed of the clock: the
// deadlines that wait for them are stretched by the factor, so that a sped-up bench gets the same
// real time as a real one. Ages, heartbeat and limits are the cell's own and stay.
void stretch_for_speed(safety::Plant& plant, double speed);

}  // namespace chargewright::daemon

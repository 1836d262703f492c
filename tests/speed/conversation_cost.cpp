// What one measurement costs in processor time from order to outcome: composing the question,
// framing and reading the answer, keeping the conversation. Baseline of the same run: reading the
// number alone, with strtod.

#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <string>

#include "drivers/instrument.h"
#include "tests/support/places.h"

namespace {

using namespace chargewright::drivers;

template <class Work>
double nanoseconds_each(int times, Work work) {
  const auto from = std::chrono::steady_clock::now();
  for (int i = 0; i < times; ++i) work(i);
  const std::chrono::duration<double, std::nano> took = std::chrono::steady_clock::now() - from;
  return took.count() / times;
}

}  // namespace

int main() {
  auto dialect = load_dialect("scpi-supply", {chargewright::test::in_source("drivers/dialects")});
  if (!dialect) {
    std::fprintf(stderr, "%s\n", describe(dialect.error()).c_str());
    return 1;
  }
  Instrument instrument({.name = "supply", .id = 0, .identity = "", .dialect = *dialect});
  instrument.link_up(Instant{});
  for (const char* nonce : {"16\n", "17\n"}) {
    instrument.written(instrument.to_write().size());
    instrument.receive(nonce, Instant{});
  }

  constexpr int times = 1'000'000;
  const char* const answer = "+4.17301200E+00\n";
  volatile double sink = 0;
  const double baseline =
      nanoseconds_each(times, [&](int) { sink = sink + std::strtod(answer, nullptr); });

  double sum = 0;
  int done = 0;
  const auto take = [&] {
    for (Outcome outcome; instrument.take(outcome);) {
      done += outcome.ending == Ending::done ? 1 : 0;
      sum += outcome.value;
    }
  };
  const double measure = nanoseconds_each(times, [&](int i) {
    const Instant now{std::chrono::microseconds(i)};
    instrument.order({.verb = Verb::measure_voltage}, now);
    instrument.written(instrument.to_write().size());
    instrument.receive(answer, now);
    take();
  });
  const double set = nanoseconds_each(times, [&](int i) {
    const Instant now{std::chrono::microseconds(times + i)};
    instrument.order({.verb = Verb::set_voltage, .value = 4.173012}, now);
    instrument.written(instrument.to_write().size());
    instrument.turn(now);
    instrument.written(instrument.to_write().size());
    instrument.receive(answer, now);
    take();
  });
  if (done != 2 * times) {
    std::fprintf(stderr, "only %d of %d orders done\n", done, 2 * times);
    return 1;
  }
  std::printf("strtod alone          %6.0f ns\n", baseline);
  std::printf("measure, order to end %6.0f ns  %5.1f of it\n", measure, measure / baseline);
  std::printf("set and prove         %6.0f ns  %5.1f of it\n", set, set / baseline);
  return 0;
}

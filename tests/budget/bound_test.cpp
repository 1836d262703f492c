// No measured time or overshoot beyond the response-time budget, over thousands of random benches
// and cells; and none of the bounds so wide that it says nothing (S7).

#include <gtest/gtest.h>

#include "tests/budget/score.h"

namespace chargewright::test {
namespace {

using safety::Cause;

constexpr std::uint64_t first_seed = 1;
constexpr std::uint64_t seeds = 250;  // more: budget_trials FIRST COUNT
constexpr double nearest_least = 1.0 / 3;

void expect_within(Cause cause, Path path) {
  const Score found = score(cause, path, first_seed, seeds);
  EXPECT_GE(found.crossed, found.tried / 10);
  for (const std::string& broken : found.broken) ADD_FAILURE() << broken;
  EXPECT_GE(found.nearest_time, nearest_least);
  if (path == Path::source) {
    EXPECT_GE(found.nearest_overshoot, nearest_least);
  }
}

class Bound : public testing::TestWithParam<Cause> {};

TEST_P(Bound, holds_and_is_no_more_than_three_times_the_worst_where_the_source_obeys) {  // S7
  expect_within(GetParam(), Path::source);
}

TEST_P(Bound, holds_where_only_the_contactor_obeys) {  // S7 S4
  expect_within(GetParam(), Path::contactor);
}

class ReadBound : public testing::TestWithParam<Cause> {};

TEST_P(ReadBound, holds_where_the_reading_fails_at_the_crossing) {  // S7 S3
  expect_within(GetParam(), Path::unread);
}

std::string name(const testing::TestParamInfo<Cause>& info) {
  std::string key(safety::key_of(info.param));
  std::replace(key.begin(), key.end(), '-', '_');
  return key;
}

INSTANTIATE_TEST_SUITE_P(Budget, Bound,
                         testing::Values(Cause::voltage_high, Cause::current_high,
                                         Cause::power_high, Cause::temperature_high,
                                         Cause::temperature_rising, Cause::charge_high,
                                         Cause::energy_high, Cause::run_time, Cause::step_time),
                         name);
INSTANTIATE_TEST_SUITE_P(Budget, ReadBound,
                         testing::Values(Cause::voltage_high, Cause::current_high,
                                         Cause::power_high, Cause::temperature_high,
                                         Cause::charge_high, Cause::energy_high),
                         name);

}  // namespace
}  // namespace chargewright::test

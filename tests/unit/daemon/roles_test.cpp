// A bench on which an instrument cannot do what its part on a channel needs is refused as it is
// read.
#include "daemon/bench/roles.h"

#include <gtest/gtest.h>

#include "tests/unit/daemon/shipped_bench.h"

namespace chargewright::daemon {
namespace {

using drivers::Verb;

class Roles : public ShippedBench {
 protected:
  Roles() { left().voltmeter = {.instrument = meter}; }
  void lacks(std::size_t instrument, Verb verb) {
    dialects[instrument].verbs[static_cast<std::size_t>(verb)].absent = true;
  }
  std::string why() const { return describe(unfit(bench, dialects)); }
};

TEST_F(Roles, are_met_by_the_shipped_dialects) {  // S1
  EXPECT_EQ(why(), "");
  left().voltmeter = left().source;
  EXPECT_EQ(why(), "");
}

TEST_F(Roles, are_not_met_by_a_meter_as_a_thermometer) {  // S1 S3
  left().thermometers.push_back({.instrument = 1});
  EXPECT_EQ(why(),
            "channel `left` takes its temperature from `meter`, but its dialect `of-the-meter` has "
            "no `measure-temperature`; name another instrument, or spell the verb in the dialect");
}

TEST_F(Roles, need_each_of_their_verbs) {  // S1 S4
  const struct {
    std::size_t instrument;
    Verb verb;
  } needed[] = {{0, Verb::set_voltage},     {0, Verb::set_current},
                {0, Verb::output_on},       {0, Verb::output_off},
                {0, Verb::measure_voltage}, {0, Verb::measure_current},
                {1, Verb::measure_voltage}, {2, Verb::measure_temperature},
                {3, Verb::open_switch},     {3, Verb::close_switch}};
  for (const auto& [instrument, verb] : needed) {
    const auto all = dialects;
    lacks(instrument, verb);
    EXPECT_NE(why().find("has no `" + std::string(key_of(verb)) + '`'), std::string::npos)
        << key_of(verb) << ": " << why();
    dialects = all;
  }
  lacks(1, Verb::measure_current);  // another reads the current
  EXPECT_EQ(why(), "");
  left().ammeter = {.instrument = 1};
  EXPECT_NE(why().find("takes its current from `meter`"), std::string::npos) << why();
}

// What these would add is left out, and `check` says so.
TEST_F(Roles, do_without_what_only_shows_more) {  // S1
  for (const Verb verb : {Verb::drain_errors, Verb::read_voltage_setpoint, Verb::read_output,
                          Verb::set_over_voltage, Verb::set_over_current, Verb::read_protection,
                          Verb::clear_protection, Verb::read_regulation}) {
    lacks(0, verb);
  }
  lacks(3, Verb::read_switch);
  EXPECT_EQ(why(), "");
}

}  // namespace
}  // namespace chargewright::daemon

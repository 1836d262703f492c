#pragma once
// An interlock in the middle of a charge, shown one reading after the other.

#include <gtest/gtest.h>

#include "safety/interlock.h"
#include "support.h"

namespace chargewright::safety::testing {

// The output on, and 4.20 V and 2.4 A proved.
inline Expected charging_since(Instant since) {
  Expected expected;
  expected.output_on = true;
  expected.since = expected.setpoints_since = since;
  expected.voltage_setpoint = 4.20_V;
  expected.current_setpoint = 2.4_A;
  return expected;
}

// An interlock that enforces, with the output on at 4.20 V and 2.4 A and every reading good.
class Energised : public ::testing::Test {
 protected:
  explicit Energised(const ChannelPlan& p = plan_of({.ammeter = true, .thermometers = 2}),
                     const Limits& limits = cell_limits())
      : plan(p), interlock(p, 0) {
    interlock.enforce(limits, at(0s));
    interlock.expect(charging_since(at(0s)));
    now = at(100ms);
    good_readings();
  }

  // A run begins now, and the output is on; its setpoints are not proved, and so not judged.
  void begin_run(const Limits& limits) {
    interlock.enforce(limits, now);
    Expected expected;
    expected.output_on = true;
    expected.since = now;
    expected.setpoints_since = drivers::never;
    interlock.expect(expected);
  }
  void see(drivers::InstrumentId instrument, std::uint8_t channel, Verb verb, double value,
           Ending ending = Ending::done) {
    interlock.see(outcome(instrument, channel, verb, value, now, ending));
  }
  void measured_readings() {
    see(supply, 0, Verb::measure_voltage, source_volts);
    see(voltmeter, 0, Verb::measure_voltage, cell_volts);
    see(supply, 0, Verb::measure_current, amperes);
    see(ammeter, 0, Verb::measure_current, amperes);
    see(thermometer, 1, Verb::measure_temperature, 25);
    see(thermometer, 2, Verb::measure_temperature, celsius);
  }
  void good_readings() {
    measured_readings();
    see(supply, 0, Verb::read_output, 1);
    see(supply, 0, Verb::read_protection, 0);
    see(supply, 0, Verb::read_voltage_setpoint, 4.20);
    see(supply, 0, Verb::read_current_setpoint, 2.4);
    interlock.sequencer_alive(now);
  }
  Verdict judge() { return interlock.judge(now); }
  Cause worst() { return judge().worst.cause; }
  bool present(Cause cause) { return names(judge(), cause); }
  // Good readings every 100 ms, the ones given in `but` instead.
  template <class But>
  void pass(Duration time, But but) {
    for (const Instant end = now + time; now < end;) {
      now += 100ms;
      good_readings();
      but();
      last = judge();
    }
  }

  ChannelPlan plan;
  Interlock interlock;
  Instant now;
  Verdict last;
  double source_volts = 3.80;
  double cell_volts = 3.76;
  double amperes = 2.4;
  double celsius = 26;
};

// For the rules one by one: the same, whose run may begin anew with other limits.
class Rules : public Energised {
 protected:
  Rules() : Rules(plan_of({.ammeter = true, .thermometers = 2})) {}
  explicit Rules(const ChannelPlan& p, const Limits& l = cell_limits())
      : Energised(p, l), limits(l) {}
  // Begins anew with the limits as they are now.
  void enforce(Instant since) {
    interlock.enforce(limits, now);
    interlock.expect(charging_since(since));
    good_readings();
  }
  void enforce() { enforce(now); }
  void expect_off(Instant since) {
    Expected off;
    off.output_on = false;
    off.since = since;
    interlock.expect(off);
  }
  Fault found(Cause cause) {
    judge();
    return interlock.found(cause);
  }
  Limits limits;
};

}  // namespace chargewright::safety::testing

// The guard allocates nothing once it runs: a cut waits for no heap.
#include <gtest/gtest.h>

#include "allocation_counter.h"
#include "support.h"

namespace chargewright::safety::testing {
namespace {

TEST(Guard, allocates_nothing_from_start_through_charge_cut_and_rearming) {
  // The story's own bench allocates, so its part is answered here by hand, in place.
  Guard guard(plant_of(plan_of(Fittings{.ammeter = true, .contactor = true, .thermometers = 4})));
  Instant now = at(0s);
  double volts = 0;
  double amperes = 0;
  bool on = false;
  double cell = 3.7;
  const auto answer = [&](const Order& order) {
    double value = 0;
    switch (order.verb) {
      case Verb::set_voltage:
        value = volts = order.value;
        break;
      case Verb::set_current:
        value = amperes = order.value;
        break;
      case Verb::read_voltage_setpoint:
        value = volts;
        break;
      case Verb::read_current_setpoint:
        value = amperes;
        break;
      case Verb::output_on:
        on = true;
        break;
      case Verb::output_off:
        on = false;
        break;
      case Verb::read_output:
        value = on ? 1 : 0;
        break;
      case Verb::identify:
        value = 1;
        break;
      case Verb::measure_voltage:
        value = cell;
        break;
      case Verb::measure_current:
        value = on ? amperes : 0;
        break;
      case Verb::measure_temperature:
        value = 25;
        break;
      default:
        break;
    }
    Outcome done;
    done.order = order;
    done.ending = Ending::done;
    done.value = value;
    done.asked = done.answered = now;
    return done;
  };
  Snapshot snapshot;
  const auto pass = [&](Duration time) {
    for (const Instant end = now + time; now < end; now += 100ms) {
      Request alive;
      guard.request(alive, now);
      for (bool any = true; any;) {
        any = false;
        guard.turn(now);
        Order order;
        while (guard.take_order(order)) {
          guard.see(answer(order), now);
          any = true;
        }
        Event event;
        while (guard.take_event(event)) {
        }
      }
    }
    guard.snapshot(snapshot, now);
  };
  const std::size_t before = allocations();
  guard.start(now);
  pass(1s);
  ASSERT_EQ(snapshot.channel[0].state, State::off);
  Request request;
  request.kind = Request::Kind::arm;
  request.plan = run_plan();
  guard.request(request, now);
  pass(1s);
  ASSERT_EQ(snapshot.channel[0].state, State::ready);
  for (int k = 0; k < 200; ++k) {
    request.kind = Request::Kind::charge;
    request.voltage = 4.2_V;
    request.current = drivers::amperes(1.0 + 0.01 * k);
    guard.request(request, now);
    cell += 0.001;
    pass(1s);
  }
  ASSERT_EQ(snapshot.channel[0].state, State::energised);
  cell = 4.5;
  pass(1s);
  ASSERT_EQ(snapshot.channel[0].state, State::tripped);
  cell = 4.0;
  pass(5s);
  request.kind = Request::Kind::acknowledge;
  guard.request(request, now);
  pass(1s);
  ASSERT_EQ(snapshot.channel[0].state, State::off);
  guard.shut_down(now);
  pass(1s);
  EXPECT_EQ(allocations(), before);
}

}  // namespace
}  // namespace chargewright::safety::testing

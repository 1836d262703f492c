// The response-time budget (S7): each term where it belongs, and each overshoot by hand.

#include "safety/budget.h"

#include <gtest/gtest.h>

#include "tests/unit/safety/support.h"

namespace chargewright::safety::testing {
namespace {

// A supply, a voltmeter and a thermometer of their own, answering in 4, 6 and 8 ms; a cell of
// 1000 F per volt, 10 mohm and one pair of 20 mohm and 500 F, of 50 J/K.
struct Story {
  Plant plant;
  Limits limits;
  BudgetSetup setup{.plant = plant, .limits = limits};

  explicit Story(const Fittings& fittings = {}) : plant(plant_of(plan_of(fittings))) {
    setup.instruments[supply] = {.round_trip = 4ms, .settle = 1ms, .settling = 20ms};
    setup.instruments[voltmeter] = {.round_trip = 6ms};
    setup.instruments[thermometer] = {.round_trip = 8ms};
    setup.instruments[ammeter] = {.round_trip = 10ms};
    setup.instruments[contactor] = {.round_trip = 12ms, .settling = 30ms};
    setup.cell.differential = drivers::farads(1000);
    setup.cell.pair_capacities = {drivers::farads(500), drivers::farads(0)};
    setup.cell.cold = {.series = 10.0_mohm, .pairs = {20.0_mohm, 0.0_mohm}};
    setup.cell.warm = {.series = 5.0_mohm, .pairs = {10.0_mohm, 0.0_mohm}};
    setup.cell.heat_capacity = drivers::joules_per_kelvin(50);
    setup.steered = 2.0_A;
    setup.armed = {.voltage = 4.30_V, .current = 4.0_A, .power = 16.0_W};
    setup.bare = {.voltage = 20.0_V, .current = 20.0_A, .power = 200.0_W};
  }
  ChannelPlan& channel() { return plant.channels[0]; }
  BudgetLine line(Cause cause) const {
    const Budget budget = budget_of(setup);
    const BudgetLine* found = budget.of(cause);
    EXPECT_NE(found, nullptr) << key_of(cause);
    return found == nullptr ? BudgetLine{} : *found;
  }
};

TEST(Budget, counts_interval_link_judging_cut_and_settling) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.24_V);
  const BudgetTerms terms = story.line(Cause::voltage_high).source.terms;
  EXPECT_EQ(terms.interval, 100ms);
  EXPECT_EQ(terms.link, 6ms);  // the voltmeter is asked for nothing else
  EXPECT_EQ(terms.on_delay, 0ms);
  EXPECT_EQ(terms.judging, 5ms);
  EXPECT_EQ(terms.cut, 8ms);  // at one answer at most, then the off
  EXPECT_EQ(terms.settling, 20ms);
  EXPECT_EQ(story.line(Cause::voltage_high).source.time, 139ms);
  story.setup.instruments[supply].between = 3ms;  // the off waits for the pause, too
  EXPECT_EQ(story.line(Cause::voltage_high).source.terms.cut, 2 * 7ms);
}

// Their cut may be repeated at that moment: an off, and two setpoints that go to zero.
TEST(Budget, keeps_the_pauses_of_what_goes_to_other_outputs_first) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.24_V);
  story.plant.channels.push_back(story.plant.channels[0]);
  story.plant.channels[1].source.channel = 2;
  EXPECT_EQ(story.line(Cause::voltage_high).source.terms.cut, 5 * 4ms);
  story.setup.instruments[supply].between = 3ms;
  EXPECT_EQ(story.line(Cause::voltage_high).source.terms.cut, 5 * 7ms);
}

// Of the supply: voltage and current, one readback of the round, its errors, and both setpoints and
// both protections, each a command and the question that proves it.
TEST(Budget, lets_a_reading_wait_for_everything_else_that_its_instrument_is_asked) {  // S7
  Story story;
  story.limits.current_above = limit(4.0_A);
  EXPECT_EQ(story.line(Cause::current_high).source.terms.link, 8 * 4ms + 4 * 1ms);
  story.setup.instruments[supply].between = 3ms;
  EXPECT_EQ(story.line(Cause::current_high).source.terms.link, 4 * 7ms + 4 * (4ms + 2 * 3ms + 1ms));
  for (const bool over_voltage : {true, false}) {
    story.channel().abilities = {.reads_setpoints = false,
                                 .reads_output = false,
                                 .over_voltage_protection = over_voltage,
                                 .over_current_protection = !over_voltage,
                                 .reads_protection = false,
                                 .reads_regulation = false,
                                 .drains_errors = false};
    EXPECT_EQ(story.line(Cause::current_high).source.terms.link,
              2 * 7ms + 3 * (4ms + 2 * 3ms + 1ms));
  }
}

TEST(Budget, waits_a_whole_number_of_intervals_for_an_instrument_that_is_not_done) {  // S7
  Story story;
  story.limits.current_above = limit(4.0_A);
  story.setup.instruments[supply].round_trip = 14ms;  // 116 ms in a cycle: the round piles up
  const BudgetTerms terms = story.line(Cause::current_high).source.terms;
  EXPECT_EQ(terms.link, (2 + 5 + 1 + 4) * 14ms + 4 * 1ms);
  EXPECT_EQ(terms.interval, 200ms);
}

TEST(Budget, never_waits_longer_than_a_reading_may_be_old) {  // S7, S3
  Story story;
  story.limits.current_above = limit(4.0_A);
  story.setup.instruments[supply].round_trip = 60ms;  // 724 ms to answer everything
  Budget budget = budget_of(story.setup);
  EXPECT_EQ(budget.too_slow, supply);
  const BudgetTerms& terms = budget.of(Cause::current_high)->source.terms;
  EXPECT_EQ(terms.interval + terms.link, 500ms);
  story.setup.instruments[supply].round_trip = 4ms;
  EXPECT_EQ(budget_of(story.setup).too_slow, drivers::no_instrument);
}

TEST(Budget, counts_what_other_channels_ask_of_the_same_instrument) {  // S7
  Story story;
  story.limits.temperature_above = limit(45.0_degC);
  EXPECT_EQ(story.line(Cause::temperature_high).source.terms.link, 8ms);
  story.plant.channels.push_back(story.plant.channels[0]);
  EXPECT_EQ(story.line(Cause::temperature_high).source.terms.link, 16ms);
}

// What both channels crossed has both cut in one turn: one answer, the other's off and two
// setpoints where that is repeated, and then ours.
TEST(Budget, lets_an_off_wait_for_those_of_other_channels_at_the_same_instrument) {  // S7, S4
  Story story({.contactor = true});
  story.limits.temperature_above = limit(45.0_degC);
  EXPECT_EQ(story.line(Cause::temperature_high).source.terms.cut, 2 * 4ms);
  story.plant.channels.push_back(story.plant.channels[0]);
  story.plant.channels[1].source.channel = 2;
  story.plant.channels[1].contactor->channel = 2;
  const BudgetLine line = story.line(Cause::temperature_high);
  EXPECT_EQ(line.source.terms.cut, 5 * 4ms);
  EXPECT_EQ(line.contactor->terms.cut, 2 * 500ms + 3 * 12ms);
  story.plant.channels[1].source.instrument = contactor;  // a box that does both for the other
  EXPECT_EQ(story.line(Cause::temperature_high).source.terms.cut, 2 * 4ms);
  EXPECT_EQ(story.line(Cause::temperature_high).contactor->terms.cut, 2 * 500ms + 6 * 12ms);
}

TEST(Budget, takes_the_slower_of_two_instruments_where_a_limit_needs_both) {  // S7
  Story story({.voltmeter = true, .ammeter = true});
  story.limits.power_above = limit(16.0_W);
  story.limits.charge_above = limit(2.0_Ah);
  EXPECT_EQ(story.line(Cause::power_high).source.terms.link, 10ms);
  EXPECT_EQ(story.line(Cause::charge_high).source.terms.link, 10ms);
  story.setup.instruments[voltmeter].round_trip = 30ms;
  EXPECT_EQ(story.line(Cause::power_high).source.terms.link, 30ms);
}

TEST(Budget, adds_the_on_delay_of_the_limit) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.24_V, Origin::profile, 200ms);
  EXPECT_EQ(story.line(Cause::voltage_high).source.time, 339ms);
}

TEST(Budget, gives_the_time_by_the_age_of_the_last_reading_where_reading_fails) {  // S7, S3
  Story story;
  story.limits.voltage_above = limit(4.24_V);
  story.limits.run_time = limit(Duration{90min});
  EXPECT_EQ(story.line(Cause::voltage_high).time_unread, 500ms + 5ms + 8ms + 20ms);
  const BudgetLine time = story.line(Cause::run_time);
  EXPECT_EQ(time.time_unread, time.source.time);  // a clock needs no reading
}

TEST(Budget, gives_the_time_in_which_only_the_contactor_obeys) {  // S7, S4
  Story story({.contactor = true});
  story.limits.voltage_above = limit(4.24_V);
  const auto response = story.line(Cause::voltage_high).contactor;
  ASSERT_TRUE(response.has_value());
  EXPECT_EQ(response->terms.cut, 2 * 500ms + 2 * 12ms);
  EXPECT_EQ(response->terms.settling, 30ms);
  EXPECT_EQ(response->time, 106ms + 2 * 5ms + 1024ms + 30ms);
  Story without;
  without.limits.voltage_above = limit(4.24_V);
  EXPECT_FALSE(without.line(Cause::voltage_high).contactor.has_value());
}

// 4 A for 0.139 s: 0.556 mV on 1000 F, 1.112 mV on the pair's 500 F; then 4 A in 10 mohm.
TEST(Budget, lets_the_voltage_climb_by_charge_polarization_and_a_jump_of_the_current) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.00_V);
  story.setup.armed.voltage = 20.0_V;
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot, 0.000556 + 0.001112 + 0.040, 1e-12);
  story.setup.errors.voltage = 2.0_mV;
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot, 0.043668, 1e-12);
}

// 2 s at 500 F would be 16 mV for 4 A, but the pair settles at 4 A x 1 mohm.
TEST(Budget, lets_a_pair_climb_no_further_than_it_settles) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.00_V, Origin::profile, 1861ms);
  story.setup.armed.voltage = 20.0_V;
  story.setup.cell.cold = {.series = 0.0_mohm, .pairs = {1.0_mohm, 0.0_mohm}};
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot, 0.008 + 0.004, 1e-12);
}

// 20 mohm of leads and 10 mohm of cell share the 20 mV, less 1.668 mV that climbed.
TEST(Budget, holds_the_voltage_to_what_the_armed_protection_lets_through_the_leads) {  // S7, S2
  Story story;
  story.limits.voltage_above = limit(4.28_V);
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot, 0.001668 + (0.020 - 0.001668) / 3,
              1e-12);
  story.limits.voltage_above = limit(4.2995_V);
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot, 0.0005, 1e-12);
  story.limits.voltage_above = limit(4.35_V);
  EXPECT_EQ(story.line(Cause::voltage_high).source.overshoot, 0);
}

TEST(Budget, trusts_no_protection_of_a_source_that_ignores_off) {  // S7
  Story story({.contactor = true});
  story.limits.voltage_above = limit(4.35_V);
  story.limits.current_above = limit(4.0_A);
  story.limits.power_above = limit(16.0_W);
  EXPECT_GT(story.line(Cause::voltage_high).contactor->overshoot, 0.2);  // 20 A in 10 mohm
  EXPECT_NEAR(story.line(Cause::current_high).contactor->overshoot, 16.0, 1e-12);
  EXPECT_NEAR(story.line(Cause::power_high).contactor->overshoot, 184.0, 1e-12);
}

TEST(Budget, bounds_current_and_power_by_what_the_source_can_deliver) {  // S7
  Story story;
  story.limits.current_above = limit(3.0_A);
  story.limits.power_above = limit(12.0_W);
  EXPECT_NEAR(story.line(Cause::current_high).source.overshoot, 1.0, 1e-12);
  EXPECT_NEAR(story.line(Cause::power_high).source.overshoot, 4.0, 1e-12);
  story.limits.current_above = limit(5.0_A);
  story.limits.power_above = limit(18.0_W);
  EXPECT_EQ(story.line(Cause::current_high).source.overshoot, 0);
  EXPECT_EQ(story.line(Cause::power_high).source.overshoot, 0);
}

// 4.2 V through 5 mohm of cell and 20 mohm of leads.
TEST(Budget, bounds_a_reverse_current_by_what_the_cell_can_drive) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.20_V);
  story.limits.current_reverse = limit(1.0_A);
  EXPECT_NEAR(story.line(Cause::current_reverse).source.overshoot, 167.0, 1e-9);
  story.limits.voltage_above.reset();
  EXPECT_EQ(story.line(Cause::current_reverse).source.overshoot, HUGE_VAL);
}

// What 4 A held up in 30 mohm falls when they stop.
TEST(Budget, lets_the_voltage_fall_by_what_the_current_held_up) {  // S7
  Story story;
  story.limits.voltage_below = limit(2.50_V);
  EXPECT_NEAR(story.line(Cause::voltage_low).source.overshoot, 0.120, 1e-12);
}

// Before: 2 A in 15 mohm, 1.2 mK/s, for 10 s of lag. From then on 4 A, 4.8 mK/s: for 0.169 s until
// a wrong current would be cut and for 0.141 s until off. The pair: 20 mV, then 4 A on 500 F.
TEST(Budget, heats_by_lag_by_time_and_by_what_the_polarization_gives_up) {  // S7
  Story story;
  story.limits.temperature_above = limit(45.0_degC);
  story.setup.thermometer_lag = 10s;
  const double volts = 0.020 + 4 * 0.141 / 500;
  EXPECT_NEAR(
      story.line(Cause::temperature_high).source.overshoot,
      10 * 0.0012 + 0.169 * (0.0048 - 0.0012) + 0.141 * 0.0048 + 0.5 * 500 * volts * volts / 50,
      1e-9);
  story.setup.errors.temperature = 0.5_K;
  EXPECT_GT(story.line(Cause::temperature_high).source.overshoot, 0.5);
}

// A limit on current that bears a wrong one for 2 s has it heat the cell for 2 s more.
TEST(Budget, heats_by_a_wrong_current_for_the_on_delay_of_its_limit_too) {  // S7
  Story story;
  story.limits.temperature_above = limit(45.0_degC);
  story.limits.current_above = limit(2.0_A);
  const double soon = story.line(Cause::temperature_high).source.overshoot;
  story.limits.current_above->on_delay = 2s;
  EXPECT_NEAR(story.line(Cause::temperature_high).source.overshoot, soon + 2 * (0.0048 - 0.0012),
              1e-12);
}

TEST(Budget, lets_no_charging_make_a_cell_colder) {  // S7
  Story story;
  story.limits.temperature_below = limit(5.0_degC);
  story.setup.errors.temperature = 0.5_K;
  EXPECT_EQ(story.line(Cause::temperature_low).source.overshoot, 0.5);
}

// 33 bins of 2 s, and five lags until the thermometer follows.
TEST(Budget, needs_a_window_of_readings_to_see_a_temperature_rise) {  // S7
  Story story;
  story.limits.temperature_rising = limit(drivers::kelvins_per_second(0.001));
  story.setup.thermometer_lag = 4s;
  const BudgetLine line = story.line(Cause::temperature_rising);
  EXPECT_EQ(line.source.terms.interval, 100ms + 66s + 20s);
  EXPECT_NEAR(line.source.overshoot, 0.0096 - 0.001, 1e-12);  // 4 A in 30 mohm, however cold
  EXPECT_EQ(budget_of(story.setup).too_slow, drivers::no_instrument);
  EXPECT_EQ(line.time_unread, line.source.time);
  story.channel().every = 3s;
  story.channel().allowed_age = 15s;
  EXPECT_EQ(story.line(Cause::temperature_rising).source.terms.interval, 3s + 99s + 20s);
}

// 4 A and 16 W for 0.169 s, and half an interval that the trapezoid may have missed.
TEST(Budget, passes_charge_and_energy_until_off) {  // S7
  Story story;
  story.limits.charge_above = limit(2.0_Ah);
  story.limits.energy_above = limit(8.0_Wh);
  EXPECT_EQ(story.line(Cause::charge_high).source.terms.interval, 150ms);
  EXPECT_NEAR(story.line(Cause::charge_high).source.overshoot, 4 * 0.219, 1e-9);
  EXPECT_NEAR(story.line(Cause::energy_high).source.overshoot, 16 * 0.219, 1e-9);
  story.setup.errors = {.charge = drivers::coulombs(7), .energy = drivers::joules(9)};
  EXPECT_NEAR(story.line(Cause::charge_high).source.overshoot, 7 + 4 * 0.219, 1e-9);
  EXPECT_NEAR(story.line(Cause::energy_high).source.overshoot, 9 + 16 * 0.219, 1e-9);
}

// No reading is needed; an output counts as on from when that was proved, 9 ms late.
TEST(Budget, needs_no_reading_for_a_limit_on_time) {  // S7
  Story story;
  story.limits.run_time = limit(Duration{90min});
  story.limits.step_time = limit(Duration{30min});
  EXPECT_EQ(story.line(Cause::run_time).source.time, 33ms);
  EXPECT_NEAR(story.line(Cause::run_time).source.overshoot, 0.042, 1e-12);
  EXPECT_NEAR(story.line(Cause::step_time).source.overshoot, 0.033, 1e-12);
}

// 300 ms more at 4 A would be 1.2 mV and 2.4 mV more; the limit behind the on-delay stops it at
// 1 mV beyond, where the first reading trips.
TEST(Budget, lets_a_limit_at_once_shorten_an_on_delay) {  // S7
  Story story;
  story.setup.armed.voltage = 20.0_V;
  story.setup.cell.cold.series = 0.0_mohm;
  story.limits.voltage_above = limit(4.20_V, Origin::profile, 300ms);
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot, 4 * 0.439 * 0.003, 1e-12);
  story.limits.voltage_above->at_once = AtOnce<drivers::Volts>{4.201_V, Origin::cell};
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot, 0.001 + 4 * 0.139 * 0.003, 1e-12);
  story.limits.voltage_above->at_once = AtOnce<drivers::Volts>{4.25_V, Origin::cell};
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot, 4 * 0.439 * 0.003, 1e-12);
}

TEST(Budget, shortens_every_on_delay_by_what_stands_behind_it) {  // S7
  Story story({.contactor = true});
  story.limits = cell_limits();
  const auto behind = [](auto& limit) {
    limit->on_delay = 1h;
    limit->at_once = {limit->value, Origin::cell};
  };
  const Budget at_once = budget_of(story.setup);
  Limits& l = story.limits;
  behind(l.voltage_above);
  behind(l.voltage_below);
  behind(l.current_above);
  behind(l.current_reverse);
  behind(l.power_above);
  behind(l.temperature_above);
  behind(l.temperature_below);
  behind(l.temperature_rising);
  behind(l.charge_above);
  behind(l.energy_above);
  behind(l.run_time);
  behind(l.step_time);
  const Budget delayed = budget_of(story.setup);
  ASSERT_EQ(delayed.lines.size(), at_once.lines.size());
  for (std::size_t k = 0; k < delayed.lines.size(); ++k) {
    EXPECT_NEAR(delayed.lines[k].source.overshoot, at_once.lines[k].source.overshoot, 1e-9);
    EXPECT_NEAR(delayed.lines[k].contactor->overshoot, at_once.lines[k].contactor->overshoot, 1e-9);
  }
}

TEST(Budget, tells_two_outputs_of_an_instrument_from_one) {  // S7
  Story story({.voltmeter = false});
  story.limits.voltage_above = limit(4.24_V);
  const Duration one = story.line(Cause::voltage_high).source.terms.link;
  story.channel().voltmeter.channel = 2;  // the same instrument, another input: one question more
  EXPECT_EQ(story.line(Cause::voltage_high).source.terms.link, one + 4ms);
}

TEST(Budget, asks_nothing_of_an_instrument_for_a_channel_that_has_no_part_in_it) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.24_V);
  story.plant.channels.push_back(plan_of());
  for (Terminal* at : {&story.plant.channels[1].source, &story.plant.channels[1].voltmeter,
                       &story.plant.channels[1].ammeter}) {
    at->instrument = contactor;
  }
  EXPECT_EQ(story.line(Cause::voltage_high).source.terms.link, 6ms);
}

// Where nothing is measured nothing can be too slow; where several are, the last one is named.
TEST(Budget, needs_no_thermometer_and_asks_each_one_there_is) {  // S7
  Story bare({.thermometers = 0});
  bare.limits.run_time = limit(Duration{90min});
  EXPECT_EQ(budget_of(bare.setup).too_slow, drivers::no_instrument);
  Story story({.thermometers = 3});
  story.setup.instruments[thermometer].round_trip = 200ms;
  EXPECT_EQ(budget_of(story.setup).too_slow, thermometer);
  story.limits.temperature_above = limit(45.0_degC);
  EXPECT_EQ(story.line(Cause::temperature_high).source.terms.link, 0ms);  // 500 ms of age rule
}

// A box that measures the cell and switches its contactor has two questions in each cycle.
TEST(Budget, counts_the_contactors_readback_where_its_instrument_measures_too) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.24_V);
  story.channel().contactor = Terminal{voltmeter, 1};
  EXPECT_EQ(story.line(Cause::voltage_high).source.terms.link, 2 * 6ms);
}

TEST(Budget, counts_a_begun_interval_as_a_whole_one_and_at_least_one) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.24_V);
  const auto interval = [&](Duration round_trip) {
    story.setup.instruments[voltmeter].round_trip = round_trip;
    return story.line(Cause::voltage_high).source.terms.interval;
  };
  EXPECT_EQ(interval(0ms), 100ms);
  EXPECT_EQ(interval(100ms), 100ms);
  EXPECT_EQ(interval(100ms + 1ns), 200ms);
  EXPECT_EQ(interval(200ms), 200ms);
}

TEST(Budget, finds_a_meter_too_slow_that_is_later_than_a_reading_may_be_old) {  // S3 S7
  for (const drivers::InstrumentId meter : {voltmeter, ammeter, thermometer}) {
    Story story({.ammeter = true});
    story.channel().every = 250ms;
    story.setup.instruments[meter].round_trip = 250ms;
    EXPECT_EQ(budget_of(story.setup).too_slow, drivers::no_instrument);
    story.setup.instruments[meter].round_trip = 250ms + 1ns;
    EXPECT_EQ(budget_of(story.setup).too_slow, meter);
  }
}

// All that it says of itself is judged by its age, too.
TEST(Budget, finds_a_source_too_slow_whose_voltage_and_current_are_read_by_others) {  // S3 S7
  Story story({.ammeter = true});
  story.setup.instruments[supply].round_trip = 60ms;
  EXPECT_EQ(budget_of(story.setup).too_slow, supply);
}

// 8 questions of 12 ms and four setpoints that settle in 1 ms each: just the 100 ms of a cycle.
TEST(Budget, lets_an_instrument_be_done_with_a_cycle_in_just_its_time) {  // S7
  Story story;
  story.limits.current_above = limit(4.0_A);
  story.setup.instruments[supply] = {.round_trip = 12ms, .settle = 1ms, .settling = 20ms};
  EXPECT_EQ(story.line(Cause::current_high).source.terms.link, 100ms);
}

// 4 A in 10, 20 and 5 mohm; and 16 A^2 of them into 50 J/K.
TEST(Budget, counts_every_resistance_of_the_cell) {  // S7
  Story story;
  story.setup.cell.cold.pairs[1] = 5.0_mohm;
  story.setup.cell.pair_capacities[1] = drivers::farads(800);
  story.limits.voltage_below = limit(2.50_V);
  story.limits.temperature_rising = limit(drivers::kelvins_per_second(0.001));
  EXPECT_NEAR(story.line(Cause::voltage_low).source.overshoot, 0.140, 1e-12);
  EXPECT_NEAR(story.line(Cause::temperature_rising).source.overshoot, 0.0112 - 0.001, 1e-12);
  story.limits.voltage_above = limit(4.00_V);
  story.setup.armed.voltage = 20.0_V;
  const double charge = 4 * 0.139;
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot,
              charge / 1000 + charge / 500 + charge / 800 + 0.040, 1e-12);
}

TEST(Budget, has_no_overshoot_of_a_reverse_current_that_the_cell_cannot_drive) {  // S7
  Story story;
  story.limits.voltage_above = limit(4.20_V);
  story.limits.current_reverse = limit(168.5_A);  // of 168 A
  EXPECT_EQ(story.line(Cause::current_reverse).source.overshoot, 0);
}

// 10 s of 4 A on 500 F would be 80 mV; in 10 mohm they settle at 40 mV, 0.4 J.
TEST(Budget, stores_no_more_heat_in_a_pair_than_it_settles_with) {  // S7
  Story story;
  story.limits.temperature_above = limit(45.0_degC, Origin::profile, 10s);
  EXPECT_NEAR(story.line(Cause::temperature_high).source.overshoot,
              0.169 * (0.0048 - 0.0012) + 10.141 * 0.0048 + 0.4 / 50, 1e-9);
}

// A source without a rating: what cannot be bounded is infinite, and not the nothing that an absent
// pair makes of it.
TEST(Budget, is_infinite_where_the_current_is) {  // S7
  Story story;
  story.setup.armed = {.voltage = 20.0_V, .current = drivers::amperes(HUGE_VAL), .power = 16.0_W};
  story.limits.voltage_above = limit(4.00_V);
  story.limits.temperature_above = limit(45.0_degC);
  EXPECT_NEAR(story.line(Cause::voltage_high).source.overshoot, 16.0, 1e-12);
  EXPECT_EQ(story.line(Cause::temperature_high).source.overshoot, HUGE_VAL);
}

TEST(Budget, has_a_line_for_each_limit_there_is_and_no_other) {  // S7
  Story story;
  EXPECT_TRUE(budget_of(story.setup).lines.empty());
  story.limits = cell_limits();
  const Budget budget = budget_of(story.setup);
  EXPECT_EQ(budget.lines.size(), 12U);
  EXPECT_EQ(budget.of(Cause::sensor_stuck), nullptr);
}

}  // namespace
}  // namespace chargewright::safety::testing

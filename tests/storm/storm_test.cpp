// The storm tests itself: it replays, it makes schedules short, and its oracle sees what is wrong.

#include <gtest/gtest.h>

#include "tests/storm/shrink.h"
#include "tests/storm/theatre.h"

namespace chargewright::storm {
namespace {

using namespace std::chrono_literals;

TEST(Storm, is_the_same_every_time_from_the_same_seed) {
  for (const std::uint64_t seed : {3U, 11U, 17U}) {
    const Outcome once = play(scenario_of(seed));
    const Outcome again = play(scenario_of(seed));
    EXPECT_EQ(once.coverage.readings, again.coverage.readings);
    EXPECT_EQ(once.coverage.moments, again.coverage.moments);
    EXPECT_EQ(once.coverage.outcomes, again.coverage.outcomes);
    EXPECT_EQ(once.coverage.deeds, again.coverage.deeds);
  }
}

TEST(Storm, is_another_from_another_seed) {
  EXPECT_NE(scenario_of(1).bench_text + scenario_of(1).jobs[0][0].profile_text,
            scenario_of(2).bench_text + scenario_of(2).jobs[0][0].profile_text);
}

// A charge of hours: at a time that is drawn, hardly any cell is nearly full.
TEST(Storm, turns_a_knob_once_the_cell_is_nearly_full) {
  std::uint64_t seed = 1;
  while (!scenario_of(seed).calm) ++seed;
  Scenario scenario = scenario_of(seed);
  const auto turned = [&](double nearly_full) {
    const auto source = scenario.plant.channels[0].source;
    Happening h;
    h.at = opening + 1s;
    h.nearly_full = nearly_full;
    h.device = source.instrument;
    h.fault = {.kind = drivers::simulated::FaultKind::knob_turned,
               .device = source.instrument,
               .channel = std::max<std::uint8_t>(source.channel, 1),
               .value = scenario.jobs[0][0].cell.voltage.full.value()};
    scenario.happenings = {h};
    return play(scenario).coverage.deeds["knob-turned while energised"];
  };
  EXPECT_EQ(turned(0.9), 1U);
  EXPECT_EQ(turned(1.5), 0U);
}

TEST(Storm, goes_on_after_the_dead_man_died_and_the_daemon_began_anew) {  // S6
  std::uint64_t seed = 1;
  while (!scenario_of(seed).calm) ++seed;
  Scenario scenario = scenario_of(seed);
  scenario.calm = false;
  scenario.patience = 1min;
  scenario.happenings = {{.at = opening + 10min, .deed = Deed::dead_man_lost},
                         {.at = opening + 20min, .deed = Deed::restart}};
  const Outcome outcome = play(scenario);
  EXPECT_FALSE(outcome.violation);
  EXPECT_GE(outcome.coverage.trips.at("dead-man-lost"), 1U);
  EXPECT_GE(outcome.coverage.outcomes.at("refused: no-dead-man"), 1U);
  EXPECT_GE(outcome.coverage.outcomes.at("done"), 1U);
}

// Whatever the others have: the limits have to do alone (S2).
TEST(Storm, has_sources_whose_knobs_cannot_be_read_back) {
  int without = 0;
  for (std::uint64_t seed = 1; seed <= 40; ++seed) {
    without += scenario_of(seed).plant.channels[0].abilities.reads_setpoints ? 0 : 1;
  }
  EXPECT_GT(without, 0);
  EXPECT_LT(without, 20);
}

// Where two outputs share a link, each waits for what the other was asked.
TEST(Storm, has_sources_that_take_long_to_answer) {  // S7
  int slow = 0, shared = 0;
  for (std::uint64_t seed = 1; seed <= 60; ++seed) {
    const Scenario scenario = scenario_of(seed);
    const auto& link = scenario.links[scenario.plant.channels[0].source.instrument];
    if (link.to_device + link.to_host <= 100ms) continue;
    ++slow;
    if (scenario.plant.channels.size() > 1) ++shared;
  }
  EXPECT_GT(shared, 0);
  EXPECT_LT(slow, 30);
}

// Who answers late after its link was lost is a stranger until it has said who it is: that question
// must not wait for ever behind the repeats of an off.
TEST(Storm, sees_a_slow_source_proved_off_that_came_back_amid_a_cut) {  // S3 S4
  const auto source_of = [](const Scenario& s) { return s.plant.channels[0].source.instrument; };
  const auto is_slow = [&](const Scenario& s) {
    const auto& link = s.links[source_of(s)];
    return link.to_device + link.to_host > 380ms && !s.plant.channels[0].contactor;
  };
  std::uint64_t seed = 1;
  while (!is_slow(scenario_of(seed))) ++seed;
  Scenario scenario = scenario_of(seed);
  scenario.lasts = 3h;
  scenario.happenings.clear();
  for (auto at = 7min; at < 3h; at += 7min) {
    Happening h;
    h.at = opening + at;
    h.device = source_of(scenario);
    h.lasts = 6s;
    h.fault = {.kind = drivers::simulated::FaultKind::link_dropped, .device = h.device};
    scenario.happenings.push_back(h);
  }
  Outcome outcome = play(scenario);
  EXPECT_FALSE(outcome.violation) << outcome.violation->text;
  EXPECT_GT(outcome.coverage.deeds["link-dropped while energised"], 0U);
}

// The guard dies amid a run: what it had counted counts in the next part, too.
TEST(Storm, lets_an_interrupted_run_go_on_where_it_stood) {  // S9
  std::uint64_t seed = 1;
  while (!scenario_of(seed).calm) ++seed;
  Scenario scenario = scenario_of(seed);
  scenario.patience = 1min;
  scenario.calm = false;
  scenario.happenings = {{.at = opening + 5min, .deed = Deed::restart}};
  for (const bool resumes : {true, false}) {
    scenario.resumes = resumes;
    Outcome outcome = play(scenario);
    EXPECT_FALSE(outcome.violation);
    EXPECT_EQ(outcome.coverage.outcomes["(went on after an interruption)"], resumes ? 1U : 0U);
  }
}

TEST(Storm, selects_other_outputs_of_a_source_that_has_several) {  // S3 S4
  const auto selects = [](const Scenario& scenario) {
    return std::ranges::any_of(scenario.happenings, [](const Happening& h) {
      return h.fault.kind == drivers::simulated::FaultKind::output_selected;
    });
  };
  int met = 0;
  for (std::uint64_t seed = 1; seed <= 20; ++seed) {
    const Scenario scenario = scenario_of(seed);
    ASSERT_EQ(selects(scenario), scenario.bench.channels.size() > 1);
    if (!selects(scenario)) continue;
    ++met;
    const auto violation = play(scenario).violation;
    EXPECT_FALSE(violation) << seed << ": " << violation->text;
  }
  EXPECT_GE(met, 2);
}

TEST(Storm, shrinks_a_schedule_to_what_is_needed) {
  int asked = 0;
  const auto kept = shrunk(60, [&](const std::vector<std::size_t>& left) {
    ++asked;
    const auto has = [&](std::size_t k) { return std::ranges::find(left, k) != left.end(); };
    return has(7) && has(8) && has(51);
  });
  EXPECT_EQ(kept, (std::vector<std::size_t>{7, 8, 51}));
  EXPECT_LT(asked, 100);
}

// The first calm storm on one ordinary cell that is charged at one go, with no contactor in its
// way, and with a meter and a thermometer.
std::uint64_t plain_seed() {
  const auto is_plain = [](const Scenario& scenario) {
    const Job& job = scenario.jobs[0][0];
    const safety::ChannelPlan& plan = scenario.plant.channels[0];
    return scenario.calm && scenario.bench.channels.size() == 1 && !plan.contactor &&
           !(plan.voltmeter == plan.source) && !plan.thermometers.empty() &&
           job.cell.chemistry == "li-ion-nmc" &&
           job.profile_text.find("repeat") == std::string::npos;
  };
  std::uint64_t seed = 1;
  while (!is_plain(scenario_of(seed))) ++seed;
  return seed;
}

// A calm storm, and hands that do what no one tells the oracle.
struct OracleOfTheStorm : testing::Test {
  OracleOfTheStorm() {
    static const std::uint64_t seed = plain_seed();
    scenario = scenario_of(seed);
    build();
  }
  void build(double overshoot_share = 1) {
    oracle.reset();
    stage = std::make_unique<daemon::WiredStage>(
        daemon::WiredStage::Setup{.model = scenario.model,
                                  .plant = scenario.plant,
                                  .instruments = scenario.instruments,
                                  .links = scenario.links,
                                  .tick = 500ms,
                                  .start = opening});
    oracle = std::make_unique<Oracle>(scenario, *stage, overshoot_share);
    stage->on_event = [this](const safety::Event& event) { oracle->see(event); };
    stage->on_arrival = [this] { oracle->arrived(); };
    stage->on_moment = [this] { oracle->moment(); };
  }
  void begin() {
    pass(20s);  // the links open
    const Job& job = scenario.jobs[0][0];
    oracle->run_began(0, job);
    stage->run({.channel = 0,
                .channel_plan = scenario.plant.channels[0],
                .run_plan = job.checked.plan,
                .procedure = job.checked.procedure,
                .expected = {}});
  }
  void run() {
    begin();
    for (int k = 0; k < 120 && stage->channel().state != safety::State::energised; ++k) pass(1s);
    ASSERT_EQ(stage->channel().state, safety::State::energised);
  }
  void cut() {
    oracle->cut_wanted(0);
    safety::Request request;
    request.kind = safety::Request::Kind::cut;
    stage->request(request);
  }
  void pass(drivers::Duration time) { stage->advance(stage->bench().now() + time); }
  std::string claim() { return oracle->violation() ? oracle->violation()->claim : "none"; }

  Scenario scenario;
  std::unique_ptr<daemon::WiredStage> stage;
  std::unique_ptr<Oracle> oracle;
};

TEST_F(OracleOfTheStorm, sees_nothing_wrong_where_nothing_is) {
  run();
  pass(10min);
  EXPECT_EQ(claim(), "none");
}

TEST_F(OracleOfTheStorm, sees_an_output_that_goes_on_by_itself) {
  pass(20s);
  ASSERT_EQ(stage->channel().state, safety::State::off);
  stage->bench().switch_output(scenario.plant.channels[0].source.instrument, 1, true);
  pass(1min);
  EXPECT_EQ(claim(), "switched-on");
}

// A lead is off: nothing flows, and yet it is not off.
TEST_F(OracleOfTheStorm, sees_an_output_left_on_where_nothing_flows) {  // S4
  pass(20s);
  ASSERT_EQ(stage->channel().state, safety::State::off);
  const auto source = scenario.plant.channels[0].source.instrument;
  stage->bench().inject(
      {.kind = drivers::simulated::FaultKind::lead_off, .device = source, .channel = 1});
  ASSERT_TRUE(stage->bench().output(source).switch_on());  // and nobody is told
  stage->bench().changed(source, 1);
  pass(10ms);
  oracle->moment();
  EXPECT_EQ(claim(), "on-while-off");
}

// The guard knows of limits that are looser than those of the oracle.
struct TotalsOfTheStorm : OracleOfTheStorm {
  safety::Limits& limits() { return scenario.jobs[0][0].checked.plan.limits; }
};

TEST_F(TotalsOfTheStorm, are_seen_where_too_much_charge_flows) {  // S2
  run();
  limits().charge_above = {drivers::coulombs(1), safety::Origin::profile, {}};
  pass(10min);
  EXPECT_EQ(claim(), "charge");
}

TEST_F(TotalsOfTheStorm, are_seen_where_too_much_energy_flows) {  // S2
  run();
  limits().energy_above = {drivers::joules(1), safety::Origin::profile, {}};
  pass(10min);
  EXPECT_EQ(claim(), "energy");
}

TEST_F(TotalsOfTheStorm, are_seen_where_the_output_is_on_for_too_long) {  // S2
  run();
  limits().run_time = {drivers::Duration{2min}, safety::Origin::profile, {}};
  pass(1min);
  EXPECT_EQ(claim(), "none");
  pass(2min);
  EXPECT_EQ(claim(), "run-time");
}

TEST_F(TotalsOfTheStorm, are_those_of_both_parts_of_an_interrupted_run) {  // S9
  scenario.calm = false;
  run();
  pass(4min);
  stage->restart(oracle->restart());
  pass(30s);
  safety::Request request;
  request.kind = safety::Request::Kind::acknowledge;
  stage->request(request);
  pass(10s);
  oracle->run_goes_on(0);
  limits().run_time = {drivers::Duration{5min}, safety::Origin::profile, {}};
  auto plan = scenario.jobs[0][0].checked.plan;  // with nothing carried over
  stage->run({.channel = 0,
              .channel_plan = scenario.plant.channels[0],
              .run_plan = plan,
              .procedure = scenario.jobs[0][0].checked.procedure,
              .expected = {}});
  pass(3min);
  EXPECT_EQ(claim(), "run-time");
}

TEST_F(OracleOfTheStorm, sees_a_trip_acknowledged_while_the_cell_is_too_warm) {  // S5
  scenario.calm = false;
  run();
  pass(10s);
  cut();
  pass(5s);
  ASSERT_EQ(stage->channel().state, safety::State::tripped);
  scenario.jobs[0][0].checked.plan.limits.temperature_above = {
      drivers::celsius(-20), safety::Origin::profile, {}};  // the guard knows another
  pass(5min);
  safety::Request request;
  request.kind = safety::Request::Kind::acknowledge;
  stage->request(request);
  pass(10s);
  EXPECT_EQ(claim(), "acknowledged-hot");
}

TEST_F(OracleOfTheStorm, sees_a_cut_that_does_not_come) {
  run();
  oracle->cut_wanted(0);  // said to the oracle, not to the guard
  pass(10s);
  EXPECT_EQ(claim(), "cut-wanted");
}

TEST_F(OracleOfTheStorm, knows_that_an_off_is_under_way_for_as_long_as_its_link_was_late) {  // S4
  scenario.calm = false;
  run();
  auto& trouble = stage->link(scenario.plant.channels[0].source.instrument).trouble;
  trouble.late = 600ms;
  pass(10ms);
  cut();
  pass(1ms);
  trouble.late = {};  // too late for what has been sent
  pass(10s);
  EXPECT_EQ(claim(), "none");
  EXPECT_EQ(stage->channel().state, safety::State::tripped);
}

TEST_F(OracleOfTheStorm, lets_an_off_be_repeated_where_a_hand_switched_on_again) {  // S4
  scenario.calm = false;
  run();
  const auto source = scenario.plant.channels[0].source;
  stage->link(source.instrument).trouble.late = 5ms;
  pass(10s);
  cut();
  pass(7ms);  // it has obeyed, and not said so yet
  oracle->panel(0);
  stage->bench().switch_output(source.instrument, std::max<std::uint8_t>(source.channel, 1), true);
  pass(10s);
  EXPECT_EQ(claim(), "none");
  EXPECT_EQ(stage->channel().state, safety::State::tripped);
}

// The state on disk keeps a trip until a person has acknowledged it.
TEST_F(OracleOfTheStorm, keeps_a_trip_over_one_restart_after_another) {  // S5
  run();
  for (int life = 0; life < 3; ++life) {
    const std::vector<safety::Fault> trips = oracle->restart();
    ASSERT_EQ(trips.size(), 1U);
    EXPECT_EQ(trips[0].cause, safety::Cause::guard_internal);
  }
}

// Two instruments that fail one after the other: no reading is older than it may be.
TEST_F(OracleOfTheStorm, counts_the_age_of_each_reading_by_itself) {  // S3
  scenario.calm = false;
  const safety::ChannelPlan& plan = scenario.plant.channels[0];
  scenario.plant.channels[0].allowed_age = 4s;
  scenario.links[plan.voltmeter.instrument].reconnects_after = 1800ms;
  build();
  run();
  pass(10s);
  stage->link(plan.voltmeter.instrument).drop(stage->bench().now());
  pass(1700ms);
  stage->bench().inject({.kind = drivers::simulated::FaultKind::slow,
                         .device = plan.thermometers[0].instrument,
                         .delay = 8s});
  pass(6s);
  EXPECT_EQ(claim(), "none");
  pass(1min);
  EXPECT_EQ(claim(), "none");
  EXPECT_EQ(stage->channel().state, safety::State::tripped);
}

// What cannot be read back is no reason to cut, until a limit is exceeded.
TEST_F(OracleOfTheStorm, leaves_a_knob_that_cannot_be_read_back_to_the_limits) {  // S2 S3
  scenario.calm = false;
  auto& can = scenario.plant.channels[0].abilities;
  can.reads_setpoints = can.reads_protection = false;
  build();
  run();
  pass(10s);
  const double flowing = stage->bench().circuit(0).current().value();
  const auto turn_to = [&](double amperes) {
    stage->bench().inject({.kind = drivers::simulated::FaultKind::knob_turned,
                           .device = scenario.plant.channels[0].source.instrument,
                           .channel = 1,
                           .knob = drivers::Measurand::current,
                           .value = amperes});
  };
  turn_to(0.9 * flowing);
  pass(1min);
  EXPECT_EQ(claim(), "none");
  EXPECT_EQ(stage->channel().state, safety::State::energised);
  ASSERT_TRUE(scenario.jobs[0][0].checked.plan.limits.current_above);
  turn_to(1.1 * scenario.jobs[0][0].checked.plan.limits.current_above->value.value());
  pass(1min);
  EXPECT_EQ(claim(), "none");
  EXPECT_EQ(stage->channel().state, safety::State::tripped);
}

// Nothing but the guard holds a source that has no protections of its own.
struct OvershootInTheStorm : OracleOfTheStorm {
  OvershootInTheStorm() {
    scenario.calm = false;
    scenario.plant.channels[0].abilities.over_voltage_protection = false;
    scenario.plant.channels[0].abilities.over_current_protection = false;
    supply().has_over_voltage = supply().has_over_current = false;
    supply().power_max = {};  // as much as both knobs allow
    scenario.bench.instruments[source()].ratings.power.reset();
  }
  drivers::simulated::SupplyModel& supply() { return scenario.model.devices[source()].supply; }
  drivers::InstrumentId source() { return scenario.plant.channels[0].source.instrument; }
  void turn_both_knobs_up() {
    using drivers::simulated::FaultKind;
    for (const auto knob : {drivers::Measurand::voltage, drivers::Measurand::current}) {
      const bool volts = knob == drivers::Measurand::voltage;
      stage->bench().inject(
          {.kind = FaultKind::knob_turned,
           .device = source(),
           .channel = 1,
           .knob = knob,
           .value = volts ? supply().voltage_max.value() : supply().current_max.value()});
    }
  }
  Overshoots::Seen voltage() { return oracle->overshoots().seen()[0]; }
  Overshoots::Seen current() { return oracle->overshoots().seen()[1]; }
};

TEST_F(OvershootInTheStorm, is_within_what_the_budget_says) {  // S7
  build();
  run();
  pass(1min);
  turn_both_knobs_up();
  pass(10s);
  EXPECT_EQ(claim(), "none");
  EXPECT_EQ(current().judged, 1U);
  EXPECT_GT(current().nearest, 0.5);
}

TEST_F(OvershootInTheStorm, is_seen_where_it_is_more_than_was_said) {  // S7
  build(0.5);
  run();
  pass(1min);
  turn_both_knobs_up();
  pass(10s);
  EXPECT_EQ(claim(), "overshoot");
}

TEST_F(OvershootInTheStorm, is_not_judged_where_more_fails_than_the_budget_covers) {  // S7
  build(0.5);
  run();
  pass(1min);
  stage->link(scenario.plant.channels[0].ammeter.instrument).trouble.stalled = true;
  oracle->befallen();
  turn_both_knobs_up();
  pass(10s);
  EXPECT_NE(claim(), "overshoot");
  EXPECT_EQ(current().judged, 0U);
}

// A cell of much resistance: its voltage jumps with the current.
struct OvershootOfVoltage : OvershootInTheStorm {
  OvershootOfVoltage() {
    for (auto* model : {&scenario.model.circuits[0].cell, &scenario.jobs[0][0].cell.model}) {
      model->r0 *= 4.0;
    }
  }
  void charge_until_nearly_full() {
    const double full = scenario.jobs[0][0].cell.voltage.full.value();
    const auto stands_at = [&] { return stage->bench().circuit(0).voltage().value() / full; };
    for (int s = 0; s < 20 * 3600 && stands_at() < 0.94; ++s) pass(1s);
    ASSERT_GE(stands_at(), 0.94);
    ASSERT_EQ(stage->channel().state, safety::State::energised);
  }
};

TEST_F(OvershootOfVoltage, is_judged_where_a_cell_is_nearly_full) {  // S7
  const auto charge_and_turn = [&](double share) {
    build(share);
    run();
    charge_until_nearly_full();
    turn_both_knobs_up();
    pass(10s);
  };
  charge_and_turn(1);
  EXPECT_EQ(claim(), "none");
  EXPECT_EQ(voltage().judged, 1U);
  const double needed = voltage().nearest;
  EXPECT_GT(needed, 0.05);
  charge_and_turn(0.95 * needed);
  ASSERT_EQ(claim(), "overshoot");
  EXPECT_NE(oracle->violation()->text.find("voltage-high"), std::string::npos);
}

// Where links are instant it is read and cut within one moment, and over at its end.
TEST_F(OvershootOfVoltage, is_seen_before_the_guard_acts_on_it) {  // S7
  build();
  run();
  charge_until_nearly_full();
  stage->on_moment = nullptr;
  turn_both_knobs_up();
  pass(10s);
  EXPECT_EQ(stage->channel().state, safety::State::tripped);
  EXPECT_EQ(voltage().judged, 1U);
}

// Nobody can know of it before the source can be read; then it is cut.
TEST_F(OracleOfTheStorm, knows_that_a_hand_at_an_unreadable_source_is_not_seen_while_off) {  // S3
  scenario.calm = false;
  run();
  pass(10s);
  cut();
  pass(5s);
  ASSERT_EQ(stage->channel().state, safety::State::tripped);
  const auto source = scenario.plant.channels[0].source;
  const auto flows = [&] { return stage->bench().circuit(0).current().value() > 0.01; };
  using drivers::simulated::FaultKind;
  stage->bench().inject({.kind = FaultKind::garbage, .device = source.instrument});
  pass(1min);
  oracle->panel(0);
  stage->bench().switch_output(source.instrument, std::max<std::uint8_t>(source.channel, 1), true);
  pass(1min);
  EXPECT_TRUE(flows());
  EXPECT_EQ(claim(), "none");
  stage->bench().clear(FaultKind::garbage, source.instrument);
  pass(5min);
  EXPECT_FALSE(flows());
  EXPECT_EQ(claim(), "none");
}

// Arming proves the output off as it begins, and asks for it last of all: a hand that switches it
// on in between is seen before anything is armed.
TEST_F(OracleOfTheStorm, sees_no_run_begin_where_a_hand_switched_on_while_arming) {  // S1 S3
  scenario.calm = false;
  for (auto turn = 0s; turn < 8s; ++turn) {
    build();
    pass(turn);
    begin();
    for (int k = 0; k < 1000 && stage->channel().state != safety::State::arming; ++k) pass(10ms);
    ASSERT_EQ(stage->channel().state, safety::State::arming);
    pass(300ms);
    ASSERT_EQ(stage->channel().state, safety::State::arming);
    const auto source = scenario.plant.channels[0].source.instrument;
    stage->link(source).trouble.late = 2ms;  // between the setpoints and the order to switch on
    oracle->panel(0);
    stage->bench().switch_output(source, 1, true);
    for (int k = 0; k < 100; ++k) {
      pass(20ms);
      ASSERT_NE(stage->channel().state, safety::State::ready) << turn.count();
      ASSERT_NE(stage->channel().state, safety::State::energised) << turn.count();
    }
    pass(1min);
    EXPECT_EQ(claim(), "none") << turn.count();
  }
}

TEST_F(OracleOfTheStorm, sees_a_reading_that_the_device_never_gave) {
  run();
  pass(10s);
  safety::Event event;
  event.reading = stage->channel().current;
  event.reading.value *= 1.001;
  oracle->see(event);
  EXPECT_EQ(claim(), "attribution");
}

TEST_F(OracleOfTheStorm, sees_a_record_that_skips_a_state) {
  safety::Event event;
  event.kind = safety::Event::Kind::state_changed;
  event.from = safety::State::ready;
  event.to = safety::State::energised;
  oracle->see(event);
  EXPECT_EQ(claim(), "record");
}

}  // namespace
}  // namespace chargewright::storm

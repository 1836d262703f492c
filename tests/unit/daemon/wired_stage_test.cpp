#include "daemon/plan/wired_stage.h"

#include <gtest/gtest.h>

#include "daemon/bench/instruments.h"
#include "daemon/bench/plant.h"
#include "tests/support/places.h"
#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;
using safety::Cause;
using safety::Event;
using safety::Request;
using safety::State;

drivers::Dialect dialect(const std::string& name) {
  return drivers::load_dialect(name, {test::in_source("drivers/dialects")}).value();
}

// The hut's bench with its bytes.
struct Wired : testing::Test {
  void set(profiles::Procedure steps, drivers::simulated::ByteLinkModel link = {},
           drivers::Duration every = 1s) {
    bench_file.channels[0].source.channel = 0;
    const std::vector<drivers::Dialect> dialects = {supply_dialect, dialect("scpi-meter"),
                                                    dialect("scpi-thermometer")};
    plant = make_plant(bench_file, dialects);
    const drivers::Duration cut_stage = plant.channels[0].cut_stage;
    plant.channels[0] = paced(plant.channels[0], every);
    if (!stretches_stages) plant.channels[0].cut_stage = cut_stage;
    stage = std::make_unique<WiredStage>(
        WiredStage::Setup{.model = model(),
                          .plant = plant,
                          .instruments = instruments_of(bench_file, dialects),
                          .links = {link, link, link},
                          .tick = every / 2,
                          .start = now});
    stage->on_event = [this](const Event& event) { events.push_back(event); };
    stage->run({0, plant.channels[0], plan(), std::move(steps), {}});
  }
  template <class Claim>
  bool until(Claim claim, drivers::Duration within = 4h) {
    const drivers::Instant last = now + within;
    while (now < last) {
      now += 1s;
      stage->advance(now);
      if (claim()) return true;
    }
    return false;
  }
  bool until(State state, drivers::Duration within = 4h) {
    return until([this, state] { return stage->channel().state == state; }, within);
  }
  bool is_on() { return stage->bench().output(supply).is_on(); }
  drivers::simulated::BenchModel model() {
    auto twin = twin_of(bench_file, 0, cell_file, {});
    twin.devices[supply].supply.current_resolution = current_resolution;
    return twin;
  }

  drivers::Dialect supply_dialect = dialect("scpi-supply");
  drivers::Amperes current_resolution = 1.0_mA;
  bool stretches_stages = true;
  profiles::Bench bench_file = bench();
  profiles::Cell cell_file = cell();
  safety::Plant plant;
  drivers::Instant now{1h};
  std::unique_ptr<WiredStage> stage;
  std::vector<Event> events;
};

TEST_F(Wired, charges_over_byte_streams_as_long_as_the_rehearsal_without_them) {
  const auto steps = procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))});
  const Rehearsal rehearsed = rehearse(
      {.bench = bench_file, .cell = cell_file, .procedure = steps, .plan = plan(), .start = {}});
  set(steps);
  ASSERT_TRUE(until([this] { return stage->sequencer()->is_over(); }));
  EXPECT_EQ(stage->sequencer()->progress().phase, Phase::done);
  EXPECT_NEAR(drivers::in_seconds(stage->sequencer()->progress().ended -
                                  stage->sequencer()->progress().began),
              drivers::in_seconds(rehearsed.duration), 10);
  EXPECT_NEAR(stage->channel().charge_in / 3600, rehearsed.charge_in_ah, 0.005);
  EXPECT_FALSE(is_on());
  EXPECT_EQ(stage->endless_moments(), 0U);
}

// The levels of its own protections are known no better than that.
TEST(Basis, knows_how_exactly_a_source_proves_what_it_is_set_to) {  // S7
  drivers::Dialect source = dialect("scpi-supply");
  const auto let_pass = [&](drivers::Verb verb, double within) {
    source.verbs[static_cast<std::size_t>(verb)].ask->within = within;
  };
  let_pass(drivers::Verb::set_voltage, 0.1);
  let_pass(drivers::Verb::set_current, 0.2);
  let_pass(drivers::Verb::set_over_voltage, 0.3);
  let_pass(drivers::Verb::set_over_current, 0.4);
  const auto known = basis_of(bench().channels[0],
                              {source, dialect("scpi-meter"), dialect("scpi-thermometer")}, {});
  EXPECT_EQ(known.proved_within.voltage, 0.1_V);
  EXPECT_EQ(known.proved_within.current, 0.2_A);
  EXPECT_EQ(known.proved_within.over_voltage, 0.3_V);
  EXPECT_EQ(known.proved_within.over_current, 0.4_A);
}

// A supply that sets its current in steps of 0.1 A, and whose dialect says so.
TEST_F(Wired, takes_a_setpoint_for_changed_only_beyond_what_its_dialect_lets_pass) {  // S3
  current_resolution = 0.1_A;
  supply_dialect.verbs[static_cast<std::size_t>(drivers::Verb::set_current)].ask->within = 0.05;
  set(procedure({charge(3.96_A, 4.2_V, current_at_most(0.2_A))}));
  ASSERT_TRUE(until(State::energised));
  until([] { return false; }, 60s);  // every readback had its turn
  EXPECT_EQ(stage->channel().state, State::energised);
  EXPECT_EQ(stage->channel().trip.cause, Cause::none);
  ASSERT_TRUE(stage->bench().inject({.kind = drivers::simulated::FaultKind::knob_turned,
                                     .device = supply,
                                     .knob = drivers::Measurand::current,
                                     .value = 4.1}));
  ASSERT_TRUE(until(State::tripped, 60s));
  EXPECT_EQ(stage->channel().trip.cause, Cause::setpoint_changed);
}

TEST_F(Wired, charges_over_slow_links_in_pieces_of_one_byte) {
  set(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}),
      {.to_device = 3ms, .to_host = 4ms});
  for (drivers::InstrumentId k = 0; k < 3; ++k) {
    stage->link(k).trouble.piece = 1;
    stage->link(k).trouble.between_pieces = 1ms;
  }
  ASSERT_TRUE(until([this] { return stage->sequencer()->is_over(); }));
  EXPECT_EQ(stage->sequencer()->progress().phase, Phase::done);
  EXPECT_FALSE(is_on());
}

TEST_F(Wired, cuts_past_the_answer_in_flight) {  // S4
  set(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}),
      {.to_device = 20ms, .to_host = 150ms});
  ASSERT_TRUE(until(State::energised));
  until([] { return false; }, 60s);
  ASSERT_TRUE(is_on());
  Request cut;
  cut.kind = Request::Kind::cut;
  stage->request(cut);
  stage->advance(now += 21ms);  // the link's own time, and nothing else
  EXPECT_FALSE(is_on());
  ASSERT_TRUE(until(State::tripped));
  EXPECT_EQ(stage->channel().trip.cause, Cause::operator_cut);
}

TEST_F(Wired, cuts_and_proves_it_where_the_supply_wants_pauses) {  // S4
  for (const auto pause : {20ms, 100ms, 200ms}) {
    supply_dialect.between = pause;
    set(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
    ASSERT_TRUE(until(State::energised)) << pause.count();
    until([] { return false; }, 60s);
    Request cut;
    cut.kind = Request::Kind::cut;
    stage->request(cut);
    stage->advance(now += pause + 1ms);
    EXPECT_FALSE(is_on()) << pause.count();
    ASSERT_TRUE(until(State::tripped, 10s)) << pause.count();
  }
}

// Its current is proved to have stopped later than the stages of a cut take, and nothing is wrong.
TEST_F(Wired, ends_a_run_in_good_order_where_the_supply_wants_pauses) {  // S4
  bench_file.channels[0].every = 3s;
  bench_file.channels[0].allowed_age = 15s;
  bench_file.channels[0].heartbeat = 10s;
  supply_dialect.between = 300ms;
  stretches_stages = false;
  set(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(until([this] { return stage->sequencer()->is_over(); }));
  EXPECT_EQ(stage->sequencer()->progress().phase, Phase::done) << describe(stage->channel().trip);
  until([] { return false; }, 30s);
  EXPECT_EQ(stage->channel().state, State::off) << describe(stage->channel().trip);
}

// By the deadlines of their answers, the bench's own before those of its dialects.
TEST_F(Wired, waits_for_a_proof_of_off_as_long_as_source_and_ammeter_may_take_to_answer) {  // S4
  const std::vector<drivers::Dialect> dialects = {supply_dialect, dialect("scpi-meter"),
                                                  dialect("scpi-thermometer")};
  const auto waits = [&] { return make_plant(bench_file, dialects).channels[0].prove_off_within; };
  const drivers::Duration before = waits();
  bench_file.instruments[supply].response.settling = 10s;
  const drivers::Duration settles = waits();
  EXPECT_EQ(settles - before, 10s - profiles::assumed_settling);
  bench_file.instruments[supply].respond = 5s;
  const drivers::Duration answers = waits();
  EXPECT_GT(answers - settles, 10s);
  bench_file.instruments[meter].respond = 60s;  // the voltmeter's proves nothing
  EXPECT_EQ(waits(), answers);
  bench_file.channels[0].ammeter = {meter, 0};
  EXPECT_GT(waits(), 120s);
  safety::Plant hurried = make_plant(bench_file, dialects);
  stretch_for_speed(hurried, 2);
  EXPECT_EQ(hurried.channels[0].prove_off_within, 2 * waits());
}

// Of each output an off, two setpoints and what proves them; and what gets it in step.
TEST_F(Wired, repeats_a_cut_no_faster_than_a_supply_that_wants_pauses_hears_it) {  // S4
  bench_file.channels.push_back(bench_file.channels[0]);
  std::vector<drivers::Dialect> dialects = {supply_dialect, dialect("scpi-meter"),
                                            dialect("scpi-thermometer")};
  dialects[1].between = 1s;
  EXPECT_EQ(make_plant(bench_file, dialects).channels[1].repeat_every, 0s);
  dialects[0].between = 100ms;
  EXPECT_EQ(make_plant(bench_file, dialects).channels[1].repeat_every, 2400ms);
  bench_file.channels.pop_back();
  EXPECT_EQ(make_plant(bench_file, dialects).channels[0].repeat_every, 1500ms);
}

TEST_F(Wired, cuts_when_the_supplys_link_drops_and_proves_it_when_it_is_back) {  // S3 S4
  set(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(until(State::energised));
  ASSERT_TRUE(stage->bench().inject(
      {.kind = drivers::simulated::FaultKind::link_dropped, .device = supply}));
  ASSERT_TRUE(until(State::cutting));
  EXPECT_TRUE(is_on());  // no wire reaches it
  until([] { return false; }, 30s);
  EXPECT_EQ(stage->channel().state, State::cutting);
  stage->bench().clear(drivers::simulated::FaultKind::link_dropped, supply);
  ASSERT_TRUE(until(State::tripped, 10s));
  EXPECT_FALSE(is_on());
}

TEST_F(Wired, cuts_when_the_sequencer_hangs) {  // S6
  set(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(until(State::energised));
  stage->sequencers_hang = true;
  ASSERT_TRUE(until(State::tripped, 20s));
  EXPECT_EQ(stage->channel().trip.cause, Cause::sequencer_late);
  EXPECT_FALSE(is_on());
}

TEST_F(Wired, brings_outputs_to_off_when_it_begins_anew_in_mid_charge) {  // S6 S9
  set(procedure({charge(4.0_A, 4.2_V, current_at_most(0.1_A))}));
  ASSERT_TRUE(until(State::energised));
  stage->restart({});
  ASSERT_TRUE(until(State::off, 2s));
  EXPECT_FALSE(is_on());
  until([] { return false; }, 10min);
  EXPECT_FALSE(is_on());
}

}  // namespace
}  // namespace chargewright::daemon

// The guard with its instruments, fed bytes and time by hand.
#include "safety/wires.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <stdexcept>
#include <string>

#include "byte_supply.h"

namespace chargewright::safety::testing {
namespace {

// One supply that answers at once, as long as it is let.
class OneSupply : public ByteSink {
 public:
  explicit OneSupply(double speed) : wires(plant_of_one_supply(), one_supply(), speed, *this) {
    wires.start(now);
  }

  bool write(drivers::InstrumentId, std::string_view bytes) override {
    if (refuses) return false;
    written += bytes;
    heard += bytes;
    return true;
  }
  void connect() {
    wires.link_up(0, now);
    pass(0ms);
  }
  void disconnect() {
    wires.link_down(0, now);
    heard.clear();
    pass(0ms);
  }
  void pass(Duration time) {
    const Instant end = now + time;
    for (;;) {
      settle();
      if (now >= end) return;
      now = std::clamp(wires.wake(), now + 1ns, end);
    }
  }
  // The refusal that an arm meets now.
  Refusal arm() {
    Request request;
    request.kind = Request::Kind::arm;
    request.plan = run_plan();
    request.plan->thermometers_needed = 0;
    wires.request(request, now);
    Refusal met = Refusal::none;
    for (Event event; wires.take_event(event);) {
      if (event.kind == Event::Kind::refused) met = event.refusal;
    }
    return met;
  }
  [[nodiscard]] std::size_t count(std::string_view what) const {
    std::size_t found = 0;
    for (auto at = written.find(what); at != std::string::npos; at = written.find(what, at + 1)) {
      ++found;
    }
    return found;
  }

  Instant now = at(0s);
  std::string identity = "Chargewright,Simulated supply,s,1.0";  // empty: does not say who it is
  bool refuses = false;
  bool mute = false;
  std::string written;
  std::string heard;
  Wires wires;

 private:
  void settle() {
    let_hear(wires, heard, now, [&](const std::string& line) { answer(line); });
  }
  void answer(const std::string& line) {
    if (line.starts_with("*ESE ")) nonce_ = line.substr(5);
    if (!line.ends_with('?')) return;
    const std::string said = line == "*ESE?" ? nonce_ : line == "*IDN?" ? identity : "0";
    if (!said.empty() && !mute) wires.received(0, said + '\n', now);
  }
  std::string nonce_;
};

TEST(Wires, do_not_take_an_instrument_that_does_not_answer_for_the_one_before_it) {  // S1
  OneSupply bench(4);
  bench.connect();
  bench.pass(3s);
  EXPECT_NE(bench.arm(), Refusal::not_simulated);

  bench.disconnect();
  bench.identity.clear();  // another one, on the same socket
  bench.connect();
  const std::size_t asked = bench.count("*IDN?");
  bench.pass(5s);
  EXPECT_GT(bench.count("*IDN?"), asked + 1);  // it is asked until it answers
  EXPECT_EQ(bench.arm(), Refusal::not_simulated);

  bench.identity = "Chargewright,Simulated supply,s,1.0";
  bench.pass(10s);
  EXPECT_NE(bench.arm(), Refusal::not_simulated);
}

TEST(Wires, take_for_written_only_what_the_link_took) {  // S4
  OneSupply bench(1);
  bench.connect();
  bench.pass(3s);
  ASSERT_TRUE(bench.wires.all_off());
  bench.refuses = true;
  Request cut;
  cut.kind = Request::Kind::cut;
  const std::size_t offs = bench.count("OUTP OFF");
  bench.wires.request(cut, bench.now);
  bench.pass(100ms);
  EXPECT_EQ(bench.count("OUTP OFF"), offs);
  EXPECT_FALSE(bench.wires.instrument(0).to_write().empty());
  bench.refuses = false;
  bench.pass(1ms);
  EXPECT_GT(bench.count("OUTP OFF"), offs);
}

TEST(Wires, are_made_for_a_time_that_runs_and_for_32_instruments_at_most) {  // S4
  struct Nowhere final : ByteSink {
    bool write(drivers::InstrumentId, std::string_view) override { return true; }
  } sink;
  for (const double speed : {0.0, -1.0, static_cast<double>(NAN), HUGE_VAL}) {
    EXPECT_THROW(Wires(plant_of(plan_of()), {}, speed, sink), std::invalid_argument) << speed;
  }
  std::vector<drivers::InstrumentSpec> many(max_instruments + 1);
  EXPECT_THROW(Wires(plant_of(plan_of()), std::move(many), 1, sink), std::invalid_argument);
}

TEST(Wires, have_room_for_32_instruments) {
  struct Nowhere final : ByteSink {
    bool write(drivers::InstrumentId, std::string_view) override { return true; }
  } sink;
  std::vector<drivers::InstrumentSpec> many(max_instruments, one_supply()[0]);
  EXPECT_EQ(Wires(plant_of(plan_of()), std::move(many), 1, sink).instruments(), 32U);
}

TEST(Wires, end_with_every_output_off_and_arm_nothing_any_more) {  // S1 S4
  OneSupply bench(1);
  bench.wires.attended();
  bench.connect();
  bench.pass(3s);
  ASSERT_EQ(bench.arm(), Refusal::none);
  bench.wires.shut_down(bench.now);
  bench.pass(3s);
  EXPECT_TRUE(bench.wires.all_off());
  EXPECT_EQ(bench.arm(), Refusal::wrong_state);
}

TEST(Wires, tell_nothing_where_nobody_listens) {
  OneSupply bench(1);
  bench.wires.listen(false);
  bench.connect();
  bench.pass(3s);
  Event event;
  EXPECT_FALSE(bench.wires.take_event(event));
}

constexpr const char* real = "Example,PS-20,1234,1.0";

std::vector<Event> events_of(Wires& wires, Event::Kind kind) {
  std::vector<Event> found;
  for (Event event; wires.take_event(event);) {
    if (event.kind == kind) found.push_back(event);
  }
  return found;
}
Cause trip_of(const OneSupply& bench) {
  Snapshot snapshot;
  bench.wires.snapshot(snapshot, bench.now);
  return snapshot.channel[0].trip.cause;
}

TEST(Wires, arm_nothing_until_a_dead_man_stands_by_nor_after_it_is_lost) {  // S6
  OneSupply bench(1);
  bench.connect();
  bench.pass(3s);
  EXPECT_EQ(bench.arm(), Refusal::no_dead_man);
  Snapshot snapshot;
  bench.wires.snapshot(snapshot, bench.now);
  EXPECT_EQ(snapshot.channel[0].refusal, Refusal::no_dead_man);
  bench.wires.dead_man_lost(bench.now);  // there was none: nothing is lost
  bench.pass(1ms);
  EXPECT_EQ(trip_of(bench), Cause::none);
  bench.wires.attended();
  EXPECT_EQ(bench.arm(), Refusal::none);
  bench.pass(10ms);
  bench.wires.dead_man_lost(bench.now);
  EXPECT_EQ(trip_of(bench), Cause::dead_man_lost);
  EXPECT_EQ(bench.arm(), Refusal::no_dead_man);
  bench.pass(3s);
  ASSERT_TRUE(bench.wires.all_off());
  // Once: a trip that was acknowledged does not come back.
  Request request;
  request.kind = Request::Kind::acknowledge;
  bench.wires.request(request, bench.now);
  bench.wires.dead_man_lost(bench.now);
  bench.pass(3s);
  EXPECT_EQ(trip_of(bench), Cause::none);
}

TEST(Wires, refuse_nothing_but_an_arm_for_want_of_a_dead_man) {  // S4 S6
  OneSupply bench(4);
  Request cut;
  cut.kind = Request::Kind::cut;
  bench.wires.request(cut, bench.now);
  EXPECT_EQ(trip_of(bench), Cause::operator_cut);
}

TEST(Wires, cut_where_time_is_scaled_and_an_instrument_turns_out_to_be_real) {  // S1
  for (const double speed : {1.0, 4.0}) {
    OneSupply bench(speed);
    bench.identity = real;
    bench.connect();
    bench.pass(3s);
    EXPECT_EQ(trip_of(bench), speed == 1 ? Cause::none : Cause::guard_internal) << speed;
    EXPECT_EQ(bench.arm(), speed == 1 ? Refusal::no_dead_man : Refusal::not_simulated) << speed;
  }
}

TEST(Wires, refuse_an_arm_where_the_instrument_falls_silent_when_asked_who_it_is) {  // S1
  OneSupply bench(1);
  bench.wires.attended();
  bench.connect();
  bench.pass(3s);
  bench.identity.clear();
  ASSERT_EQ(bench.arm(), Refusal::none);  // the checks have begun
  const auto asked = bench.count("*IDN?");
  bench.pass(10s);
  Refusal met = Refusal::none;
  for (Event event; bench.wires.take_event(event);) {
    if (event.kind == Event::Kind::refused) met = event.refusal;
  }
  EXPECT_EQ(met, Refusal::instrument_unreachable);
  EXPECT_LE(bench.count("*IDN?"),
            asked + 1);  // that question was the run's, and is not asked again
}

TEST(Wires, begin_with_what_a_former_life_left) {  // S5 S8
  OneSupply nobody(1);
  Plant plant = plant_of(plan_of());
  Wires wires(plant, one_supply(), 1, nobody);
  wires.restore_limits(0, cell_limits());
  wires.restore_trip({.cause = Cause::temperature_high, .channel = 0, .measured = 61, .limit = 48});
  wires.start(at(0s));
  Snapshot snapshot;
  wires.snapshot(snapshot, at(0s));
  EXPECT_EQ(snapshot.channel[0].trip.cause, Cause::temperature_high);
  EXPECT_EQ(snapshot.channel[0].trip.measured, 61);
  EXPECT_EQ(snapshot.channel[0].state, State::cutting);
}

TEST(Wires, tell_of_every_link_that_comes_and_goes) {
  OneSupply bench(1);
  const std::uint32_t before = bench.wires.changes();
  events_of(bench.wires, Event::Kind::reading);
  bench.wires.link_up(0, bench.now);
  EXPECT_EQ(bench.wires.changes(), before + 1);
  std::vector<Event> told = events_of(bench.wires, Event::Kind::link_changed);
  ASSERT_EQ(told.size(), 1U);
  EXPECT_TRUE(told[0].on);
  bench.pass(1s);
  EXPECT_EQ(bench.wires.changes(), before + 2);  // who it is
  events_of(bench.wires, Event::Kind::reading);
  bench.wires.link_down(0, bench.now);
  EXPECT_EQ(bench.wires.changes(), before + 3);
  told = events_of(bench.wires, Event::Kind::link_changed);
  ASSERT_EQ(told.size(), 1U);
  EXPECT_FALSE(told[0].on);
  bench.pass(1s);
  EXPECT_EQ(bench.wires.changes(), before + 3);
}

TEST(Wires, show_how_each_instrument_is_and_who) {
  OneSupply bench(1);
  InstrumentStatus status;
  bench.wires.status(0, status);
  EXPECT_FALSE(status.up);
  EXPECT_FALSE(status.answers);
  EXPECT_STREQ(status.identification.data(), "");
  bench.identity = "Chargewright,Simulated supply," + std::string(200, 's') + ",1.0";
  bench.connect();
  bench.pass(1s);
  bench.wires.status(0, status);
  EXPECT_TRUE(status.up);
  EXPECT_TRUE(status.simulated);
  EXPECT_EQ(status.identification.data(), bench.identity);
  bench.disconnect();
  bench.identity = real;
  bench.connect();
  bench.pass(1s);
  bench.wires.status(0, status);
  EXPECT_FALSE(status.simulated);
  EXPECT_STREQ(status.identification.data(), real);  // nothing of the longer one before is left
}

TEST(Wires, tell_an_open_link_from_an_instrument_that_answers_on_it) {  // S1
  OneSupply bench(1);
  bench.connect();
  bench.pass(1s);
  InstrumentStatus status;
  bench.wires.status(0, status);
  EXPECT_TRUE(status.answers);
  bench.mute = true;
  bench.pass(5s);
  bench.wires.status(0, status);
  EXPECT_TRUE(status.up);
  EXPECT_FALSE(status.answers);
  bench.mute = false;
  bench.pass(20s);
  bench.wires.status(0, status);
  EXPECT_TRUE(status.answers);
  bench.disconnect();
  bench.wires.status(0, status);
  EXPECT_FALSE(status.answers);
}

TEST(Wires, ask_who_is_there_once_for_each_time_that_a_link_comes_up) {
  OneSupply bench(1);
  bench.connect();
  bench.pass(20s);
  EXPECT_EQ(bench.count("*IDN?"), 1U);
  bench.disconnect();
  bench.connect();
  bench.pass(20s);
  EXPECT_EQ(bench.count("*IDN?"), 2U);
}

TEST(Wires, wake_for_nothing_earlier_than_their_guard_and_instruments_do) {
  OneSupply bench(1);
  bench.connect();
  bench.pass(3s);
  int looks = 0;
  for (const Instant end = bench.now + 10s; bench.now < end; ++looks) {
    const Instant next = bench.wires.wake();
    ASSERT_GT(next, bench.now) << looks;
    bench.pass(std::min<Duration>(next - bench.now, end - bench.now));
  }
  EXPECT_LT(looks, 200);  // off, it is read twice a second
}

TEST(Wires, wake_for_whatever_falls_due_first_with_any_instrument) {  // S3
  OneSupply bench(1);
  bench.connect();
  for (const Instant end = bench.now + 10s; bench.now < end;) {
    bench.mute = bench.now > end - 5s;
    const Instant due = bench.wires.instrument(0).wake();
    ASSERT_LE(bench.wires.wake(), std::max(due, bench.now));
    bench.pass(std::clamp<Duration>(bench.wires.wake() - bench.now, 1ns, 50ms));
  }
}

// Its link is up and no channel needs it: it is asked all the same, and may take its time.
TEST(Wires, ask_who_is_there_of_an_instrument_that_no_channel_has) {  // S1
  struct Spare final : ByteSink {
    bool write(drivers::InstrumentId, std::string_view bytes) override {
      written += bytes;
      return true;
    }
    std::string written;
  } sink;
  constexpr std::size_t status_size = std::tuple_size_v<decltype(InstrumentStatus::identification)>;
  Plant plant = plant_of_one_supply();
  plant.instruments = 2;
  std::vector<drivers::InstrumentSpec> specs(2, one_supply()[0]);
  Wires wires(plant, specs, 1, sink);
  wires.start(at(0s));
  for (Duration t = 0s; t < 3s; t += 100ms) wires.pump(at(t));
  wires.link_up(1, at(3s));
  wires.pump(at(3s));
  const auto nonce = [&] {
    const auto begin = sink.written.rfind("*ESE ") + 5;
    return sink.written.substr(begin, sink.written.find('\n', begin) - begin);
  };
  for (int k = 0; k < 2; ++k) {
    ASSERT_TRUE(sink.written.ends_with("*ESE?\n")) << sink.written;
    wires.received(1, nonce() + '\n', at(3s));
    wires.pump(at(3s));
  }
  EXPECT_TRUE(sink.written.ends_with("*IDN?\n")) << sink.written;
  std::string who = "Chargewright,Simulated supply,";
  who.resize(status_size - 4, 's');
  who += ",1.0";
  wires.received(1, who + '\n', at(3s + 40ms));
  wires.pump(at(3s + 40ms));
  InstrumentStatus status;
  wires.status(1, status);
  EXPECT_EQ(status.round_trip_worst, 40ms);
  EXPECT_EQ(std::string(status.identification.data()),
            who.substr(0, status_size - 1));  // the NUL needs a place
}

// One supply with an output for each channel, and one logger with eight inputs for each.
class Shared : public ByteSink {
 public:
  Shared(std::uint8_t channels, Duration between, bool logger, Duration respond = 500ms)
      : wires(plant(channels, between, logger), instruments(between, logger, respond), 1, *this) {
    wires.start(now);
    for (drivers::InstrumentId id = 0; id < wires.instruments(); ++id) wires.link_up(id, now);
  }
  static Plant plant(std::uint8_t channels, Duration between, bool logger) {
    Plant plant;
    for (std::uint8_t k = 0; k < channels; ++k) {
      ChannelPlan plan = plan_of({.voltmeter = false, .thermometers = 0});
      plan.source = plan.voltmeter = plan.ammeter = {0, static_cast<std::uint8_t>(k + 1)};
      plan.every = 2s;
      plan.allowed_age = 10s;
      plan.repeat_every = (9 * channels + 6) * between;  // as a bench gives them to its channels
      plan.prove_off_within = 3 * plan.repeat_every;
      for (std::uint8_t input = 1; logger && input <= max_thermometers; ++input) {
        plan.thermometers.push_back({1, static_cast<std::uint8_t>(k * max_thermometers + input)});
      }
      plant.channels.push_back(plan);
    }
    plant.instruments = logger ? 2 : 1;
    return plant;
  }
  static std::vector<drivers::InstrumentSpec> instruments(Duration between, bool logger,
                                                          Duration respond) {
    std::vector<drivers::InstrumentSpec> specs = one_supply();
    specs[0].dialect.between = between;
    specs[0].dialect.respond = respond;
    if (!logger) return specs;
    specs.push_back(
        {.name = "logger",
         .identity = "",
         .dialect = drivers::load_dialect("scpi-thermometer", {test::in_source("drivers/dialects")})
                        .value()});
    return specs;
  }
  bool write(drivers::InstrumentId id, std::string_view bytes) override {
    heard[id] += bytes;
    return true;
  }
  void pass(Duration time) {
    for (const Instant end = now + time;;) {
      wires.pump(now);
      while (!heard[0].empty() || !heard[1].empty()) {
        for (drivers::InstrumentId id = 0; id < heard.size(); ++id) {
          let_hear(wires, heard[id], now, [&](const std::string& line) { answer(id, line); });
        }
      }
      if (now >= end) return;
      now = std::clamp(wires.wake(), now + 1ns, end);
    }
  }
  // Time until every output is proved off, in seconds; more than `patience` where that never is.
  double seconds_to_all_off(Duration patience) {
    const Instant began = now;
    while (!wires.all_off() && now - began <= patience) pass(50ms);
    return drivers::in_seconds(now - began);
  }

  Instant now = at(0s);
  bool mute = false;
  std::array<std::string, 2> heard;
  Wires wires;

 private:
  void answer(drivers::InstrumentId id, const std::string& line) {
    if (line.starts_with("*ESE ")) nonce_[id] = line.substr(5);
    if (mute || (!line.ends_with('?') && !line.ends_with(')'))) return;
    const std::string said = line == "*ESE?" ? nonce_[id] : line == "*IDN?" ? "A,B,C,D" : "0";
    wires.received(id, said + '\n', now);
  }
  std::array<std::string, 2> nonce_;
};

// A repeat of its cut would wait for the one before it, and no question would ever be asked.
TEST(Wires, prove_every_output_off_of_a_supply_that_wants_pauses) {  // S4
  struct Case {
    std::uint8_t outputs;
    Duration between;
  };
  for (const Case c : {Case{1, 50ms}, Case{1, 200ms}, Case{2, 100ms}, Case{4, 50ms}, Case{4, 100ms},
                       Case{8, 50ms}, Case{16, 20ms}}) {
    Shared bench(c.outputs, c.between, false);
    const double start = bench.seconds_to_all_off(10s);
    bench.pass(20s);
    bench.wires.internal_fault(bench.now);
    const double cut = bench.seconds_to_all_off(10s);
    EXPECT_LT(start, 10) << int{c.outputs} << " outputs, " << c.between / 1ms << " ms";
    EXPECT_LT(cut, 10) << int{c.outputs} << " outputs, " << c.between / 1ms << " ms";
  }
}

// Slower than the stages of a cut, and nothing is wrong with it.
TEST(Wires, bring_a_supply_that_wants_pauses_to_off_again_after_a_trip) {  // S4 S5
  Shared bench(1, 300ms, false);
  ASSERT_LT(bench.seconds_to_all_off(10s), 10);
  bench.wires.internal_fault(bench.now);
  ASSERT_LT(bench.seconds_to_all_off(10s), 10);
  Request acknowledge;
  acknowledge.kind = Request::Kind::acknowledge;
  bench.wires.request(acknowledge, bench.now);
  bench.pass(10s);
  Snapshot snapshot;
  bench.wires.snapshot(snapshot, bench.now);
  EXPECT_EQ(snapshot.channel[0].state, State::off) << describe(snapshot.channel[0].trip);
}

// Its lane for urgent orders may be full of those of all outputs just then.
TEST(Wires, ask_again_who_it_is_where_there_was_no_room_for_the_question) {  // S3 S4
  for (Duration silence = 500ms; silence <= 6s; silence += 500ms) {
    Shared bench(max_channels, 0s, false, 1200ms);
    ASSERT_LT(bench.seconds_to_all_off(10s), 10);
    bench.wires.link_down(0, bench.now);
    bench.wires.internal_fault(bench.now);
    bench.pass(900ms);
    bench.mute = true;
    bench.wires.link_up(0, bench.now);
    bench.pass(silence);
    bench.mute = false;
    EXPECT_LT(bench.seconds_to_all_off(20s), 20) << silence / 1ms << " ms";
  }
}

TEST(Wires, read_every_input_of_a_logger_that_all_channels_share) {  // S3
  Shared bench(max_channels, 0s, true);
  bench.pass(30s);
  Snapshot snapshot;
  bench.wires.snapshot(snapshot, bench.now);
  for (std::size_t k = 0; k < max_channels; ++k) {
    for (const drivers::Reading& reading : snapshot.channel[k].temperatures) {
      EXPECT_TRUE(reading.valid()) << k << ", input " << int{reading.input};
    }
  }
}

// Two supplies of a channel each, the second with a contactor, on links that may break.
class TwoSupplies : public ByteSink {
 public:
  static constexpr drivers::InstrumentId left = 0;
  static constexpr drivers::InstrumentId right = 1;

  explicit TwoSupplies(Duration between = 0s) : wires(plant(), instruments(between), 1, *this) {
    for (drivers::InstrumentId id = 0; id < 3; ++id) wires.link_up(id, at(0s));
    wires.pump(at(0s));
    for (std::string& w : written) w.clear();
  }
  static Plant plant() {
    Plant plant;
    for (const drivers::InstrumentId id : {left, right}) {
      ChannelPlan plan = plan_of({.voltmeter = false, .thermometers = 0});
      plan.source = plan.voltmeter = plan.ammeter = {id, 0};
      if (id == right) plan.contactor = Terminal{2, 5};
      plant.channels.push_back(plan);
    }
    plant.channels[0].contactor = Terminal{3, 1};  // of no instrument that there is
    plant.instruments = 3;
    return plant;
  }
  static std::vector<drivers::InstrumentSpec> instruments(Duration between) {
    const auto spec = [between](std::string name, const char* dialect) {
      drivers::InstrumentSpec made{
          .name = std::move(name),
          .identity = "",
          .dialect = drivers::load_dialect(dialect, {test::in_source("drivers/dialects")}).value()};
      made.dialect.between = between;
      return made;
    };
    return {spec("left", "scpi-supply"), spec("right", "scpi-supply"), spec("k", "scpi-switch")};
  }
  bool write(drivers::InstrumentId id, std::string_view bytes) override {
    if (breaks[id]) throw std::runtime_error("broken pipe");
    written[id] += bytes;
    return true;
  }
  [[nodiscard]] bool wrote(drivers::InstrumentId id, std::string_view what) const {
    return written[id].find(what) != std::string::npos;
  }

  std::array<bool, 3> breaks{};
  std::array<std::string, 3> written;
  Wires wires;
};

TEST(Wires, cut_all_the_same_where_an_order_is_for_an_instrument_that_is_not_there) {  // S4
  TwoSupplies bench;
  bench.wires.start(at(0s));
  Request cut;
  cut.kind = Request::Kind::cut;
  bench.wires.request(cut, at(0s));
  for (Duration t = 0s; t < 3s; t += 50ms) bench.wires.pump(at(t));
  EXPECT_TRUE(bench.wrote(TwoSupplies::left, "OUTP OFF"));
}

TEST(Wires, in_the_last_resort_switch_every_output_off_and_open_every_contactor) {  // S4 S6
  TwoSupplies bench;
  bench.wires.last_resort(at(1s));
  EXPECT_TRUE(bench.wrote(0, "OUTP OFF"));
  EXPECT_TRUE(bench.wrote(1, "OUTP OFF"));
  EXPECT_TRUE(bench.wrote(2, "ROUT:OPEN (@5)"));
}

TEST(Wires, in_the_last_resort_wait_for_no_pause) {  // S4 S6
  TwoSupplies bench(50ms);
  bench.wires.last_resort(at(10ms));
  EXPECT_TRUE(bench.wrote(0, "OUTP OFF"));
  EXPECT_TRUE(bench.wrote(1, "OUTP OFF"));
  EXPECT_TRUE(bench.wrote(2, "ROUT:OPEN (@5)"));
}

TEST(Wires, in_the_last_resort_go_on_past_a_link_that_breaks) {  // S4 S6
  for (const drivers::InstrumentId broken : {TwoSupplies::left, TwoSupplies::right}) {
    TwoSupplies bench;
    bench.breaks[broken] = true;
    EXPECT_NO_THROW(bench.wires.last_resort(at(1s)));
    EXPECT_TRUE(bench.wrote(broken == TwoSupplies::left ? TwoSupplies::right : TwoSupplies::left,
                            "OUTP OFF"));
    EXPECT_TRUE(bench.wrote(2, "ROUT:OPEN (@5)"));
  }
}

TEST(Wires, cut_every_channel_on_a_fault_of_their_shell_and_end_with_all_off) {  // S4
  TwoSupplies bench;
  bench.wires.start(at(0s));
  bench.wires.internal_fault(at(1s));
  Snapshot snapshot;
  bench.wires.snapshot(snapshot, at(1s));
  EXPECT_EQ(snapshot.channels, 2);
  EXPECT_EQ(snapshot.channel[0].trip.cause, Cause::guard_internal);
  EXPECT_EQ(snapshot.channel[1].trip.cause, Cause::guard_internal);
  EXPECT_FALSE(bench.wires.all_off());
  ASSERT_EQ(bench.wires.instruments(), 3U);
  for (drivers::InstrumentId id = 0; id < 3; ++id) {
    EXPECT_EQ(bench.wires.instrument(id).spec().id, id);  // by its place in the list
  }
}

}  // namespace
}  // namespace chargewright::safety::testing

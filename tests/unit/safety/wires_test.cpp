// The guard with its instruments, fed bytes and time by hand.
#include "safety/wires.h"

#include <gtest/gtest.h>

#include <cmath>
#include <string>

#include "drivers/dialect.h"
#include "support.h"

namespace chargewright::safety::testing {
namespace {

// One supply that answers at once, as long as it is let.
class OneSupply : public ByteSink {
 public:
  explicit OneSupply(double speed) : wires(plant(), instruments(), speed, *this) {
    wires.start(now);
  }

  static Plant plant() {
    Plant plant = plant_of(plan_of({.voltmeter = false, .thermometers = 0}));
    plant.instruments = 1;
    return plant;
  }
  static std::vector<drivers::InstrumentSpec> instruments() {
    return {
        {.name = "supply",
         .identity = "",
         .dialect = drivers::load_dialect("scpi-supply", {CHARGEWRIGHT_SOURCE "/drivers/dialects"})
                        .value()}};
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
  std::string written;
  std::string heard;
  Wires wires;

 private:
  void settle() {
    wires.pump(now);
    while (!heard.empty()) {
      std::string lines;
      lines.swap(heard);
      for (std::size_t begin = 0; begin < lines.size();) {
        const std::size_t end = lines.find('\n', begin);
        answer(lines.substr(begin, end - begin));
        begin = end + 1;
      }
      wires.pump(now);
    }
  }
  void answer(const std::string& line) {
    if (line.starts_with("*ESE ")) nonce_ = line.substr(5);
    if (!line.ends_with('?')) return;
    const std::string said = line == "*ESE?" ? nonce_ : line == "*IDN?" ? identity : "0";
    if (!said.empty()) wires.received(0, said + '\n', now);
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

}  // namespace
}  // namespace chargewright::safety::testing

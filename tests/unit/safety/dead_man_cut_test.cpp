// What the dead-man sends, and what it takes for a proof (S4, S6): its cut over bytes, in virtual
// time, against the simulated instruments, whose own state and log are the oracle.
#include <gtest/gtest.h>

#include "dead_man_support.h"
#include "drivers/simulated/scpi_device.h"
#include "drivers/simulated/simulation_file.h"
#include "safety/dead_man/cut.h"

namespace chargewright::safety::testing {
namespace {

namespace sim = drivers::simulated;
using namespace std::chrono_literals;
using drivers::Duration;
using drivers::Instant;

constexpr std::size_t supply = 0, meter = 1, contactor = 2;

constexpr const char* hut = R"(simulation: hut
control: tcp://127.0.0.1:0
devices:
  supply: {role: supply, serve: pty, channels: 2, ratings: {voltage: 20 V, current: 20 A, power: 200 W}, resolution: {voltage: 1 mV, current: 1 mA}}
  meter: {role: meter, serve: pty}
  contactor: {role: switch, serve: tcp://127.0.0.1:0}
cells:
  radio: {chemistry: li-ion-nmc, capacity: 2.4 Ah, voltage: 3.60 V}
circuits:
  left: {cell: radio, source: supply/2, leads: 3 mohm, meter: meter, contactor: contactor}
)";
class ADeadBench : public ::testing::Test {
 protected:
  void make(const SheetChoice& choice = {},
            const std::vector<drivers::Dialect>& spoken = shipped_dialects()) {
    // Through its bytes, as the dead-man gets it.
    sheet = decode_cut_sheet(encode(sheet_of(choice, spoken))).value();
    const auto document = drivers::parse_document(hut, "hut.yaml").value();
    bench = std::make_unique<sim::Bench>(sim::read_simulation(document).value().bench, now);
    for (std::uint8_t id = 0; id < 3; ++id) {
      devices.push_back(std::make_unique<sim::ScpiDevice>(*bench, id));
      ports.push_back(std::make_unique<sim::ScpiPort>(*devices.back()));
      sent.emplace_back();
    }
    for (const char* message : {"INST:NSEL 2", "VOLT 4.2", "CURR 1", "OUTP ON", "INST:NSEL 1"}) {
      std::string nothing;
      devices[supply]->execute(message, now, nothing);
    }
    bench->set_switch(contactor, 1, true);
    bench->advance(now += 100ms);
    EXPECT_GT(current(), 0.5);
    cut = std::make_unique<Cut>(sheet);
    cut->begin(now);
    began = now;
  }
  void open(std::size_t link) {
    cut->link_up(link, now);
    up[link] = true;
    move(link);
  }
  void close(std::size_t link, const char* why = "unplugged") {
    up[link] = false;
    cut->link_down(link, why, now);
  }
  void open_all() {
    for (const std::size_t link : {supply, meter, contactor}) {
      if (cut->uses(link)) open(link);
    }
  }
  void move(std::size_t link) {
    const std::string bytes = cut->take_to_write(link, now);
    sent[link] += bytes;
    if (!bytes.empty() && now - heard >= deaf) {
      ports[link]->receive(bytes, now);
      if (deaf > 0ms) heard = now;
    }
    for (;;) {
      const std::string answer{ports[link]->to_write(now)};
      if (answer.empty()) break;
      ports[link]->written(answer.size());
      cut->receive(link, answer, now);
    }
  }
  void run(Duration time) {
    for (const Instant end = now + time; now < end; now += 1ms) {
      bench->advance(now);
      for (const auto link : {supply, meter, contactor}) {
        if (up[link]) move(link);
      }
      cut->turn(now);
    }
  }
  double current() { return bench->circuits()[0].current().value(); }
  bool on() { return bench->output(supply, 2).is_on(); }
  bool closed() { return bench->is_closed(contactor, 1); }
  void fault(sim::FaultKind kind, drivers::InstrumentId device) {
    sim::BenchFault wanted;
    wanted.kind = kind;
    wanted.device = device;
    ASSERT_TRUE(bench->inject(wanted));
  }
  std::string notes() {
    for (const auto& note : cut->take_notes()) all_notes += note.text + '\n';
    return all_notes;
  }

  Instant now{1h};
  Instant began{};
  CutSheet sheet;
  std::unique_ptr<sim::Bench> bench;
  std::vector<std::unique_ptr<sim::ScpiDevice>> devices;
  std::vector<std::unique_ptr<sim::ScpiPort>> ports;
  std::unique_ptr<Cut> cut;
  std::vector<std::string> sent;
  std::array<bool, 3> up{};
  std::string all_notes;
  Duration deaf{};  // after a message, which is then the only one written at that moment
  Instant heard{};
};

// The channel that the dead daemon selected was another; on a serial port it may have died in
// mid-message.
TEST_F(ADeadBench, is_ordered_off_by_the_first_bytes_on_its_link) {  // S4 S6
  make();
  ports[supply]->receive("SOUR:VOLT 4", now);
  open(supply);
  EXPECT_TRUE(sent[supply].starts_with("\nINST:NSEL 2;:OUTP OFF\n")) << sent[supply];
  EXPECT_FALSE(on());
}

TEST_F(ADeadBench, is_proved_off_by_its_state_and_the_current) {  // S4
  make({.ammeter = meter});
  open_all();
  EXPECT_FALSE(cut->all_off());
  run(100ms);
  EXPECT_TRUE(cut->all_off());
  EXPECT_TRUE(cut->finished(now));
  EXPECT_NE(notes().find("left: off, verified (output reads off, current 0.000 A)"),
            std::string::npos)
      << notes();
}

// Orders leave before questions, and what is not proved is ordered again.
TEST_F(ADeadBench, is_proved_off_though_its_instruments_want_long_pauses) {  // S4
  auto spoken = shipped_dialects();
  for (auto& dialect : spoken) dialect.between = 200ms;
  make({.contactor = true}, spoken);
  open_all();
  run(4s);
  EXPECT_FALSE(on());
  EXPECT_FALSE(closed());
  EXPECT_TRUE(cut->finished(now)) << notes();
}

TEST_F(ADeadBench, is_not_proved_off_while_its_current_cannot_be_read) {  // S4
  make({.ammeter = meter});
  open(supply);
  run(2s);
  EXPECT_FALSE(on());
  EXPECT_FALSE(cut->all_off());
  open(meter);
  run(1s);
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ADeadBench, is_not_proved_off_by_a_current_that_is_no_number) {  // S2 S4
  make({.ammeter = meter});
  fault(sim::FaultKind::not_a_number, meter);
  open_all();
  run(2s);
  EXPECT_FALSE(cut->all_off());
}

// What the dead daemon had asked is still answered.
TEST_F(ADeadBench, is_not_proved_off_by_answers_to_older_questions) {  // S3 S4
  make();
  fault(sim::FaultKind::ignores_output_off, supply);
  open(supply);
  for (int k = 0; k < 10; ++k) cut->receive(supply, "0\n+0.000000E+00\n", now);
  run(100ms);
  EXPECT_FALSE(cut->all_off());
  EXPECT_TRUE(on());
}

TEST_F(ADeadBench, that_obeys_late_is_ordered_again_with_setpoints_to_zero) {  // S4
  make();
  fault(sim::FaultKind::ignores_output_off, supply);
  open(supply);
  run(1s);
  EXPECT_TRUE(on());
  EXPECT_LT(current(), 0.02);  // the setpoints were obeyed
  EXPECT_NE(sent[supply].find("CURR 0.0000"), std::string::npos) << sent[supply];
  EXPECT_FALSE(cut->all_off());
  bench->clear_all();
  run(1s);
  EXPECT_FALSE(on());
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ADeadBench, whose_source_is_mute_is_ordered_off_again_and_again) {  // S4
  make();
  fault(sim::FaultKind::mute, supply);
  open(supply);
  run(3s);
  EXPECT_FALSE(on());            // it obeyed
  EXPECT_FALSE(cut->all_off());  // which nobody knows
  bench->clear_all();
  run(2s);
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ADeadBench, has_its_contactor_opened_when_the_current_has_stopped) {  // S4
  make({.contactor = true, .ammeter = meter});
  open_all();
  run(1ms);
  EXPECT_TRUE(closed());
  run(200ms);
  EXPECT_TRUE(cut->all_off());
  EXPECT_FALSE(closed());
  EXPECT_TRUE(cut->finished(now));
}

TEST_F(ADeadBench, whose_source_cannot_be_reached_is_cut_by_its_contactor) {  // S4 S6
  make({.contactor = true, .ammeter = meter});
  close(supply);
  open(meter);
  open(contactor);
  run(Cut::stage - 10ms);
  EXPECT_TRUE(closed());
  run(200ms);
  EXPECT_FALSE(closed());
  EXPECT_TRUE(on());
  EXPECT_TRUE(cut->all_off());  // no current flows, and none can
  EXPECT_EQ(current(), 0);
}

TEST_F(ADeadBench, whose_contactor_does_not_answer_is_still_proved_off_by_its_source) {  // S4
  make({.contactor = true, .ammeter = meter});
  close(contactor);
  open(supply);
  open(meter);
  run(1s);
  EXPECT_TRUE(cut->all_off());
  EXPECT_FALSE(cut->finished(now));
  run(2s);
  EXPECT_TRUE(cut->finished(now));
}

TEST_F(ADeadBench, is_ordered_off_anew_when_its_link_comes_back) {  // S3 S4
  make();
  fault(sim::FaultKind::ignores_output_off, supply);
  open(supply);
  run(20ms);
  close(supply);
  bench->clear_all();
  run(20ms);
  EXPECT_TRUE(on());
  sent[supply].clear();
  open(supply);
  EXPECT_TRUE(sent[supply].starts_with("\nINST:NSEL 2;:OUTP OFF\n")) << sent[supply];
  EXPECT_FALSE(on());
}

// What the dead daemon had written may arrive after the proof, over a network that lost it once.
TEST_F(ADeadBench, that_was_switched_on_after_the_proof_is_found_when_looked_at_again) {  // S6
  make({.contactor = true, .ammeter = meter});
  open_all();
  run(200ms);
  EXPECT_TRUE(cut->finished(now));
  std::string nothing;
  devices[supply]->execute("OUTP ON", now, nothing);
  bench->set_switch(contactor, 1, true);
  run(1s);
  EXPECT_TRUE(on());
  cut->again(now);
  EXPECT_FALSE(cut->all_off());
  run(200ms);
  EXPECT_TRUE(cut->finished(now));
  EXPECT_FALSE(on());
  EXPECT_FALSE(closed());
}

TEST_F(ADeadBench, that_knows_no_numbers_to_set_is_asked_after_a_silence) {  // S3 S4
  auto spoken = shipped_dialects();
  spoken[supply].resync.reset();
  make({}, spoken);
  open(supply);
  EXPECT_FALSE(on());
  run(50ms);
  EXPECT_FALSE(cut->all_off());
  run(1s);
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ADeadBench, that_wants_pauses_gets_its_off_first_and_the_rest_apart) {  // S4
  auto spoken = shipped_dialects();
  spoken[supply].between = 20ms;
  make({}, spoken);
  sheet.links[supply].address = "tcp://127.0.0.1:1";
  open(supply);
  EXPECT_EQ(sent[supply], "INST:NSEL 2;:OUTP OFF\n");
  EXPECT_FALSE(on());
  run(1s);
  EXPECT_TRUE(cut->all_off());
}

// The daemon may have died right behind a question.
TEST_F(ADeadBench, that_does_not_hear_what_comes_without_a_pause_is_off_two_pauses_later) {  // S6
  auto spoken = shipped_dialects();
  spoken[supply].between = 250ms;
  make({}, spoken);
  sheet.links[supply].address = "tcp://127.0.0.1:1";
  deaf = 250ms;
  heard = now - 1ms;
  open(supply);
  EXPECT_TRUE(on());
  run(2 * deaf + 10ms);
  EXPECT_FALSE(on());
  run(3s);
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ADeadBench, that_never_answers_does_not_fill_the_log) {
  make();
  open(supply);
  for (int k = 0; k < 5000; ++k) {
    close(supply, k % 2 == 0 ? "unplugged" : "refused");
    cut->turn(now += 100ms);
  }
  EXPECT_LE(cut->take_notes().size(), 400U);
}

TEST_F(ADeadBench, uses_only_the_links_that_it_needs) {
  make();
  EXPECT_TRUE(cut->uses(supply));
  EXPECT_FALSE(cut->uses(meter));
  EXPECT_FALSE(cut->uses(contactor));
}

}  // namespace
}  // namespace chargewright::safety::testing

// Another instrument behind the link of one that was lost for a moment: two serial adapters that
// come back with each other's names, an address that was given away.
#include <gtest/gtest.h>

#include <array>
#include <cmath>

#include "byte_supply.h"
#include "safety/cut_chain.h"

namespace chargewright::safety::testing {
namespace {

// A supply and its cell of 3.7 V, which answers at once.
class ChargingOverBytes : public ::testing::Test, public ByteSink {
 protected:
  static Plant read_within(Duration age, bool reads_setpoints, std::uint8_t outputs) {
    Plant plant = plant_of_one_supply();
    plant.channels[0].abilities.reads_setpoints = reads_setpoints;
    plant.channels.resize(outputs, plant.channels[0]);
    for (std::uint8_t k = 0; outputs > 1 && k < outputs; ++k) {
      ChannelPlan& of = plant.channels[k];
      of.source.channel = of.voltmeter.channel = of.ammeter.channel =
          static_cast<std::uint8_t>(k + 1);
    }
    plant.channels[0].allowed_age = age;
    return plant;
  }
  explicit ChargingOverBytes(Duration allowed_age = 500ms, bool has_a_name = true,
                             bool reads_setpoints = true, std::uint8_t outputs = 1)
      : wires(read_within(allowed_age, reads_setpoints, outputs), supply_of(has_a_name), 1, *this) {
    wires.attended();
    wires.start(now);
    wires.link_up(0, now);
  }
  static std::vector<drivers::InstrumentSpec> supply_of(bool has_a_name) {
    auto specs = one_supply(has_a_name ? "Example,PS,17,.*" : "");
    specs[0].dialect.verbs[static_cast<std::size_t>(drivers::Verb::identify)].absent = !has_a_name;
    return specs;
  }
  bool write(drivers::InstrumentId, std::string_view bytes) override {
    heard += bytes;
    return true;
  }

  void pass(Duration time) {
    for (const Instant end = now + time; now < end;) {
      now += 1ms;
      Request beat;
      beat.kind = Request::Kind::heartbeat;
      wires.request(beat, now);
      settle();
    }
  }
  void ask(Request::Kind kind) {
    Request request;
    request.kind = kind;
    request.voltage = 4.20_V;
    request.current = 2.4_A;
    if (kind == Request::Kind::arm) {
      request.plan = run_plan();
      request.plan->thermometers_needed = 0;
    }
    wires.request(request, now);
  }
  void charge() {
    pass(1s);
    ask(Request::Kind::arm);
    pass(1s);
    ask(Request::Kind::charge);
    pass(1s);
    ASSERT_EQ(channel().state, State::energised);
  }
  // For less time than a lost link is borne.
  void come_back_as(const std::string& other) {
    lose_link();
    identity = other;
    wires.link_up(0, now);
  }
  void lose_link() {
    wires.link_down(0, now);
    heard.clear();
    pass(50ms);
  }
  ChannelSnapshot channel() {
    Snapshot snapshot;
    wires.snapshot(snapshot, now);
    return snapshot.channel[0];
  }

  Instant now = at(0s);
  std::string identity = "Example,PS,17,1.0";
  int asked_its_name = 0;
  int garbled_names = 0;  // so many answers yet
  bool nameless = false;  // does not answer who it is
  struct Output {
    bool on = false;
    std::string volts = "0", amperes = "0", over_voltage = "0", over_current = "0";
  };
  std::array<Output, 2> outputs;
  bool& on = outputs[0].on;
  std::string heard_all;
  Wires wires;

 private:
  void settle() {
    let_hear(wires, heard, now, [&](const std::string& line) { hear(line); });
  }
  void hear(std::string line) {
    const auto takes = [&](std::string_view command, std::string& into) {
      if (!line.starts_with(command) || line.ends_with('?')) return;
      into = line.substr(command.size(), line.find(';') - command.size());
    };
    heard_all += line + '|';
    constexpr std::string_view select = "INST:NSEL ";
    const bool second = line.starts_with(std::string(select) + '2');
    Output& output = outputs[second ? 1 : 0];
    if (line.starts_with(select)) line = line.substr(line.find(";:") + 2);
    takes("*ESE ", nonce_);
    takes("SOUR:VOLT ", output.volts);
    takes("SOUR:CURR ", output.amperes);
    takes("VOLT:PROT ", output.over_voltage);
    takes("CURR:PROT ", output.over_current);
    if (line == "OUTP ON") output.on = true;
    if (line == "OUTP OFF") output.on = false;
    asked_its_name += line == "*IDN?" ? 1 : 0;
    if (line == "*IDN?" && nameless) return;
    if (line.ends_with('?')) wires.received(0, answer(line, output) + '\n', now);
  }
  std::string answer(const std::string& question, const Output& output) {
    if (question == "*IDN?" && garbled_names > 0) {
      --garbled_names;
      return "Exa";
    }
    if (question == "*IDN?") return identity;
    if (question == "*ESE?") return nonce_;
    if (question == "SYST:ERR?") return "0,\"No error\"";
    if (question == "SOUR:VOLT?") return output.volts;
    if (question == "SOUR:CURR?") return output.amperes;
    if (question == "OUTP?") return output.on ? "1" : "0";
    if (question == "VOLT:PROT?;:VOLT:PROT:STAT?") return output.over_voltage + ";1";
    if (question == "CURR:PROT?;:CURR:PROT:STAT?") return output.over_current + ";1";
    if (question == "VOLT:PROT:TRIP?;:CURR:PROT:TRIP?") return "0;0";
    if (question == "STAT:QUES:COND?") return output.on ? "1" : "0";
    if (question == "MEAS:VOLT?") return output.on ? "3.8" : "3.7";
    return output.on ? "2.4" : "0";  // MEAS:CURR?
  }
  std::string heard, nonce_;
};

TEST_F(ChargingOverBytes, goes_on_where_the_same_instrument_comes_back) {  // S3
  charge();
  come_back_as("Example,PS,17,1.0");
  pass(2s);
  EXPECT_EQ(channel().state, State::energised);
}

TEST_F(ChargingOverBytes, is_cut_where_another_instrument_comes_back) {  // S1 S3
  charge();
  come_back_as("Example,PS,18,1.0");
  pass(500ms);                                 // it answers everything as the one before it did
  EXPECT_EQ(channel().state, State::cutting);  // nobody knows what the first one does
  EXPECT_EQ(channel().trip.cause, Cause::conversation_failing);
  EXPECT_FALSE(on);  // told off, whoever it is
  come_back_as("Example,PS,17,1.0");
  pass(1s);
  EXPECT_EQ(channel().state, State::tripped);
  ask(Request::Kind::acknowledge);
  pass(1s);
  EXPECT_EQ(channel().state, State::off);
}

TEST_F(ChargingOverBytes, goes_on_where_the_same_instrument_is_garbled_as_it_comes_back) {  // S3
  charge();
  garbled_names = 1;
  come_back_as("Example,PS,17,1.0");
  pass(2s);
  EXPECT_EQ(channel().state, State::energised);
}

TEST_F(ChargingOverBytes, is_cut_where_another_instrument_is_garbled_as_it_comes_back) {  // S1 S3
  charge();
  garbled_names = 1;
  come_back_as("Example,PS,18,1.0");
  pass(500ms);
  EXPECT_EQ(channel().state, State::cutting);
  EXPECT_EQ(channel().trip.cause, Cause::conversation_failing);
  EXPECT_FALSE(on);
}

TEST_F(ChargingOverBytes, is_cut_where_one_comes_back_whose_name_cannot_be_read) {  // S1 S3
  charge();
  come_back_as("Another without commas");
  pass(500ms);
  EXPECT_EQ(channel().state, State::cutting);
  EXPECT_EQ(channel().trip.cause, Cause::conversation_failing);
  EXPECT_FALSE(on);
  come_back_as("Example,PS,17,1.0");
  pass(1s);
  EXPECT_EQ(channel().state, State::tripped);
}

// The off and its proof go before the question who is there.
TEST_F(ChargingOverBytes, has_no_off_confirmed_by_another_instrument_that_comes_back) {  // S3 S4
  charge();
  lose_link();
  ask(Request::Kind::cut);
  identity = "Example,PS,18,1.0";
  wires.link_up(0, now);
  pass(2s);
  EXPECT_FALSE(on);  // told off, whoever it is
  EXPECT_EQ(channel().state, State::cutting);
  for (Event event; wires.take_event(event);) {
    if (event.kind != Event::Kind::cut_stage) continue;
    EXPECT_NE(event.cut_stage, static_cast<std::uint8_t>(CutStage::off_confirmed));
  }
}

TEST_F(ChargingOverBytes, is_known_again_however_often_its_name_was_garbled) {  // S3 S4
  charge();
  garbled_names = 100;
  come_back_as("Example,PS,17,1.0");
  pass(500ms);
  EXPECT_EQ(channel().state, State::cutting);  // so that an off is proved in the end
  pass(10s);
  EXPECT_EQ(garbled_names, 0);
  EXPECT_EQ(channel().state, State::tripped);
}

// A silence is borne for long, and with it a link that was lost.
class ReadAtLeisureOverBytes : public ChargingOverBytes {
 protected:
  ReadAtLeisureOverBytes() : ChargingOverBytes(4s) {}
};

TEST_F(ReadAtLeisureOverBytes, goes_on_where_the_same_instrument_names_itself_late) {  // S3
  charge();
  nameless = true;
  come_back_as("Example,PS,17,1.0");
  pass(600ms);
  nameless = false;
  pass(5s);
  EXPECT_EQ(channel().state, State::energised);
}

TEST_F(ReadAtLeisureOverBytes, is_cut_where_one_comes_back_that_names_itself_never) {  // S1 S3
  charge();
  nameless = true;
  come_back_as("Example,PS,18,1.0");
  pass(5s);
  EXPECT_EQ(channel().state, State::cutting);
  EXPECT_EQ(channel().trip.cause, Cause::conversation_failing);
  EXPECT_FALSE(on);
}

TEST_F(ReadAtLeisureOverBytes,
       goes_on_where_the_link_was_lost_again_before_it_named_itself) {  // S3
  charge();
  nameless = true;
  come_back_as("Example,PS,17,1.0");
  pass(20ms);
  lose_link();
  nameless = false;
  wires.link_up(0, now);
  pass(2s);
  EXPECT_EQ(channel().state, State::energised);
}

// What is steered to meanwhile is meant for the cell of the one before.
class SteeredMeanwhile : public ChargingOverBytes {
 protected:
  // What is answered in no time at all cannot be told from before a setpoint was written.
  explicit SteeredMeanwhile(std::uint8_t outputs = 1)
      : ChargingOverBytes(4s, true, false, outputs) {}
  // Before it has said who it is, and after.
  void come_back_and_be_steered(const std::string& identity) {
    charge();
    nameless = true;
    come_back_as(identity);
    steer();
    pass(300ms);
    EXPECT_FALSE(was_steered());
    nameless = false;
    pass(2s);
  }
  void rest_and_come_back_nameless() {
    charge();
    ask(Request::Kind::rest);
    pass(1s);
    ASSERT_EQ(channel().state, State::ready);
    nameless = true;
    come_back_as("Example,PS,17,1.0");
  }
  void steer() {
    Request moved;
    moved.kind = Request::Kind::charge;
    moved.voltage = 4.10_V;
    moved.current = 2.0_A;
    wires.request(moved, now);
  }
  bool was_steered() const { return heard_all.find("SOUR:VOLT 4.1") != std::string::npos; }
};

TEST_F(SteeredMeanwhile, another_instrument_is_told_nothing_that_energises) {  // S1
  come_back_and_be_steered("Example,PS,18,1.0");
  EXPECT_FALSE(was_steered());
  EXPECT_EQ(channel().state, State::cutting);
}

TEST_F(SteeredMeanwhile, the_same_instrument_is_told_once_it_has_named_itself) {
  come_back_and_be_steered("Example,PS,17,1.0");
  EXPECT_TRUE(was_steered());
  EXPECT_EQ(channel().state, State::energised) << describe(channel().trip);
}

TEST_F(SteeredMeanwhile, an_off_passes_what_is_held_back) {  // S4
  rest_and_come_back_nameless();
  heard_all.clear();
  ask(Request::Kind::charge);  // protections and setpoints: none may come
  pass(50ms);
  ask(Request::Kind::cut);
  pass(700ms);
  EXPECT_NE(heard_all.find("SOUR:VOLT 0.0000"), std::string::npos);
  nameless = false;
  pass(2s);
  for (const char* energises : {"OUTP ON", "SOUR:VOLT 4.2", "SOUR:CURR 2.4"}) {
    EXPECT_EQ(heard_all.find(energises), std::string::npos) << heard_all;
  }
  EXPECT_FALSE(on);
  EXPECT_EQ(channel().state, State::tripped);
}

TEST_F(SteeredMeanwhile, what_is_held_back_fails_with_the_link) {  // S1
  charge();
  nameless = true;
  come_back_as("Example,PS,17,1.0");
  ask(Request::Kind::charge);
  steer();
  pass(20ms);
  lose_link();
  nameless = false;
  wires.link_up(0, now);
  pass(2s);
  EXPECT_FALSE(was_steered());
  EXPECT_EQ(channel().state, State::tripped);  // what was asked for was not set
}

TEST_F(SteeredMeanwhile, one_that_is_known_to_be_another_is_told_nothing_at_all) {  // S1
  charge();
  ask(Request::Kind::rest);
  pass(1s);
  come_back_as("Example,PS,18,1.0");
  pass(300ms);
  heard_all.clear();
  ask(Request::Kind::charge);
  pass(300ms);
  EXPECT_EQ(heard_all.find("PROT 4"), std::string::npos) << heard_all;
  EXPECT_FALSE(on);
}

class SteeredBesideAnother : public SteeredMeanwhile {
 protected:
  SteeredBesideAnother() : SteeredMeanwhile(2) {}
};

TEST_F(SteeredBesideAnother, an_off_of_the_other_output_voids_nothing_of_this_one) {  // S4
  rest_and_come_back_nameless();
  ask(Request::Kind::charge);
  pass(10ms);
  Request cut;
  cut.kind = Request::Kind::cut;
  cut.channel = 1;
  wires.request(cut, now);
  pass(700ms);
  EXPECT_FALSE(on);
  nameless = false;
  pass(2s);
  EXPECT_TRUE(on);
  EXPECT_EQ(channel().state, State::energised) << describe(channel().trip);
}

class NamelessOverBytes : public ChargingOverBytes {
 protected:
  NamelessOverBytes() : ChargingOverBytes(500ms, false) {}
};

TEST_F(NamelessOverBytes, is_not_asked_who_it_is_and_proved_off) {  // S4
  pass(1s);
  EXPECT_EQ(asked_its_name, 0);
  EXPECT_EQ(channel().state, State::off);
}

TEST_F(ChargingOverBytes,
       is_refused_by_name_where_another_instrument_came_back_before_a_run) {  // S1
  pass(1s);
  come_back_as("Example,PS,18,1.0");
  pass(1s);
  ASSERT_EQ(channel().state, State::off);
  ask(Request::Kind::arm);
  pass(100ms);
  EXPECT_EQ(channel().refusal, Refusal::identity_mismatch);
  EXPECT_FALSE(on);
}

// Never the right one: a refusal names it, and its output is proved off all the same.
TEST_F(ChargingOverBytes,
       is_refused_by_name_where_another_instrument_was_there_from_the_first) {  // S1
  identity = "Example,PS,18,1.0";
  pass(1s);
  ASSERT_EQ(channel().state, State::off);
  ask(Request::Kind::arm);
  pass(1s);
  EXPECT_EQ(channel().refusal, Refusal::identity_mismatch);
  EXPECT_EQ(channel().state, State::off);
}

}  // namespace
}  // namespace chargewright::safety::testing

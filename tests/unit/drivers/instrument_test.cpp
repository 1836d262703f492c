#include "drivers/instrument.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <limits>
#include <map>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "allocation_counter.h"
#include "drivers/scpi/conversation.h"
#include "tests/support/places.h"

namespace chargewright::drivers {
namespace {

using std::chrono::milliseconds;

constexpr Instant at(int ms) { return Instant{milliseconds(ms)}; }

const std::string shipped = test::in_source("drivers/dialects");

InstrumentSpec spec_of(const std::string& dialect, const std::string& identity = "") {
  return {.name = "supply",
          .id = 3,
          .identity = identity,
          .dialect = load_dialect(dialect, {shipped}).value()};
}

// An instrument at whose other end this test stands and answers by hand.
class Hand {
 public:
  explicit Hand(InstrumentSpec spec) : instrument(std::move(spec)) {}
  explicit Hand(const std::string& dialect) : Hand(spec_of(dialect)) {}

  std::string sent() {
    std::string text(instrument.to_write());
    instrument.written(text.size());
    for (char& c : text) {
      if (c == '\n') c = '|';
    }
    return text;
  }
  void hear(std::string_view bytes, int ms) { instrument.receive(bytes, at(ms)); }
  void order(Verb verb, int ms, double value = 0, std::uint8_t channel = 0, bool urgent = false) {
    instrument.order({.ticket = ++ticket_,
                      .instrument = 3,
                      .channel = channel,
                      .verb = verb,
                      .urgent = urgent,
                      .value = value},
                     at(ms));
  }
  void bring_in_step(int ms) {
    instrument.link_up(at(ms));
    resync(ms);
    ASSERT_TRUE(instrument.is_in_step());
  }
  void resync(int ms) {
    for (int i = 0; i < 2; ++i) {
      const std::string text = sent();
      if (text.rfind("*ESE ") == std::string::npos) return;
      const std::size_t from = text.rfind("*ESE ") + 5;
      hear(text.substr(from, text.find('|', from) - from) + "\n", ms);
    }
  }
  // The next outcome; the test fails where there is none.
  Outcome outcome() {
    Outcome outcome;
    EXPECT_TRUE(instrument.take(outcome));
    return outcome;
  }
  bool silent() {
    Outcome outcome;
    return !instrument.take(outcome);
  }

 private:
  std::uint32_t ticket_ = 0;

 public:
  Instrument instrument;
};

TEST(Instrument, measures_and_says_when_it_asked_and_was_answered) {
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::measure_voltage, 100);
  EXPECT_EQ(hand.sent(), "MEAS:VOLT?|");
  hand.hear("+4.17", 103);
  hand.hear("000000E+00\r\n", 104);
  const Outcome outcome = hand.outcome();
  EXPECT_EQ(outcome.ending, Ending::done);
  EXPECT_DOUBLE_EQ(outcome.value, 4.17);
  EXPECT_EQ(outcome.order.ticket, 1U);
  EXPECT_EQ(outcome.asked, at(100));
  EXPECT_EQ(outcome.answered, at(104));
  EXPECT_TRUE(hand.silent());
  EXPECT_EQ(hand.instrument.round_trip_worst(), milliseconds(4));
}

struct AnswerRow {
  const char* answer;
  Ending ending;
};
TEST(Instrument, what_is_not_a_number_is_never_done) {  // S2
  for (const AnswerRow& row :
       {AnswerRow{"9.91E37", Ending::not_a_number}, AnswerRow{"NAN", Ending::not_a_number},
        AnswerRow{"9.9E37", Ending::infinite}, AnswerRow{"-9.9E37", Ending::infinite},
        AnswerRow{"four", Ending::unparsable}, AnswerRow{"4.2 V", Ending::unparsable},
        AnswerRow{"4.2;4.3", Ending::unparsable}, AnswerRow{"4.\x80", Ending::unparsable}}) {
    Hand hand("scpi-supply");
    hand.bring_in_step(0);
    hand.order(Verb::measure_voltage, 1);
    hand.sent();
    hand.hear(std::string(row.answer) + "\n", 2);
    EXPECT_EQ(hand.outcome().ending, row.ending) << row.answer;
    EXPECT_EQ(hand.instrument.is_in_step(), row.ending != Ending::unparsable) << row.answer;
  }
}

TEST(Instrument, a_setpoint_is_done_only_when_it_is_read_back) {  // S1
  struct Row {
    const char* readback;
    Ending ending;
  };
  for (const Row& row : {Row{"4.2000", Ending::done}, Row{"4.2050", Ending::done},
                         Row{"4.2051", Ending::disproved}, Row{"4.1949", Ending::disproved},
                         Row{"0", Ending::disproved}, Row{"9.91E37", Ending::not_a_number},
                         Row{"", Ending::timed_out}, Row{"x", Ending::unparsable}}) {
    Hand hand("scpi-supply");
    hand.bring_in_step(0);
    hand.order(Verb::set_voltage, 1, 4.2);
    EXPECT_EQ(hand.sent(), "SOUR:VOLT 4.2000|");
    EXPECT_EQ(hand.instrument.wake(), at(1));
    hand.instrument.turn(at(1));
    EXPECT_EQ(hand.sent(), "SOUR:VOLT?|");
    hand.hear(std::string(row.readback) + "\n", 2);
    hand.instrument.turn(at(501));
    const Outcome outcome = hand.outcome();
    EXPECT_EQ(outcome.ending, row.ending) << row.readback;
    if (row.ending == Ending::disproved) {
      EXPECT_EQ(outcome.value, std::stod(row.readback));
    }
  }
}

TEST(Instrument, a_protection_is_armed_only_when_level_and_state_are_read_back) {  // S1
  for (const AnswerRow& row :
       {AnswerRow{"4.30;1", Ending::done}, AnswerRow{"4.30;0", Ending::disproved},
        AnswerRow{"5.00;1", Ending::disproved}, AnswerRow{"4.30", Ending::unparsable},
        AnswerRow{"4.30;1;1", Ending::unparsable}, AnswerRow{"4.30;", Ending::unparsable}}) {
    Hand hand("scpi-supply");
    hand.bring_in_step(0);
    hand.order(Verb::set_over_voltage, 1, 4.3);
    EXPECT_EQ(hand.sent(), "VOLT:PROT 4.3000;:VOLT:PROT:STAT ON|");
    hand.instrument.turn(at(1));
    EXPECT_EQ(hand.sent(), "VOLT:PROT?;:VOLT:PROT:STAT?|");
    hand.hear(std::string(row.answer) + "\n", 2);
    EXPECT_EQ(hand.outcome().ending, row.ending) << row.answer;
  }
}

TEST(Instrument, waits_the_settling_time_before_the_proof) {
  Hand hand("scpi-switch");
  hand.bring_in_step(0);
  hand.order(Verb::close_switch, 10, 0, 2);
  EXPECT_EQ(hand.sent(), "ROUT:CLOS (@2)|");
  EXPECT_EQ(hand.instrument.wake(), at(60));
  hand.instrument.turn(at(59));
  EXPECT_EQ(hand.sent(), "");
  hand.instrument.turn(at(60));
  EXPECT_EQ(hand.sent(), "ROUT:CLOS? (@2)|");
  hand.hear("1\n", 61);
  EXPECT_EQ(hand.outcome().ending, Ending::done);
}

TEST(Instrument, protection_answers_become_bits) {
  for (const auto& [answer, value] :
       std::map<std::string, double>{{"0;0", 0}, {"1;0", 1}, {"0;1", 2}, {"1;1", 3}}) {
    Hand hand("scpi-supply");
    hand.bring_in_step(0);
    hand.order(Verb::read_protection, 1);
    EXPECT_EQ(hand.sent(), "VOLT:PROT:TRIP?;:CURR:PROT:TRIP?|");
    hand.hear(answer + "\n", 2);
    EXPECT_EQ(hand.outcome().value, value) << answer;
  }
}

TEST(Instrument, a_command_without_proof_is_done_when_the_link_has_taken_it) {
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::clear_protection, 1);
  EXPECT_TRUE(hand.silent());
  EXPECT_EQ(hand.sent(), "VOLT:PROT:CLE;:CURR:PROT:CLE|");
  hand.instrument.turn(at(1));
  EXPECT_EQ(hand.outcome().ending, Ending::done);
}

// A hand at the panel may select another one between any two messages.
TEST(Instrument, selects_the_channel_in_every_message_that_belongs_to_one) {  // S3 S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  const auto measure = [&](std::uint8_t channel) {
    hand.order(Verb::measure_voltage, 1, 0, channel);
    std::string text = hand.sent();
    hand.hear("4.2\n", 1);
    EXPECT_EQ(hand.outcome().ending, Ending::done);
    return text;
  };
  EXPECT_EQ(measure(2), "INST:NSEL 2;:MEAS:VOLT?|");
  EXPECT_EQ(measure(2), "INST:NSEL 2;:MEAS:VOLT?|");
  EXPECT_EQ(measure(0), "MEAS:VOLT?|");
  hand.order(Verb::set_voltage, 1, 4.2, 2);
  EXPECT_EQ(hand.sent(), "INST:NSEL 2;:SOUR:VOLT 4.2000|");
  hand.instrument.turn(at(1));
  EXPECT_EQ(hand.sent(), "INST:NSEL 2;:SOUR:VOLT?|");
  hand.hear("4.2\n", 1);
  EXPECT_EQ(hand.outcome().ending, Ending::done);
  hand.order(Verb::output_off, 1, 0, 2, true);
  EXPECT_EQ(hand.sent(), "INST:NSEL 2;:OUTP OFF|INST:NSEL 2;:OUTP?|");
  hand.hear("0\n", 1);
  EXPECT_EQ(hand.outcome().ending, Ending::done);
  hand.order(Verb::identify, 1, 0, 2);
  EXPECT_EQ(hand.sent(), "*IDN?|");
}

TEST(Instrument, an_urgent_output_off_is_written_at_once_and_proved_first) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::measure_voltage, 1);
  hand.order(Verb::measure_current, 1);
  EXPECT_EQ(hand.sent(), "MEAS:VOLT?|");
  hand.order(Verb::output_off, 2, 0, 0, true);
  EXPECT_EQ(hand.sent(), "OUTP OFF|");
  hand.hear("4.2\n", 3);
  EXPECT_EQ(hand.outcome().order.verb, Verb::measure_voltage);
  EXPECT_EQ(hand.sent(), "OUTP?|");
  hand.hear("0\n", 4);
  const Outcome off = hand.outcome();
  EXPECT_EQ(off.order.verb, Verb::output_off);
  EXPECT_EQ(off.ending, Ending::done);
  EXPECT_EQ(off.asked, at(2));
  EXPECT_EQ(off.answered, at(4));
  EXPECT_EQ(hand.sent(), "MEAS:CURR?|");
}

TEST(Instrument, repeated_urgent_orders_leave_a_turn_to_the_questions_behind_them) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::measure_current, 1, 0, 1);
  (void)hand.sent();
  hand.order(Verb::measure_current, 1, 0, 1);
  hand.order(Verb::measure_voltage, 1, 0, 2);
  hand.order(Verb::output_off, 2, 0, 1, true);
  (void)hand.sent();
  // An answer takes longer than the pause between two repeats: a proof waits at every moment.
  const std::array<std::pair<const char*, Verb>, 5> answers{{{"0.7", Verb::measure_current},
                                                             {"0", Verb::output_off},
                                                             {"0.6", Verb::measure_current},
                                                             {"0", Verb::output_off},
                                                             {"4.2", Verb::measure_voltage}}};
  for (int k = 0; k < 5; ++k) {
    hand.order(Verb::output_off, 3 + 2 * k, 0, 1, true);
    (void)hand.sent();
    hand.hear(std::string(answers[k].first) + "\n", 4 + 2 * k);
    (void)hand.sent();
    const Outcome outcome = hand.outcome();
    EXPECT_EQ(outcome.order.verb, answers[k].second) << k;
    EXPECT_EQ(outcome.ending, Ending::done) << k;
  }
}

TEST(Instrument, an_urgent_output_off_that_is_ignored_is_disproved) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::output_off, 1, 0, 0, true);
  EXPECT_EQ(hand.sent(), "OUTP OFF|OUTP?|");
  hand.hear("1\n", 2);
  const Outcome off = hand.outcome();
  EXPECT_EQ(off.ending, Ending::disproved);
  EXPECT_EQ(off.value, 1);
}

TEST(Instrument, an_urgent_output_off_is_written_even_to_a_mute_instrument) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::measure_voltage, 0);
  hand.sent();
  for (int ms = 500; ms < 3000; ms += 10) {
    hand.instrument.turn(at(ms));
    hand.sent();
    hand.order(Verb::output_off, ms, 0, 0, true);
    ASSERT_EQ(hand.sent(), "OUTP OFF|") << ms;
    for (Outcome outcome; hand.instrument.take(outcome);) {
      EXPECT_NE(outcome.ending, Ending::done);
    }
  }
}

TEST(Instrument, nothing_switches_on_behind_a_cut) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::measure_voltage, 1);
  hand.sent();
  hand.order(Verb::output_on, 2, 0, 1);
  hand.order(Verb::output_on, 2, 0, 2);
  hand.order(Verb::output_off, 3, 0, 1, true);
  const Outcome voided = hand.outcome();
  EXPECT_EQ(voided.order.verb, Verb::output_on);
  EXPECT_EQ(voided.order.channel, 1);
  EXPECT_EQ(voided.ending, Ending::refused);
  EXPECT_EQ(hand.sent(), "INST:NSEL 1;:OUTP OFF|");
  hand.hear("4.2\n", 3);
  EXPECT_EQ(hand.sent(), "INST:NSEL 1;:OUTP?|");
  hand.hear("0\n", 3);
  EXPECT_EQ(hand.sent(), "INST:NSEL 2;:OUTP ON|");
}

TEST(Instrument, a_cut_takes_back_what_the_link_has_not_taken_yet) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::output_on, 1, 0, 2);
  hand.order(Verb::output_off, 1, 0, 2, true);  // nobody wrote in between
  EXPECT_EQ(hand.outcome().ending, Ending::refused);
  EXPECT_EQ(hand.sent(), "INST:NSEL 2;:OUTP OFF|INST:NSEL 2;:OUTP?|");
}

TEST(Instrument, an_urgent_channel_does_not_become_that_of_a_waiting_message) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::measure_voltage, 1, 0, 2);
  hand.order(Verb::output_off, 1, 0, 1, true);
  EXPECT_EQ(hand.sent(), "INST:NSEL 1;:OUTP OFF|INST:NSEL 1;:OUTP?|");
  hand.hear("0\n", 2);
  EXPECT_EQ(hand.outcome().ending, Ending::done);
  EXPECT_EQ(hand.sent(), "INST:NSEL 2;:MEAS:VOLT?|");
  hand.hear("4.2\n", 3);
  EXPECT_EQ(hand.outcome().ending, Ending::done);
}

TEST(Instrument, a_command_taken_back_by_a_cut_is_not_reported_done) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::clear_protection, 1);
  hand.order(Verb::output_off, 1, 0, 0, true);
  EXPECT_TRUE(hand.silent());
  EXPECT_EQ(hand.sent(), "OUTP OFF|OUTP?|");
  hand.hear("0\n", 2);
  EXPECT_EQ(hand.outcome().order.verb, Verb::output_off);
  EXPECT_EQ(hand.sent(), "VOLT:PROT:CLE;:CURR:PROT:CLE|");
}

TEST(Instrument, a_command_that_was_dropped_before_it_left_is_not_done) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::clear_protection, 1);  // has no proof; and nobody writes
  hand.hear("who is that?\n", 2);         // out of step
  EXPECT_EQ(hand.outcome().ending, Ending::timed_out);
  hand.instrument.turn(at(200));
  hand.resync(200);
  ASSERT_TRUE(hand.instrument.is_in_step());
  EXPECT_EQ(hand.sent().find("PROT:CLE"), std::string::npos);
  EXPECT_TRUE(hand.silent());
}

TEST(Instrument, an_urgent_command_without_proof_is_done_only_when_it_has_left) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::clear_protection, 1, 0, 0, true);
  hand.instrument.turn(at(2));
  EXPECT_TRUE(hand.silent());
  hand.instrument.link_down(at(3));
  EXPECT_EQ(hand.outcome().ending, Ending::link_down);

  hand.bring_in_step(10);
  hand.order(Verb::measure_voltage, 11);
  hand.sent();
  hand.order(Verb::clear_protection, 12, 0, 0, true);
  EXPECT_TRUE(hand.silent());
  hand.sent();
  EXPECT_LE(hand.instrument.wake(), at(12));
  hand.instrument.turn(at(12));  // the question before it is still open
  EXPECT_EQ(hand.outcome().ending, Ending::done);
}

TEST(Instrument, does_not_ask_to_be_woken_for_what_its_link_has_not_taken) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::clear_protection, 1, 0, 0, true);
  for (int ms = 2; ms < 2000; ms += 100) {  // past the time that it needs to settle
    hand.instrument.turn(at(ms));
    ASSERT_GT(hand.instrument.wake(), at(ms));
  }
  EXPECT_TRUE(hand.silent());
}

TEST(Instrument, an_absent_verb_is_absent_and_writes_nothing) {
  Hand hand("scpi-meter");
  hand.order(Verb::output_off, 0, 0, 0, true);
  EXPECT_EQ(hand.outcome().ending, Ending::absent);
  EXPECT_EQ(hand.sent(), "");
}

TEST(Instrument, orders_end_at_once_when_the_link_is_or_goes_down) {  // S3
  Hand hand("scpi-supply");
  hand.order(Verb::measure_voltage, 0);
  EXPECT_EQ(hand.outcome().ending, Ending::link_down);
  hand.bring_in_step(0);
  hand.order(Verb::measure_voltage, 1);
  hand.order(Verb::measure_current, 1);
  hand.order(Verb::output_off, 1, 0, 0, true);
  hand.sent();
  hand.instrument.link_down(at(2));
  for (int i = 0; i < 3; ++i) EXPECT_EQ(hand.outcome().ending, Ending::link_down);
  EXPECT_TRUE(hand.silent());
  EXPECT_FALSE(hand.instrument.is_up());
  EXPECT_EQ(hand.instrument.wake(), never);
}

TEST(Instrument, values_that_are_not_finite_are_refused) {
  for (const double value : {std::nan(""), std::numeric_limits<double>::infinity(), 1e15}) {
    for (const bool urgent : {false, true}) {
      Hand hand("scpi-supply");
      hand.bring_in_step(0);
      hand.order(Verb::set_voltage, 1, value, 0, urgent);
      EXPECT_EQ(hand.outcome().ending, Ending::refused);
      EXPECT_EQ(hand.sent(), "");
    }
  }
}

TEST(Instrument, the_257th_order_is_refused) {
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  for (int i = 0; i < 256; ++i) hand.order(Verb::measure_voltage, 1);
  EXPECT_TRUE(hand.silent());
  hand.order(Verb::measure_voltage, 1);
  const Outcome refused = hand.outcome();
  EXPECT_EQ(refused.ending, Ending::refused);
  EXPECT_EQ(refused.order.ticket, 257U);
}

TEST(Instrument, drains_its_errors_and_keeps_the_first) {  // S1
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::drain_errors, 1);
  EXPECT_EQ(hand.sent(), "SYST:ERR?|");
  hand.hear("-222,\"Data out of range\"\n", 2);
  EXPECT_EQ(hand.sent(), "SYST:ERR?|");
  hand.hear("-113,\"Undefined header\"\n", 3);
  hand.sent();
  hand.hear("0,\"No error\"\n", 4);
  const Outcome outcome = hand.outcome();
  EXPECT_EQ(outcome.ending, Ending::done);
  EXPECT_EQ(outcome.value, 2);
  EXPECT_EQ(outcome.device_error, -222);
}

TEST(Instrument, errors_that_will_not_drain_are_a_device_error) {  // S1
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::drain_errors, 1);
  for (int i = 0; i < 32; ++i) {
    EXPECT_EQ(hand.sent(), "SYST:ERR?|");
    hand.hear("-350,\"Queue overflow\"\n", 2);
  }
  EXPECT_EQ(hand.outcome().ending, Ending::device_error);
  EXPECT_EQ(hand.sent(), "");
}

TEST(Instrument, a_reading_comes_between_two_errors) {  // S3 S7
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::drain_errors, 1);
  hand.order(Verb::measure_voltage, 1);
  EXPECT_EQ(hand.sent(), "SYST:ERR?|");
  hand.hear("-222,\"Data out of range\"\n", 2);
  EXPECT_EQ(hand.sent(), "MEAS:VOLT?|");
  hand.hear("3.7\n", 3);
  EXPECT_EQ(hand.outcome().value, 3.7);
  EXPECT_EQ(hand.sent(), "SYST:ERR?|");
  hand.hear("0,\"No error\"\n", 4);
  const Outcome outcome = hand.outcome();
  EXPECT_EQ(outcome.order.verb, Verb::drain_errors);
  EXPECT_EQ(outcome.value, 1);
  EXPECT_EQ(outcome.device_error, -222);
}

TEST(Instrument, a_cut_comes_between_two_errors) {  // S4
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::drain_errors, 1);
  hand.sent();
  hand.order(Verb::output_off, 1, 0, 0, true);
  EXPECT_EQ(hand.sent(), "OUTP OFF|");
  hand.hear("-222,\"Data out of range\"\n", 2);
  EXPECT_EQ(hand.sent(), "OUTP?|");
  hand.hear("0\n", 3);
  EXPECT_EQ(hand.sent(), "SYST:ERR?|");
}

TEST(Instrument, the_whole_identity_must_match) {  // S1
  struct Row {
    const char* pattern;
    double value;
  };
  for (const Row& row : {Row{"Example,PS-20-20,.*", 1}, Row{"Example,PS", 0},
                         Row{"Other,PS-20-20,.*", 0}, Row{"", 1}, Row{"(", 0}}) {
    Hand hand(spec_of("scpi-supply", row.pattern));
    hand.bring_in_step(0);
    hand.order(Verb::identify, 1);
    hand.sent();
    hand.hear("Example,PS-20-20,0,1.0\n", 2);
    const Outcome outcome = hand.outcome();
    EXPECT_EQ(outcome.ending, Ending::done);
    EXPECT_EQ(outcome.value, row.value) << row.pattern;
    EXPECT_EQ(hand.instrument.identification(), "Example,PS-20-20,0,1.0");
    EXPECT_FALSE(hand.instrument.is_simulated());
  }
}

TEST(Instrument, only_a_simulated_model_is_simulated) {
  for (const auto& [answer, simulated] : std::map<std::string, bool>{
           {"Example,Simulated supply,0,1", true}, {"Simulated,PS,0,1", false}}) {
    Hand hand("scpi-supply");
    EXPECT_FALSE(hand.instrument.is_simulated());
    hand.bring_in_step(0);
    hand.order(Verb::identify, 1);
    hand.hear("", 1);
    hand.sent();
    hand.hear(answer + "\n", 2);
    EXPECT_EQ(hand.instrument.is_simulated(), simulated);
  }
}

TEST(Instrument, an_identity_that_is_none_or_too_long_is_unparsable) {
  for (const std::string& answer :
       {std::string("PS-20-20"), "a,b,c," + std::string(300, 'd'), std::string("4.2")}) {
    Hand hand("scpi-supply");
    hand.bring_in_step(0);
    hand.order(Verb::identify, 1);
    hand.sent();
    hand.hear(answer + "\n", 2);
    EXPECT_EQ(hand.outcome().ending, Ending::unparsable);
  }
}

TEST(Instrument, a_bad_identity_pattern_is_a_failure_beforehand) {
  EXPECT_TRUE(check_identity_pattern("Example,PS-20-20,.*"));
  EXPECT_FALSE(check_identity_pattern("Example("));
  EXPECT_FALSE(check_identity_pattern("(a)\\1"));
  EXPECT_FALSE(check_identity_pattern(std::string(257, 'a')));
}

TEST(Instrument, a_pattern_made_to_take_for_ever_does_not) {
  Hand hand(spec_of("scpi-supply", "(a*)*(a*)*(a*)*b"));
  hand.bring_in_step(0);
  hand.order(Verb::identify, 1);
  hand.sent();
  hand.hear(std::string(200, 'a') + ",b,c,d\n", 2);
  EXPECT_EQ(hand.outcome().value, 0);
}

TEST(Instrument, an_order_waits_out_a_recovery_but_not_for_ever) {
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  hand.order(Verb::measure_voltage, 0);
  hand.order(Verb::measure_current, 0);
  hand.order(Verb::read_output, 0);
  hand.sent();
  hand.instrument.turn(at(500));
  EXPECT_EQ(hand.outcome().order.verb, Verb::measure_voltage);
  EXPECT_TRUE(hand.silent());
  hand.instrument.turn(at(550));
  hand.resync(560);
  EXPECT_EQ(hand.sent(), "MEAS:CURR?|");
  hand.instrument.turn(at(1060));
  EXPECT_EQ(hand.outcome().ending, Ending::timed_out);
  hand.instrument.turn(at(1559));
  EXPECT_TRUE(hand.silent());
  hand.instrument.turn(at(1560));
  const Outcome last = hand.outcome();
  EXPECT_EQ(last.order.verb, Verb::read_output);
  EXPECT_EQ(last.ending, Ending::timed_out);
  EXPECT_EQ(last.answered, at(1560));
}

// Whatever comes in, and however the link behaves, each order has one outcome, and in time.
TEST(Instrument, every_order_has_exactly_one_outcome_in_bounded_time) {
  std::mt19937 random(17);
  const std::string alphabet = "0123456789.;,-E+\"\n\n\n\r\xFF";
  for (int round = 0; round < 60; ++round) {
    Hand hand("scpi-supply");
    std::map<std::uint32_t, int> ordered;
    std::uint32_t ticket = 0;
    const auto take = [&](int ms) {
      for (Outcome outcome; hand.instrument.take(outcome);) {
        ASSERT_EQ(ordered.erase(outcome.order.ticket), 1U);
        ASSERT_GE(outcome.answered, outcome.asked);
        ASSERT_LE(outcome.answered, at(ms));
      }
    };
    int ms = 0;
    for (; ms < 20'000; ms += 1 + static_cast<int>(random() % 20)) {
      switch (random() % 16) {
        case 0:
          if (random() % 20 == 0) hand.instrument.link_down(at(ms));
          break;
        case 1:
          if (!hand.instrument.is_up()) hand.instrument.link_up(at(ms));
          break;
        case 2:
        case 3: {
          std::string noise(random() % 12, ' ');
          for (char& c : noise) c = alphabet[random() % alphabet.size()];
          hand.hear(noise, ms);
          break;
        }
        case 4:
        case 5:
        case 6: {
          const Order order{.ticket = ++ticket,
                            .channel = static_cast<std::uint8_t>(random() % 3),
                            .verb = static_cast<Verb>(random() % verb_count),
                            .urgent = random() % 3 == 0,
                            .value = static_cast<double>(random() % 20)};
          ordered[ticket] = ms;
          hand.instrument.order(order, at(ms));
          break;
        }
        case 7:
          hand.instrument.written(hand.instrument.to_write().empty()
                                      ? 0
                                      : random() % hand.instrument.to_write().size());
          break;
        case 8:
          hand.resync(ms);
          break;
        case 9:
        case 10:
          hand.hear(random() % 2 == 0 ? "1\n" : "4.0;1\n", ms);
          break;
        default:
          hand.sent();
      }
      hand.instrument.turn(at(ms));
      take(ms);
    }
    // At most 256 + 32 orders, each with its deadline, a settling time and a recovery at the worst.
    for (int end = ms + 200'000; ms < end && !ordered.empty(); ms += 50) {
      hand.instrument.turn(at(ms));
      hand.sent();
      take(ms);
    }
    EXPECT_TRUE(ordered.empty()) << ordered.begin()->first;
    EXPECT_TRUE(hand.silent());
  }
}

TEST(Instrument, always_wakes_in_time_for_what_it_has_to_do) {
  // Turned only at wake(), a mute instrument still ends every order.
  Hand hand("scpi-supply");
  hand.instrument.link_up(at(0));
  hand.order(Verb::measure_voltage, 0);
  hand.order(Verb::output_off, 0, 0, 0, true);
  Instant now = at(0);
  int turns = 0;
  for (int outcomes = 0; outcomes < 2; ++turns) {
    hand.sent();
    for (Outcome outcome; hand.instrument.take(outcome);) ++outcomes;
    ASSERT_LT(turns, 50);
    now = std::max(now, hand.instrument.wake());
    ASSERT_LT(now, at(5000));
    hand.instrument.turn(now);
  }
}

TEST(Instrument, allocates_nothing_once_it_runs) {
  Hand hand("scpi-supply");
  hand.bring_in_step(0);
  Instrument& instrument = hand.instrument;
  const auto drain = [&] {
    instrument.written(instrument.to_write().size());
    for (Outcome outcome; instrument.take(outcome);) {
    }
  };
  const std::size_t before = allocations();
  int ms = 10;
  for (int i = 0; i < 1000; ++i) {
    for (std::uint8_t verb = 1; verb < verb_count; ++verb) {
      instrument.order({.ticket = 1,
                        .channel = static_cast<std::uint8_t>(i % 3),
                        .verb = static_cast<Verb>(verb),
                        .urgent = i % 5 == 0,
                        .value = 4.2},
                       at(ms));
    }
    for (int j = 0; j < 40; ++j, ++ms) {
      drain();
      instrument.receive(i % 7 == 0 ? "x;\"\n" : "4.2\n", at(ms));
      instrument.turn(at(ms));
    }
    if (i % 100 == 0) {
      instrument.link_down(at(ms));
      drain();
      instrument.link_up(at(ms));
    }
    drain();
  }
  EXPECT_EQ(allocations(), before);
}

}  // namespace
}  // namespace chargewright::drivers

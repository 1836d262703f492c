// The dead-man's talk with one instrument (S3, S4, S6): bytes and time in, bytes out.
#include <gtest/gtest.h>

#include <utility>

#include "safety/dead_man/line.h"

namespace chargewright::safety {
namespace {

using namespace std::chrono_literals;
using drivers::Duration;
using drivers::Ending;
using drivers::Instant;

struct ALine : ::testing::Test {
  ALine() {
    link.name = "supply";
    link.address = "tcp://127.0.0.1:2";
    link.respond = 500ms;
    link.clear = "*CLS";
    link.nonce_set = {"*ESE 197", "*ESE 211"};
    link.nonce_ask = "*ESE?";
    state.text = "OUTP?";
    state.expect.expect = drivers::Expect::boolean;
  }
  void open() { line.link_up(now); }
  // What it has to say leaves before anything comes.
  void flush() { left += line.take_to_write(now); }
  void hear(std::string_view bytes) {
    flush();
    line.receive(bytes, now);
  }
  std::string written() {
    flush();
    return std::exchange(left, {});
  }
  void agree() {  // on where question and answer stand
    hear("197\n");
    hear("211\n");
    static_cast<void>(written());
    EXPECT_TRUE(line.can_ask());
  }
  void ask() {
    line.ask(state);
    EXPECT_EQ(written(), "OUTP?\n");
    EXPECT_FALSE(line.can_ask());
  }
  void pass(Duration time) { line.turn(now += time); }
  // Of the question asked: how it ended.
  Ending ending() {
    const auto answer = line.take_answer();
    EXPECT_TRUE(answer);
    return answer ? answer->ending : Ending::done;
  }
  // It asks for its numbers anew, and believes no answer until it has them.
  void expect_begun_anew() {
    EXPECT_FALSE(line.can_ask());
    EXPECT_EQ(written(), "*CLS\n*ESE 197\n*ESE?\n");
  }

  Instant now{1h};
  CutLink link;
  CutQuestion state;
  CutLine line{link};
  std::string left;
};

TEST_F(ALine, says_and_hears_nothing_while_its_link_is_down) {  // S3
  EXPECT_FALSE(line.is_up());
  line.say("OUTP OFF");
  hear("197\n211\n");
  pass(1h);
  EXPECT_EQ(written(), "");
  EXPECT_FALSE(line.can_ask());
  EXPECT_FALSE(line.take_answer());
  EXPECT_EQ(line.wake(), drivers::never);
}

TEST_F(ALine, sets_two_numbers_and_reads_them_back_before_it_asks) {  // S3
  link.on_connect = {"SYST:REM", "INST:NSEL 1"};
  open();
  EXPECT_TRUE(line.is_up());
  EXPECT_EQ(written(), "SYST:REM\nINST:NSEL 1\n*CLS\n*ESE 197\n*ESE?\n");
  EXPECT_FALSE(line.can_ask());
  hear("197\n");
  EXPECT_EQ(written(), "*ESE 211\n*ESE?\n");
  EXPECT_FALSE(line.can_ask());
  hear("211\n");
  EXPECT_TRUE(line.can_ask());
  EXPECT_EQ(written(), "");
  EXPECT_EQ(line.wake(), drivers::never);
}

TEST_F(ALine, lets_every_older_answer_go_by) {  // S3
  open();
  static_cast<void>(written());
  hear(
      "0\n1\n+4.20000E+00\n211\n197 V\n\x01"
      "197\n");
  EXPECT_FALSE(line.can_ask());
  EXPECT_EQ(written(), "");
  hear("197\n");
  EXPECT_EQ(written(), "*ESE 211\n*ESE?\n");
  EXPECT_FALSE(line.can_ask());
  hear("211\n");
  EXPECT_TRUE(line.can_ask());
}

// It would answer one question with its last number, and each one with the answer before: nought of
// an output that is off is no current that is measured.
TEST_F(ALine, begins_anew_where_a_line_comes_between_its_numbers) {  // S3 S4
  for (const bool asked : {false, true}) {
    open();
    static_cast<void>(written());
    hear("197\n");
    if (asked) {
      EXPECT_EQ(written(), "*ESE 211\n*ESE?\n");
    }
    line.receive("197\n", now);
    line.receive("211\n", now);
    EXPECT_FALSE(line.can_ask()) << asked;
    EXPECT_EQ(written(), "*CLS\n*ESE 197\n*ESE?\n") << asked;
    agree();
  }
}

TEST_F(ALine, answers_with_what_was_said_and_with_it_once) {  // S3
  open();
  agree();
  ask();
  EXPECT_FALSE(line.take_answer());
  hear("1");
  EXPECT_FALSE(line.take_answer());
  hear("\n");
  const auto answer = line.take_answer();
  ASSERT_TRUE(answer);
  EXPECT_EQ(answer->ending, Ending::done);
  EXPECT_EQ(answer->value, 1);
  EXPECT_FALSE(line.take_answer());
  EXPECT_TRUE(line.can_ask());
}

TEST_F(ALine, forgets_an_answer_that_nobody_took_when_it_asks_again) {  // S3
  open();
  agree();
  ask();
  hear("0\n");
  ask();
  EXPECT_FALSE(line.take_answer());
}

TEST_F(ALine, says_commands_before_all_questions) {  // S4
  open();
  line.say("OUTP OFF");
  line.say("CURR 0");
  EXPECT_EQ(written(), "OUTP OFF\nCURR 0\n*CLS\n*ESE 197\n*ESE?\n");
}

TEST_F(ALine, ends_what_another_began) {  // S4
  link.terminator = "\r\n";
  open();
  line.say_nothing();
  EXPECT_TRUE(written().starts_with("\r\n*CLS\r\n"));
}

TEST_F(ALine, keeps_no_more_commands_than_a_bench_has) {
  open();
  std::size_t last = 0, beyond = 0;
  for (int k = 0; k < 512; ++k) last = line.say("OFF");
  beyond = line.say("OFF");
  const std::string bytes = written();
  EXPECT_EQ(bytes.find("*CLS"), 512 * std::string_view("OFF\n").size());
  EXPECT_TRUE(line.has_sent(last));
  EXPECT_FALSE(line.has_sent(beyond));
}

TEST_F(ALine, tells_which_commands_have_left) {  // S4
  EXPECT_FALSE(line.has_sent(line.say("OUTP OFF")));
  link.between = 20ms;
  open();
  const auto first = line.say("OUTP OFF");
  const auto second = line.say("CURR 0");
  EXPECT_FALSE(line.has_sent(first));
  EXPECT_EQ(written(), "OUTP OFF\n");
  EXPECT_TRUE(line.has_sent(first));
  EXPECT_FALSE(line.has_sent(second));
  pass(20ms);
  EXPECT_EQ(written(), "CURR 0\n");
  EXPECT_TRUE(line.has_sent(second));
  line.say("CURR 0");
  open();  // what was to be said is lost
  const auto third = line.say("OUTP OFF");
  EXPECT_FALSE(line.has_sent(third));
  pass(20ms);
  EXPECT_EQ(written(), "OUTP OFF\n");
  EXPECT_TRUE(line.has_sent(third));
}

// A question waits behind every command; the instrument has heard nothing of it.
TEST_F(ALine, takes_nothing_for_the_answer_to_what_it_has_not_asked_yet) {  // S3
  open();
  agree();
  link.between = 20ms;
  line.say("OUTP OFF");
  flush();
  line.ask(state);
  hear("0\n");
  EXPECT_EQ(ending(), Ending::unparsable);
  EXPECT_FALSE(line.can_ask());
  hear("197\n");  // nor has it been asked for that
  left.clear();
  for (const char* next : {"*CLS\n", "*ESE 197\n", "*ESE?\n"}) {
    pass(20ms);
    EXPECT_EQ(written(), next);
  }
}

TEST_F(ALine, gives_an_answer_its_time_from_when_the_question_has_left) {  // S3
  link.between = 200ms;
  open();
  for (int k = 0; k < 5; ++k) line.say("OUTP OFF");
  for (int k = 0; k < 7; ++k) {
    flush();
    pass(200ms);
  }
  EXPECT_EQ(written(), std::string("OUTP OFF\nOUTP OFF\nOUTP OFF\nOUTP OFF\nOUTP OFF\n") +
                           "*CLS\n*ESE 197\n*ESE?\n");
  EXPECT_EQ(line.wake(), now + 500ms);
  pass(499ms);
  EXPECT_EQ(written(), "");
  hear("197\n");
  EXPECT_EQ(written(), "*ESE 211\n");
}

TEST_F(ALine, is_silent_from_when_it_has_cleared_what_has_no_numbers) {  // S3
  link.nonce_ask.clear();
  link.between = 200ms;
  open();
  line.say("OUTP OFF");
  EXPECT_EQ(written(), "OUTP OFF\n");
  hear("0\n");
  EXPECT_EQ(line.wake(), now + 200ms);
  pass(200ms);
  EXPECT_EQ(written(), "*CLS\n");
  pass(499ms);
  EXPECT_FALSE(line.can_ask());
  pass(1ms);
  EXPECT_TRUE(line.can_ask());
  link.clear.clear();
  open();
  EXPECT_EQ(line.wake(), now + 500ms);
}

TEST_F(ALine, forgets_what_it_had_to_say_when_its_link_is_lost) {  // S3
  open();
  line.say("OUTP OFF");
  line.link_down();
  EXPECT_EQ(written(), "");
  EXPECT_EQ(line.wake(), drivers::never);
  open();
  expect_begun_anew();
}

TEST_F(ALine, carries_nothing_over_from_a_link_that_opens_anew_without_an_end) {  // S3
  open();
  agree();
  ask();
  line.say("OUTP OFF");
  open();
  EXPECT_EQ(ending(), Ending::link_down);
  expect_begun_anew();
}

TEST_F(ALine, says_once_what_became_of_a_question) {  // S3
  open();
  agree();
  ask();
  hear("0\n");
  EXPECT_EQ(ending(), Ending::done);
  line.link_down();
  EXPECT_FALSE(line.take_answer());
  open();
  agree();
  ask();
  line.link_down();
  EXPECT_EQ(ending(), Ending::link_down);
  line.link_down();
  EXPECT_FALSE(line.take_answer());
  open();
  agree();
  ask();
  pass(500ms);
  EXPECT_EQ(ending(), Ending::timed_out);
  pass(500ms);
  EXPECT_FALSE(line.take_answer());
  line.link_down();
  EXPECT_FALSE(line.take_answer());
}

// What dribbles in is no answer, and gains no time.
TEST_F(ALine, gives_no_more_time_for_half_an_answer) {  // S3 S6
  open();
  agree();
  ask();
  pass(400ms);
  hear("0");
  EXPECT_EQ(line.wake(), now + 100ms);
  pass(100ms);
  EXPECT_EQ(ending(), Ending::timed_out);
}

TEST_F(ALine, takes_no_number_for_the_one_that_it_has_not_asked_for_yet) {  // S3
  open();
  line.receive("197\n", now);  // nothing has left
  EXPECT_EQ(written(), "*CLS\n*ESE 197\n*ESE?\n");
  hear("197\n");
  EXPECT_EQ(written(), "*ESE 211\n*ESE?\n");
}

TEST_F(ALine, gives_its_second_number_a_time_of_its_own) {  // S3
  link.between = 200ms;
  open();
  for (const char* next : {"*CLS\n", "*ESE 197\n", "*ESE?\n"}) {
    EXPECT_EQ(written(), next);
    pass(200ms);
  }
  pass(250ms);
  hear("197\n");
  EXPECT_EQ(written(), "*ESE 211\n");
  EXPECT_EQ(line.wake(), now + 200ms);  // to ask for it; until then nothing is late
  pass(100ms);
  EXPECT_EQ(written(), "");
  pass(100ms);
  EXPECT_EQ(written(), "*ESE?\n");
  hear("211\n");
  EXPECT_TRUE(line.can_ask());
}

TEST_F(ALine, has_nothing_to_wait_for_on_a_link_that_is_lost) {
  open();
  agree();
  ask();
  line.link_down();
  EXPECT_EQ(line.wake(), drivers::never);
}

TEST_F(ALine, does_not_say_twice_what_it_had_no_time_to_say) {
  open();
  pass(500ms);
  expect_begun_anew();
  EXPECT_EQ(written(), "");
}

// What is asked here proves that something is off: nought is what was ordered.
TEST_F(ALine, takes_nought_for_what_was_ordered) {  // S4
  state.expect = {};
  state.expect.expect = drivers::Expect::proof;
  state.expect.parts.resize(1);
  state.expect.within = 0.1;
  for (const auto& [answer, how] :
       {std::pair{"0.1\n", Ending::done}, {"-0.1\n", Ending::done}, {"1\n", Ending::disproved}}) {
    open();
    agree();
    ask();
    hear(answer);
    EXPECT_EQ(ending(), how) << answer;
  }
}

TEST_F(ALine, has_no_answer_over_a_link_that_is_lost) {  // S3
  open();
  agree();
  line.link_down();
  EXPECT_FALSE(line.take_answer());  // nothing was asked
  open();
  agree();
  ask();
  line.link_down();
  EXPECT_EQ(ending(), Ending::link_down);
}

TEST_F(ALine, begins_anew_when_nothing_is_answered_in_time) {  // S3
  open();
  static_cast<void>(written());
  EXPECT_EQ(line.wake(), now + 500ms);
  pass(499ms);
  EXPECT_EQ(written(), "");
  pass(1ms);
  expect_begun_anew();
  EXPECT_FALSE(line.take_answer());  // nothing was asked
  agree();
  ask();
  EXPECT_EQ(line.wake(), now + 500ms);
  pass(499ms);
  EXPECT_FALSE(line.take_answer());
  pass(1ms);
  EXPECT_EQ(ending(), Ending::timed_out);
  expect_begun_anew();
  hear("0\n");  // too late
  EXPECT_FALSE(line.take_answer());
}

TEST_F(ALine, begins_anew_after_an_answer_that_means_nothing) {  // S2 S3
  for (const std::string& nonsense : {std::string("maybe\n"),
                                      std::string("\x80"
                                                  "0\n"),
                                      std::string(2000, '0') + "\n"}) {
    open();
    agree();
    ask();
    hear(nonsense);
    EXPECT_EQ(ending(), Ending::unparsable);
    expect_begun_anew();
    hear("0\n");
    EXPECT_FALSE(line.take_answer());
  }
}

TEST_F(ALine, begins_anew_when_it_is_told_what_it_did_not_ask) {  // S3
  open();
  agree();
  hear("0\n");
  EXPECT_FALSE(line.take_answer());
  expect_begun_anew();
}

// Of an answer that was under way when the port was opened, only the end may come.
TEST_F(ALine, finds_its_place_again_behind_half_an_answer_that_swallows_the_next) {  // S3 S6
  for (const char* half : {"\"\n", "#9999999999", "\"Data out of range"}) {
    open();
    static_cast<void>(written());
    hear(half);
    hear("197\n");
    EXPECT_FALSE(line.can_ask()) << half;
    pass(500ms);
    expect_begun_anew();
    hear("197\n");
    EXPECT_EQ(written(), "*ESE 211\n*ESE?\n") << half;
    line.link_down();
  }
}

TEST_F(ALine, loses_nothing_of_the_last_link_into_the_next) {  // S3
  open();
  hear("\"half");
  line.link_down();
  open();
  agree();
}

TEST_F(ALine, asks_what_has_no_numbers_after_it_was_silent_for_its_deadline) {  // S3
  link.nonce_ask.clear();
  open();
  EXPECT_EQ(written(), "*CLS\n");
  pass(400ms);
  hear("0\n");  // an older answer
  EXPECT_EQ(line.wake(), now + 500ms);
  pass(499ms);
  EXPECT_FALSE(line.can_ask());
  pass(1ms);
  EXPECT_TRUE(line.can_ask());
  EXPECT_EQ(line.wake(), drivers::never);
  ask();
  hear("0\n");
  EXPECT_EQ(ending(), Ending::done);
}

TEST_F(ALine, may_have_nothing_to_clear) {
  link.clear.clear();
  open();
  EXPECT_EQ(written(), "*ESE 197\n*ESE?\n");
}

TEST_F(ALine, keeps_messages_as_far_apart_as_the_instrument_wants) {  // S4
  link.between = 20ms;
  open();
  line.say("OUTP OFF");
  EXPECT_EQ(line.wake(), now);
  EXPECT_EQ(written(), "OUTP OFF\n");
  EXPECT_EQ(written(), "");
  EXPECT_EQ(line.wake(), now + 20ms);
  for (const char* next : {"*CLS\n", "*ESE 197\n", "*ESE?\n"}) {
    pass(19ms);
    EXPECT_EQ(written(), "");
    pass(1ms);
    EXPECT_EQ(written(), next);
  }
  // The deadline knows of the pauses.
  EXPECT_EQ(line.wake(), now - 60ms + 500ms + 3 * 20ms);
  pass(20ms);
  hear("197\n");
  EXPECT_EQ(written(), "*ESE 211\n");
  pass(20ms);
  EXPECT_EQ(written(), "*ESE?\n");
  hear("211\n");
  line.ask(state);
  EXPECT_EQ(line.wake(), now + 20ms);
  pass(20ms);
  EXPECT_EQ(written(), "OUTP?\n");
  EXPECT_EQ(line.wake(), now + 500ms);
}

// Less would prove nothing of an instrument that takes so long: its orders do not wait meanwhile.
TEST_F(ALine, is_as_patient_as_its_dialect) {  // S4 S6
  link.respond = 1min;
  open();
  EXPECT_EQ(written(), "*CLS\n*ESE 197\n*ESE?\n");
  EXPECT_EQ(line.wake(), now + 1min);
  line.say("OUTP OFF");
  EXPECT_EQ(written(), "OUTP OFF\n");
}

}  // namespace
}  // namespace chargewright::safety

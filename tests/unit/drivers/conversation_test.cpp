#include "drivers/scpi/conversation.h"

#include <gtest/gtest.h>

#include <deque>
#include <random>
#include <string>
#include <vector>

#include "tests/support/places.h"

namespace chargewright::drivers::scpi {
namespace {

using std::chrono::milliseconds;

constexpr Instant at(int ms) { return Instant{milliseconds(ms)}; }

const std::string shipped = test::in_source("drivers/dialects");

Dialect plain() { return load_dialect("ieee-488-2", {shipped}).value(); }
Dialect without_resync() {
  Dialect dialect = plain();
  dialect.resync.reset();
  dialect.resync_send = {};
  return dialect;
}

// A conversation, and what the link has taken of it, as lines.
class Talk {
 public:
  explicit Talk(Dialect dialect) : dialect_(std::move(dialect)), conversation(dialect_) {}

  // Everything that waits to be written, message by message; `|` for NL.
  std::string sent() {
    std::string text(conversation.to_write());
    conversation.written(text.size());
    for (char& c : text) {
      if (c == '\n') c = '|';
    }
    return text;
  }
  void hear(std::string_view bytes, int ms) { conversation.receive(bytes, at(ms)); }
  void turn(int ms) { conversation.turn(at(ms)); }

  // Answers the resync questions until the conversation is in step.
  void bring_in_step(int ms) {
    conversation.link_up(at(ms));
    resync(ms);
    EXPECT_TRUE(conversation.in_step());
  }
  void resync(int ms) {
    for (int i = 0; i < 2; ++i) hear(nonce_in(sent()) + "\n", ms);
  }
  static std::string nonce_in(const std::string& text) {
    const std::size_t from = text.rfind("*ESE ");
    return from == std::string::npos ? "" : text.substr(from + 5, text.find('|', from) - from - 5);
  }
  // "line 4.2", "timed out", "garbled" or "nothing".
  std::string answer() {
    Answer answer;
    if (!conversation.take(answer)) return "nothing";
    switch (answer.kind) {
      case Answer::Kind::line:
        return "line " + std::string(answer.line);
      case Answer::Kind::timed_out:
        return "timed out";
      case Answer::Kind::garbled:
        return "garbled";
    }
    return "";
  }

 private:
  Dialect dialect_;

 public:
  Conversation conversation;
};

TEST(Conversation, proves_twice_after_link_up_that_it_is_in_step) {
  Talk talk(plain());
  talk.conversation.link_up(at(0));
  EXPECT_EQ(talk.sent(), "*CLS|*ESE 16|*ESE?|");
  EXPECT_FALSE(talk.conversation.ready(at(0)));
  talk.hear("16\n", 1);
  EXPECT_EQ(talk.sent(), "*ESE 17|*ESE?|");
  EXPECT_FALSE(talk.conversation.in_step());
  talk.hear("+17\r\n", 2);
  EXPECT_TRUE(talk.conversation.ready(at(2)));
}

TEST(Conversation, sends_on_connect_messages_first_and_again_in_every_recovery) {
  Dialect dialect = plain();
  dialect.on_connect.push_back(compile_template("SYST:REM", 0).value());
  Talk talk(dialect);
  talk.conversation.link_up(at(0));
  EXPECT_EQ(talk.sent(), "*CLS|SYST:REM|*ESE 16|*ESE?|");
  talk.hear("16\n", 1);
  talk.hear("17\n", 1);
  talk.sent();
  talk.conversation.ask("MEAS:VOLT?", at(10));
  talk.sent();
  talk.turn(510);
  talk.turn(560);
  EXPECT_EQ(talk.sent(), "*CLS|SYST:REM|*ESE 18|*ESE?|");
}

TEST(Conversation, what_comes_before_its_question_has_left_is_no_answer) {  // S3
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.ask("MEAS:VOLT?", at(10));
  talk.hear("+4.2\n", 11);
  EXPECT_EQ(talk.answer(), "garbled");
  EXPECT_FALSE(talk.conversation.in_step());
}

TEST(Conversation, a_number_that_comes_before_it_was_asked_for_proves_nothing) {  // S3
  Talk talk(plain());
  talk.conversation.link_up(at(0));
  talk.hear("16\n17\n18\n", 1);
  EXPECT_EQ(talk.sent(), "*CLS|*ESE 16|*ESE?|");
  talk.hear("16\n17\n", 2);
  EXPECT_FALSE(talk.conversation.in_step());
}

TEST(Conversation, an_answer_is_the_same_wherever_it_is_cut) {
  const std::string answer = "+4.20000000E+00\r\n";
  for (std::size_t cut = 0; cut <= answer.size(); ++cut) {
    Talk talk(plain());
    talk.bring_in_step(0);
    talk.conversation.ask("MEAS:VOLT?", at(10));
    EXPECT_EQ(talk.sent(), "MEAS:VOLT?|");
    talk.hear(answer.substr(0, cut), 11);
    talk.hear(answer.substr(cut), 12);
    EXPECT_EQ(talk.answer(), "line +4.20000000E+00");
    EXPECT_TRUE(talk.conversation.ready(at(12)));
  }
}

TEST(Conversation, gives_up_at_the_deadline_and_not_before) {
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.ask("MEAS:VOLT?", at(10));
  EXPECT_EQ(talk.conversation.wake(), at(510));
  talk.turn(509);
  EXPECT_EQ(talk.answer(), "nothing");
  talk.turn(510);
  EXPECT_EQ(talk.answer(), "timed out");
  EXPECT_FALSE(talk.conversation.in_step());
}

TEST(Conversation, an_answer_after_the_deadline_is_late_even_if_nobody_looked) {
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.ask("MEAS:VOLT?", at(10));
  talk.hear("4.2\n", 510);
  EXPECT_EQ(talk.answer(), "timed out");
  EXPECT_EQ(talk.conversation.troubles().discarded, 1U);
}

// An instrument that answers in order, but only from `mute_until` on what came before.
struct LateInstrument {
  int ese = 0;
  int mute_until = 0;
  std::string voltage = "4.2";
  std::string input;
  std::deque<std::string> answers;

  void take(std::string_view bytes) {
    input += bytes;
    for (std::size_t end; (end = input.find('\n')) != std::string::npos;) {
      const std::string message = input.substr(0, end);
      input.erase(0, end + 1);
      if (message == "*ESE?") answers.push_back(std::to_string(ese));
      if (message.starts_with("*ESE ")) ese = std::stoi(message.substr(5));
      if (message == "VOLT?") answers.push_back(voltage);
      if (message == "CURR?") answers.push_back("0.7");
      if (message == "*IDN?") answers.push_back("Example,PS,0,1");
    }
  }
};

// S3: whenever the late answer comes, the next question gets its own. Also where the late answer
// looks like the number that the resync asks for, and wherever its bytes are cut.
TEST(Conversation, never_takes_a_late_answer_for_that_to_the_next_question) {
  for (const char* voltage : {"4.2", "18", "19", "20", "1"}) {
    for (const std::size_t piece : {1U, 2U, 100U}) {
      for (int delay = 1; delay < 4000; delay += 7) {
        Talk talk(plain());
        LateInstrument instrument;
        instrument.voltage = voltage;
        talk.conversation.link_up(at(0));
        bool asked_voltage = false;
        bool asked_current = false;
        std::string wire;
        std::vector<std::string> answers;
        for (int ms = 1; ms < 12'000 && answers.size() < 2; ++ms) {
          instrument.take(talk.conversation.to_write());
          talk.conversation.written(talk.conversation.to_write().size());
          if (!asked_voltage || ms > instrument.mute_until) {
            for (const std::string& answer : instrument.answers) wire += answer + "\n";
            instrument.answers.clear();
          }
          talk.hear(std::string_view(wire).substr(0, piece), ms);
          wire.erase(0, piece);
          talk.turn(ms);
          const std::string answer = talk.answer();
          if (answer != "nothing") answers.push_back(answer);
          if (!talk.conversation.ready(at(ms))) continue;
          if (!asked_voltage) {
            asked_voltage = true;
            instrument.mute_until = ms + delay;
            talk.conversation.ask("VOLT?", at(ms));
          } else if (!asked_current) {
            asked_current = true;
            talk.conversation.ask("CURR?", at(ms));
          }
        }
        ASSERT_EQ(answers.size(), 2U) << voltage << ' ' << delay;
        EXPECT_TRUE(answers[0] == "timed out" || answers[0] == "line " + std::string(voltage))
            << answers[0];
        EXPECT_EQ(answers[1], "line 0.7") << voltage << ' ' << delay << ' ' << piece;
      }
    }
  }
}

TEST(Conversation, drains_the_line_until_it_is_quiet_but_not_for_ever) {
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.ask("VOLT?", at(0));
  talk.sent();
  talk.turn(500);
  int ms = 500;
  for (; ms < 2000 && talk.conversation.to_write().empty(); ms += 10) {
    talk.hear("chatter\n", ms);
    talk.turn(ms);
  }
  EXPECT_GT(ms, 550);
  EXPECT_LE(ms, 1100);
  EXPECT_EQ(talk.sent(), "*CLS|*ESE 18|*ESE?|");
}

TEST(Conversation, tries_again_with_growing_pauses_and_recovers_when_it_can) {
  Talk talk(plain());
  talk.conversation.link_up(at(0));
  std::vector<int> attempts;
  std::string last;
  for (int ms = 0; ms < 30'000; ms += 10) {
    talk.turn(ms);
    const std::string text = talk.sent();
    if (!text.empty()) {
      attempts.push_back(ms);
      EXPECT_NE(text, last) << "the nonce must change";
      last = text;
    }
  }
  ASSERT_GE(attempts.size(), 8U);
  EXPECT_LE(attempts.size(), 14U);
  EXPECT_LT(attempts[1] - attempts[0], 1200);
  EXPECT_LE(attempts.back() - attempts[attempts.size() - 2], 2700);
  talk.turn(32'000);
  talk.turn(33'000);
  talk.resync(33'000);
  EXPECT_TRUE(talk.conversation.in_step());
}

TEST(Conversation, lines_that_nobody_asked_for_are_counted_and_not_trusted) {
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.hear("4.2\n", 10);
  EXPECT_FALSE(talk.conversation.in_step());
  EXPECT_EQ(talk.conversation.troubles().unsolicited, 1U);
  EXPECT_EQ(talk.conversation.troubles().recoveries, 1U);
}

TEST(Conversation, part_of_a_line_before_the_question_would_stand_in_front_of_the_answer) {
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.hear("4", 10);
  EXPECT_FALSE(talk.conversation.ready(at(10)));
  EXPECT_EQ(talk.conversation.troubles().unsolicited, 1U);
}

TEST(Conversation, two_lines_at_once_are_no_answer) {
  for (const char* bytes : {"4.2\n0.7\n", "4.2\n0"}) {
    Talk talk(plain());
    talk.bring_in_step(0);
    talk.conversation.ask("VOLT?", at(10));
    talk.hear(bytes, 11);
    EXPECT_EQ(talk.answer(), "garbled") << bytes;
    EXPECT_FALSE(talk.conversation.in_step());
  }
}

// Found by a storm: an instrument that says everything twice, the second time a moment later, would
// answer the first question with its second number, and each one with the answer before. Whether
// the line comes before or after the second question has left.
TEST(Conversation, is_not_in_step_with_an_instrument_that_says_its_number_twice) {  // S3
  for (const bool left : {false, true}) {
    for (const int pause : {0, 20}) {
      Dialect dialect = plain();
      dialect.between = milliseconds(pause);
      Talk talk(dialect);
      talk.conversation.link_up(at(0));
      std::string sent;
      for (int ms = 0; ms <= 100; ++ms) {
        talk.turn(ms);
        sent += talk.sent();
      }
      EXPECT_EQ(sent, "*CLS|*ESE 16|*ESE?|");
      talk.hear("16\n", 101);
      sent.clear();
      for (int ms = 101; left && ms <= 200; ++ms) {
        talk.turn(ms);
        sent += talk.sent();
      }
      EXPECT_EQ(sent, left ? "*ESE 17|*ESE?|" : "");
      talk.hear("16\n", 201);
      for (int ms = 201; ms <= 300; ++ms) {
        talk.turn(ms);
        talk.sent();
      }
      talk.hear("17\n", 301);
      EXPECT_FALSE(talk.conversation.in_step()) << left;
    }
  }
}

// Found by a storm: an instrument that says everything twice, in two pieces at one moment.
TEST(Conversation, a_line_is_no_answer_to_a_question_that_has_not_left_yet) {  // S3
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.ask("MEAS:VOLT?", at(10));
  talk.sent();
  talk.hear("4.2\n", 20);
  EXPECT_EQ(talk.answer(), "line 4.2");
  talk.conversation.ask("MEAS:CURR?", at(20));
  talk.hear("4.2\n", 20);  // the same once more, before the question is on its way
  EXPECT_EQ(talk.answer(), "garbled");
  EXPECT_FALSE(talk.conversation.in_step());
  EXPECT_EQ(talk.sent().find("MEAS:CURR?"), std::string::npos);
}

TEST(Conversation, garbage_is_garbled_and_what_follows_is_not_trusted) {
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.ask("VOLT?", at(10));
  talk.sent();
  talk.hear("4.\xFF\n", 11);
  EXPECT_EQ(talk.answer(), "garbled");
  EXPECT_EQ(talk.conversation.troubles().defective, 1U);
  EXPECT_FALSE(talk.conversation.in_step());
}

TEST(Conversation, keeps_the_pause_between_messages) {
  Dialect dialect = plain();
  dialect.between = milliseconds(20);
  Talk talk(dialect);
  talk.conversation.link_up(at(0));
  EXPECT_EQ(talk.sent(), "*CLS|");
  EXPECT_EQ(talk.conversation.wake(), at(20));
  talk.turn(19);
  EXPECT_EQ(talk.sent(), "");
  talk.turn(20);
  EXPECT_EQ(talk.sent(), "*ESE 16|");
  talk.turn(40);
  EXPECT_EQ(talk.sent(), "*ESE?|");
  talk.hear("16\n", 45);
  EXPECT_EQ(talk.sent(), "");
  talk.turn(60);
  EXPECT_EQ(talk.sent(), "*ESE 17|");
  talk.turn(80);
  EXPECT_EQ(talk.sent(), "*ESE?|");
  talk.hear("17\n", 85);
  EXPECT_FALSE(talk.conversation.ready(at(99)));
  EXPECT_TRUE(talk.conversation.ready(at(100)));
}

TEST(Conversation, an_urgent_message_goes_out_while_an_answer_is_awaited) {  // S4
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.ask("VOLT?", at(10));
  EXPECT_EQ(talk.sent(), "VOLT?|");
  EXPECT_TRUE(talk.conversation.urgent("OUTP OFF", at(11)));
  EXPECT_EQ(talk.sent(), "OUTP OFF|");
  talk.hear("4.2\n", 12);
  EXPECT_EQ(talk.answer(), "line 4.2");
}

// The instrument would not hear what comes too soon behind another message.
TEST(Conversation, an_urgent_message_waits_for_the_pause_that_the_instrument_wants) {  // S4
  Dialect dialect = without_resync();
  dialect.clear = {};
  dialect.between = milliseconds(50);
  Talk talk(dialect);
  talk.conversation.link_up(at(0));
  EXPECT_EQ(talk.sent(), "*IDN?|");
  EXPECT_TRUE(talk.conversation.urgent("OUTP OFF", at(10)));
  EXPECT_TRUE(talk.conversation.urgent("ROUT:OPEN (@1)", at(20)));
  EXPECT_EQ(talk.sent(), "");
  EXPECT_EQ(talk.conversation.wake(), at(50));
  talk.turn(49);
  EXPECT_EQ(talk.sent(), "");
  talk.turn(50);
  EXPECT_EQ(talk.sent(), "OUTP OFF|");
  EXPECT_EQ(talk.conversation.wake(), at(100));
  talk.turn(100);
  EXPECT_EQ(talk.sent(), "ROUT:OPEN (@1)|");
  EXPECT_TRUE(talk.conversation.urgent("OUTP OFF", at(200)));
  EXPECT_EQ(talk.sent(), "OUTP OFF|");
}

TEST(Conversation, an_urgent_message_has_the_turn_of_one_that_was_taken_back) {  // S4
  Dialect dialect = plain();
  dialect.between = milliseconds(50);
  Talk talk(dialect);
  talk.conversation.link_up(at(0));
  for (int ms = 0; ms < 1000; ms += 50) {
    talk.turn(ms);
    const std::string nonce = Talk::nonce_in(talk.sent());
    talk.turn(ms + 49);
    if (!nonce.empty()) {
      talk.turn(ms + 50);
      talk.sent();
      talk.hear(nonce + "\n", ms + 50);
    }
  }
  ASSERT_TRUE(talk.conversation.in_step());
  ASSERT_TRUE(talk.conversation.ready(at(1000)));
  talk.conversation.ask("VOLT?", at(1000));
  EXPECT_TRUE(talk.conversation.recall());
  EXPECT_TRUE(talk.conversation.urgent("OUTP OFF", at(1001)));
  EXPECT_EQ(talk.sent(), "OUTP OFF|");
  EXPECT_FALSE(talk.conversation.ready(at(1050)));
  EXPECT_TRUE(talk.conversation.ready(at(1051)));
}

TEST(Conversation, an_urgent_message_goes_out_in_every_state_of_a_recovery) {  // S4
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.ask("VOLT?", at(0));
  talk.sent();
  for (int ms = 500; ms < 6000; ms += 5) {
    talk.turn(ms);
    talk.sent();
    ASSERT_FALSE(talk.conversation.in_step());
    ASSERT_TRUE(talk.conversation.urgent("OUTP OFF", at(ms)));
    ASSERT_EQ(talk.sent(), "OUTP OFF|") << ms;
  }
}

TEST(Conversation, an_urgent_message_never_parts_another_one) {  // S4
  const std::string message = "SOUR:VOLT 4.2000\n";
  for (std::size_t taken = 0; taken < message.size(); ++taken) {
    Talk talk(plain());
    talk.bring_in_step(0);
    talk.conversation.say("SOUR:VOLT 4.2000", at(10));
    talk.conversation.written(taken);
    talk.conversation.urgent("OUTP OFF", at(10));
    talk.conversation.urgent("ROUT:OPEN (@1)", at(10));
    const std::string expected = taken == 0 ? "OUTP OFF|ROUT:OPEN (@1)|SOUR:VOLT 4.2000|"
                                            : message.substr(taken, message.size() - taken - 1) +
                                                  "|OUTP OFF|ROUT:OPEN (@1)|";
    EXPECT_EQ(talk.sent(), expected) << taken;
  }
}

TEST(Conversation, an_urgent_message_goes_before_the_unwritten_ones_of_a_recovery) {  // S4
  Talk talk(plain());
  talk.conversation.link_up(at(0));
  talk.conversation.urgent("OUTP OFF", at(0));
  EXPECT_EQ(talk.sent(), "OUTP OFF|*CLS|*ESE 16|*ESE?|");
}

TEST(Conversation, takes_back_a_message_of_which_nothing_has_left) {
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.ask("VOLT?", at(10));
  EXPECT_TRUE(talk.conversation.recall());
  EXPECT_EQ(talk.sent(), "");
  EXPECT_TRUE(talk.conversation.ready(at(10)));
  talk.conversation.ask("VOLT?", at(10));
  talk.conversation.written(1);
  EXPECT_FALSE(talk.conversation.recall());
  EXPECT_EQ(talk.sent(), "OLT?|");
}

TEST(Conversation, a_link_that_takes_nothing_ends_in_a_recovery_and_stays_bounded) {
  Talk talk(plain());
  talk.bring_in_step(0);
  talk.conversation.say("VOLT 4", at(10));
  talk.conversation.written(2);
  for (int ms = 10; ms < 100'000; ms += 50) {
    talk.turn(ms);
    ASSERT_LT(talk.conversation.to_write().size(), 100U);
  }
  EXPECT_FALSE(talk.conversation.in_step());
  int accepted = 0;
  while (talk.conversation.urgent("OUTP OFF", at(100'000))) ASSERT_LT(++accepted, 1000);
  EXPECT_GT(accepted, 30);
}

TEST(Conversation, nothing_goes_out_while_the_link_is_down) {
  Talk talk(plain());
  EXPECT_FALSE(talk.conversation.urgent("OUTP OFF", at(0)));
  talk.bring_in_step(0);
  talk.conversation.ask("VOLT?", at(1));
  talk.conversation.link_down();
  EXPECT_EQ(talk.sent(), "");
  EXPECT_EQ(talk.conversation.wake(), never);
  talk.hear("4.2\n", 2);
  EXPECT_EQ(talk.answer(), "nothing");
}

TEST(Conversation, without_a_nonce_one_identity_and_silence_must_do) {
  Talk talk(without_resync());
  talk.conversation.link_up(at(0));
  EXPECT_EQ(talk.sent(), "*CLS|*IDN?|");
  talk.hear("Example,PS,0,1\n", 5);
  EXPECT_FALSE(talk.conversation.in_step());
  talk.turn(500);
  EXPECT_TRUE(talk.conversation.in_step());
}

TEST(Conversation, without_a_nonce_two_identities_or_another_one_will_not_do) {
  for (const char* answer : {"Example,PS,0,1\nExample,PS,0,1\n", "Other,PS,0,1\n", "4.2\n"}) {
    Talk talk(without_resync());
    talk.conversation.remember_identity("Example,PS,0,1");
    talk.conversation.link_up(at(0));
    talk.sent();
    talk.hear(answer, 5);
    talk.turn(500);
    EXPECT_FALSE(talk.conversation.in_step()) << answer;
  }
}

TEST(Conversation, survives_random_bytes_and_recovers_when_they_end) {
  std::mt19937 random(5);
  for (int round = 0; round < 300; ++round) {
    Talk talk(round % 2 == 0 ? plain() : without_resync());
    LateInstrument instrument;
    talk.conversation.link_up(at(0));
    int ms = 0;
    for (; ms < 3000; ++ms) {
      instrument.take(talk.conversation.to_write());
      talk.conversation.written(talk.conversation.to_write().size());
      if (random() % 8 == 0) {
        std::string noise(random() % 5, ' ');
        for (char& c : noise) c = random() % 3 == 0 ? '\n' : static_cast<char>(random());
        talk.hear(noise, ms);
      }
      talk.turn(ms);
      talk.answer();
      if (talk.conversation.ready(at(ms))) talk.conversation.ask("VOLT?", at(ms));
    }
    instrument.answers.clear();
    std::string answer = "nothing";
    for (; ms < 20'000 && answer != "line 4.2"; ++ms) {
      instrument.take(talk.conversation.to_write());
      talk.conversation.written(talk.conversation.to_write().size());
      for (const std::string& line : instrument.answers) talk.hear(line + "\n", ms);
      instrument.answers.clear();
      talk.turn(ms);
      answer = talk.answer();
      if (talk.conversation.ready(at(ms))) talk.conversation.ask("VOLT?", at(ms));
    }
    EXPECT_EQ(answer, "line 4.2") << round;
  }
}

}  // namespace
}  // namespace chargewright::drivers::scpi

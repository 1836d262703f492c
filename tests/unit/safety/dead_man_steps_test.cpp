// The steps of the dead-man's cut, one by one (S4, S6): the test says what each instrument answers,
// and when. Against simulated instruments: dead_man_cut_test.cpp.
#include <gtest/gtest.h>

#include <array>
#include <utility>

#include "dead_man_support.h"
#include "safety/dead_man/cut.h"

namespace chargewright::safety::testing {
namespace {

using namespace std::chrono_literals;
using drivers::Duration;
using drivers::Instant;

constexpr std::size_t supply = 0, meter = 1, contactor = 2;

constexpr const char* off = "INST:NSEL 2;:OUTP OFF\n";
constexpr const char* zero = "INST:NSEL 2;:SOUR:VOLT 0.0000\nINST:NSEL 2;:SOUR:CURR 0.0000\n";
constexpr const char* ask_state = "INST:NSEL 2;:OUTP?\n";
constexpr const char* ask_current = "MEAS:CURR:DC?\n";
constexpr const char* open_contactor = "ROUT:OPEN (@1)\n";
constexpr const char* ask_contactor = "ROUT:CLOS? (@1)\n";

struct ACut : ::testing::Test {
  ACut() {
    sheet.links[supply].address = "tcp://127.0.0.1:1";
    for (CutLink& link : sheet.links) link.respond = 4s;
  }
  CutOutput& left() { return sheet.outputs[0]; }
  void begin() {
    outbox = {};
    cut.emplace(sheet);
    cut->begin(now);
  }
  // What it has to say leaves before anything comes.
  void flush() {
    for (const auto link : {supply, meter, contactor})
      outbox[link] += cut->take_to_write(link, now);
  }
  std::string said(std::size_t link) {
    flush();
    return std::exchange(outbox[link], {});
  }
  void hear(std::size_t link, std::string_view bytes) {
    flush();
    cut->receive(link, bytes, now);
    cut->turn(now);
    flush();
  }
  void pass(Duration time) {
    cut->turn(now += time);
    flush();
  }
  // Opens the link, agrees with the instrument on where question and answer stand, and answers what
  // was said before.
  std::string up(std::size_t link) {
    cut->link_up(link, now);
    const std::string first = said(link);
    hear(link, "197\n");
    EXPECT_EQ(said(link), "*ESE 211\n*ESE?\n");
    hear(link, "211\n");
    return first.substr(0, first.find("*CLS"));
  }
  std::string notes() {
    for (const auto& note : cut->take_notes()) noted += note.text + '\n';
    return noted;
  }
  bool noted_that(std::string_view what) { return notes().find(what) != std::string::npos; }
  std::size_t times_noted(std::string_view what) {
    notes();
    std::size_t times = 0;
    for (auto at = noted.find(what); at != std::string::npos; at = noted.find(what, at + 1)) {
      ++times;
    }
    return times;
  }

  CutSheet sheet = sheet_of({.contactor = true, .ammeter = meter}, shipped_dialects());
  std::optional<Cut> cut;
  Instant now{1h};
  std::array<std::string, 3> outbox;
  std::string noted;
};

TEST_F(ACut, orders_off_asks_for_the_output_then_for_the_current_then_opens_the_contactor) {  // S4
  begin();
  EXPECT_EQ(up(supply), off);
  EXPECT_EQ(up(meter), "");
  EXPECT_EQ(up(contactor), "");
  EXPECT_EQ(said(supply), ask_state);
  EXPECT_EQ(said(meter), "");
  hear(supply, "0\n");
  EXPECT_EQ(said(meter), ask_current);
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(said(contactor), "");
  hear(meter, "+1.5000E-02\n");
  EXPECT_TRUE(cut->all_off());
  EXPECT_FALSE(cut->finished(now));
  EXPECT_EQ(said(contactor), open_contactor);
  pass(49ms);
  EXPECT_EQ(said(contactor), "");
  pass(1ms);
  EXPECT_EQ(said(contactor), ask_contactor);
  hear(contactor, "0\n");
  EXPECT_TRUE(cut->finished(now));
  pass(10s);
  for (const auto link : {supply, meter, contactor}) EXPECT_EQ(said(link), "");
  EXPECT_EQ(notes(),
            "supply: link open\nleft: off sent\nmeter: link open\ncontactor: link open\n"
            "left: off, verified (output reads off, current 0.015 A)\n"
            "left: contactor ordered open\nleft: contactor reads open\n");
}

TEST_F(ACut, gives_the_output_the_time_that_its_dialect_says) {  // S4
  left().state->settle = 30ms;
  begin();
  up(supply);
  pass(29ms);
  EXPECT_EQ(said(supply), "");
  pass(1ms);
  EXPECT_EQ(said(supply), ask_state);
}

TEST_F(ACut, asks_an_output_that_says_it_is_on_again_and_orders_it_off_again) {  // S4
  begin();
  up(supply);
  EXPECT_EQ(said(supply), ask_state);
  hear(supply, "1\n");
  pass(19ms);
  EXPECT_EQ(said(supply), "");
  pass(1ms);
  EXPECT_EQ(said(supply), ask_state);
  hear(supply, "1\n");
  pass(79ms);
  EXPECT_EQ(said(supply), ask_state);
  pass(1ms);
  EXPECT_EQ(said(supply), std::string(off) + zero);
  EXPECT_EQ(times_noted("left: off repeated, with setpoints to zero"), 1U);
  hear(supply, "1\n");  // of before
  pass(19ms);
  EXPECT_EQ(said(supply), ask_state);  // asked for anew, since it says nothing of the newest
  hear(supply, "1\n");
  pass(80ms);
  static_cast<void>(said(supply));
  pass(1ms);
  EXPECT_EQ(times_noted("left: off sent"), 1U);
  EXPECT_EQ(times_noted("left: off repeated, with setpoints to zero"), 1U);
}

TEST_F(ACut, orders_an_output_that_says_nothing_off_again_after_half_a_second) {  // S4
  begin();
  up(meter);
  up(contactor);
  cut->link_up(supply, now);
  EXPECT_TRUE(said(supply).starts_with(off));
  cut->turn(now);
  EXPECT_EQ(said(meter) + said(contactor), "");  // they cannot tell its state
  pass(499ms);
  EXPECT_EQ(said(supply), "");
  pass(1ms);
  EXPECT_EQ(said(supply), std::string(off) + zero);
  pass(499ms);
  EXPECT_EQ(said(supply), "");
  pass(1ms);
  EXPECT_EQ(said(supply), std::string(off) + zero);
}

TEST_F(ACut, takes_no_state_that_was_asked_for_before_the_newest_off) {  // S3 S4
  left().current.reset();
  begin();
  up(supply);
  up(meter);
  EXPECT_EQ(said(supply), ask_state);
  pass(500ms);
  EXPECT_EQ(said(supply), std::string(off) + zero);
  hear(supply, "0\n");
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(said(supply), ask_state);
  hear(supply, "0\n");
  EXPECT_TRUE(cut->all_off());
  EXPECT_TRUE(noted_that("left: off, verified (output reads off)"));
  EXPECT_EQ(said(meter), "");
}

TEST_F(ACut, orders_an_output_off_again_by_what_it_says_of_itself) {  // S4
  for (const auto& [answer, again] :
       {std::pair{"1\n", 100ms}, {"0\n", 500ms}, {"nonsense\n", 500ms}}) {
    left().state->expect = {};
    left().state->expect.expect = drivers::Expect::boolean;
    begin();
    up(supply);
    EXPECT_EQ(said(supply), ask_state);
    hear(supply, answer);
    for (Duration passed = 1ms; passed < again; passed += 1ms) {
      pass(1ms);
      EXPECT_EQ(said(supply).find("OFF"), std::string::npos) << answer;
    }
    pass(1ms);
    EXPECT_NE(said(supply).find(std::string(off) + zero), std::string::npos) << answer;
  }
}

// Whoever switched it on again, or whatever still feeds the cell.
TEST_F(ACut, asks_for_the_state_anew_after_a_repeated_off) {  // S4
  begin();
  up(supply);
  up(meter);
  hear(supply, "0\n");
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "1\n");
  static_cast<void>(said(supply));
  pass(480ms);
  EXPECT_EQ(said(meter), ask_current);
  pass(20ms);
  EXPECT_EQ(said(supply), std::string(off) + zero + ask_state);
  hear(supply, "1\n");
  hear(meter, "0\n");
  EXPECT_FALSE(cut->all_off());
  pass(20ms);
  hear(supply, "0\n");
  EXPECT_FALSE(cut->all_off());  // that current was measured before
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ACut, believes_a_plain_state_that_is_nought_and_no_other) {  // S4
  for (const auto& [answer, is_off] : {std::pair{"0\n", true}, {"1\n", false}, {"2\n", false}}) {
    left().current.reset();
    left().state->expect = {};
    begin();
    up(supply);
    EXPECT_EQ(said(supply), ask_state);
    hear(supply, answer);
    EXPECT_EQ(cut->all_off(), is_off) << answer;
  }
}

TEST_F(ACut, believes_no_current_that_flows_either_way_or_is_no_number) {  // S2 S4
  for (const char* flows : {"0.0201\n", "-0.0201\n", "1\n", "NAN\n", "INF\n", "9.91E37\n"}) {
    begin();
    up(supply);
    hear(supply, "0\n");
    up(meter);
    EXPECT_EQ(said(meter), ask_current);
    hear(meter, flows);
    EXPECT_FALSE(cut->all_off()) << flows;
    pass(19ms);
    EXPECT_EQ(said(meter), "");
    pass(1ms);
    EXPECT_EQ(said(meter), ask_current) << flows;
    hear(meter, "-0.02\n");
    EXPECT_TRUE(cut->all_off()) << flows;
  }
}

TEST_F(ACut, believes_no_current_that_its_scale_makes_infinite) {  // S2
  left().current->expect.scale = 1e300;
  left().off_current = 1e308;
  begin();
  up(supply);
  hear(supply, "0\n");
  up(meter);
  hear(meter, "1e30\n");
  EXPECT_FALSE(cut->all_off());
}

TEST_F(ACut, measures_the_current_alone_where_nothing_else_can_be_read) {  // S4
  left().state.reset();
  left().contactor_state.reset();
  begin();
  up(meter);
  EXPECT_EQ(said(meter), "");  // nothing was ordered yet
  up(supply);
  EXPECT_EQ(said(meter), ask_current);
  pass(499ms);
  EXPECT_EQ(said(supply), "");
  pass(1ms);
  EXPECT_EQ(said(supply), std::string(off) + zero);
  hear(meter, "0\n");  // asked for before the newest off
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
  EXPECT_TRUE(noted_that("left: off, verified (off sent, current 0.000 A)"));
}

TEST_F(ACut, believes_a_current_measured_after_the_first_off) {  // S4
  left().state.reset();
  left().contactor_state.reset();
  begin();
  up(supply);
  up(meter);
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
  EXPECT_TRUE(noted_that("left: off, verified (off sent, current 0.000 A)"));
}

// A source without an off: that no current flows just now proves nothing before the contactor was
// ordered open.
TEST_F(ACut, proves_nothing_of_a_source_that_cannot_be_switched_before_its_contactor_is_ordered) {
  left().off.clear();  // S4
  left().state.reset();
  left().contactor_state.reset();
  begin();
  EXPECT_EQ(up(supply), "");
  up(meter);
  up(contactor);
  pass(499ms);
  EXPECT_EQ(said(meter), "");
  EXPECT_FALSE(cut->all_off());
  pass(1ms);
  EXPECT_EQ(said(contactor), open_contactor);
  EXPECT_EQ(said(supply), zero);  // it may have setpoints all the same
  pass(0ms);
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
  EXPECT_TRUE(cut->finished(now));
  EXPECT_TRUE(noted_that("left: off, verified (contactor ordered open, current 0.000 A)"));
  EXPECT_FALSE(noted_that("off sent"));
}

TEST_F(ACut, proves_nothing_where_neither_state_nor_current_can_be_read) {  // S4
  left().state.reset();
  left().contactor_state.reset();
  left().current.reset();
  begin();
  for (const auto link : {supply, contactor}) up(link);
  pass(500ms);
  EXPECT_EQ(said(contactor), open_contactor);
  pass(60s);
  EXPECT_FALSE(cut->all_off());
  EXPECT_FALSE(cut->finished(now));
}

TEST_F(ACut, waits_for_the_contactor_to_read_open_where_the_output_cannot_be_read) {  // S4
  left().state.reset();
  begin();
  for (const auto link : {supply, meter, contactor}) up(link);
  EXPECT_EQ(said(supply), "");
  pass(500ms);
  EXPECT_EQ(said(meter), "");
  EXPECT_EQ(said(contactor), open_contactor);
  pass(50ms);
  EXPECT_EQ(said(contactor), ask_contactor);
  hear(contactor, "0\n");
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->finished(now));
  EXPECT_TRUE(noted_that("left: off, verified (contactor reads open, current 0.000 A)"));
}

TEST_F(ACut, orders_a_contactor_that_reads_closed_open_again) {  // S4
  begin();
  up(contactor);
  EXPECT_EQ(said(contactor), "");
  pass(499ms);
  EXPECT_EQ(said(contactor), "");
  pass(1ms);
  EXPECT_EQ(said(contactor), open_contactor);
  pass(50ms);
  EXPECT_EQ(said(contactor), ask_contactor);
  hear(contactor, "1\n");
  pass(19ms);
  EXPECT_EQ(said(contactor), "");
  pass(1ms);
  EXPECT_EQ(said(contactor), ask_contactor);
  pass(429ms);
  EXPECT_EQ(said(contactor), "");
  pass(1ms);
  EXPECT_EQ(said(contactor), open_contactor);
  hear(contactor, "0\n");  // asked for before the newest order
  EXPECT_FALSE(noted_that("contactor reads open"));
  pass(50ms);
  EXPECT_EQ(said(contactor), ask_contactor);
  hear(contactor, "0\n");
  EXPECT_EQ(times_noted("contactor ordered open"), 1U);
  EXPECT_EQ(times_noted("contactor reads open"), 1U);
  pass(10s);
  EXPECT_EQ(said(contactor), "");
}

TEST_F(ACut, orders_a_contactor_that_cannot_be_read_once) {  // S4
  left().contactor_state.reset();
  begin();
  for (const auto link : {supply, meter, contactor}) up(link);
  hear(supply, "0\n");
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
  EXPECT_EQ(said(contactor), open_contactor);
  EXPECT_TRUE(cut->finished(now));
  pass(10s);
  EXPECT_EQ(said(contactor), "");
}

TEST_F(ACut, orders_a_contactor_that_cannot_be_read_open_again_while_current_flows) {  // S4
  left().contactor_state.reset();
  begin();
  for (const auto link : {supply, meter, contactor}) up(link);
  hear(supply, "0\n");
  hear(meter, "1\n");
  pass(500ms);
  EXPECT_EQ(said(contactor), open_contactor);
  pass(499ms);
  EXPECT_EQ(said(contactor), "");
  pass(1ms);
  EXPECT_EQ(said(contactor), open_contactor);
}

TEST_F(ACut, does_not_take_a_contactor_that_it_cannot_reach_for_ordered) {  // S4
  left().contactor_state.reset();
  begin();
  up(supply);
  up(meter);
  hear(supply, "0\n");
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
  pass(500ms);
  EXPECT_FALSE(cut->finished(now));
  EXPECT_EQ(times_noted("contactor ordered open"), 0U);
  cut->link_up(contactor, now);
  cut->turn(now);
  EXPECT_FALSE(cut->finished(now));  // it has not left yet
  EXPECT_TRUE(said(contactor).starts_with(open_contactor));
  EXPECT_TRUE(cut->finished(now));
}

TEST_F(ACut, reads_a_contactor_that_moves_at_once_at_once) {  // S4
  left().contactor_state->settle = 0ms;
  begin();
  up(contactor);
  pass(500ms);
  EXPECT_EQ(said(contactor), std::string(open_contactor) + ask_contactor);
  hear(contactor, "0\n");
  EXPECT_EQ(times_noted("contactor reads open"), 1U);
}

// Over a link that was lost nobody knows what became of it.
TEST_F(ACut, reads_a_contactor_again_whose_link_was_lost_before_the_proof) {  // S3 S4
  begin();
  up(contactor);
  pass(500ms);
  pass(50ms);
  EXPECT_EQ(said(contactor), std::string(open_contactor) + ask_contactor);
  hear(contactor, "0\n");
  cut->link_down(contactor, "unplugged", now);
  up(contactor);
  up(supply);
  up(meter);
  EXPECT_EQ(said(meter), "");  // neither output nor contactor reads open
  pass(50ms);
  EXPECT_EQ(said(contactor), ask_contactor);
  hear(contactor, "0\n");
  EXPECT_EQ(said(meter), ask_current);
}

TEST_F(ACut, asks_nothing_more_of_what_is_proved) {  // S4
  begin();
  up(contactor);
  up(meter);
  pass(500ms);
  pass(50ms);
  hear(contactor, "0\n");
  hear(meter, "0\n");
  ASSERT_TRUE(cut->all_off());
  for (const auto link : {meter, contactor}) static_cast<void>(said(link));
  EXPECT_EQ(up(supply), "");
  pass(10s);
  for (const auto link : {supply, meter, contactor}) EXPECT_EQ(said(link), "");
}

TEST_F(ACut, waits_two_seconds_for_a_contactor_whose_output_is_proved_off) {  // S4
  begin();
  up(supply);
  up(meter);
  hear(supply, "0\n");
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
  pass(1999ms);
  EXPECT_FALSE(cut->finished(now));
  pass(1ms);
  EXPECT_TRUE(cut->finished(now));
}

TEST_F(ACut, has_finished_with_the_proof_where_there_is_no_contactor) {  // S4
  left().open.clear();
  left().contactor_state.reset();
  begin();
  up(supply);
  up(meter);
  hear(supply, "0\n");
  hear(meter, "0\n");
  EXPECT_TRUE(cut->finished(now));
  up(contactor);  // there is a link of that number
  pass(10s);
  EXPECT_EQ(said(contactor), "");
  EXPECT_FALSE(noted_that("contactor ordered"));
}

TEST_F(ACut, leaves_alone_what_is_proved_off_when_its_link_comes_back) {  // S4
  begin();
  for (const auto link : {supply, meter, contactor}) up(link);
  hear(supply, "0\n");
  hear(meter, "0\n");
  ASSERT_TRUE(cut->all_off());
  static_cast<void>(said(supply));
  cut->link_down(supply, "unplugged", now);
  EXPECT_EQ(up(supply), "");
  EXPECT_EQ(said(supply), "");
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ACut, orders_a_contactor_whose_link_comes_back_open_at_once) {  // S3 S4
  begin();
  EXPECT_EQ(up(contactor), "");
  cut->link_down(contactor, "unplugged", now);
  EXPECT_EQ(up(contactor), "");  // not yet ordered: its turn comes
  pass(500ms);
  EXPECT_EQ(said(contactor), open_contactor);
  cut->link_down(contactor, "unplugged", now);
  EXPECT_EQ(up(contactor), open_contactor);
}

// A link may be taken for open twice, without an end between.
TEST_F(ACut, forgets_what_it_asked_over_the_link_before) {  // S3
  left().current.reset();
  begin();
  up(supply);
  EXPECT_EQ(said(supply), ask_state);
  EXPECT_EQ(up(supply), off);
  pass(20ms);
  EXPECT_EQ(said(supply), ask_state);
  EXPECT_FALSE(cut->all_off());
  hear(supply, "0\n");
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ACut, takes_a_lost_link_for_no_answer) {  // S3 S4
  left().current.reset();
  begin();
  up(supply);
  EXPECT_EQ(said(supply), ask_state);
  cut->link_down(supply, "unplugged", now);
  EXPECT_FALSE(cut->all_off());
  pass(500ms);  // nothing can be repeated
  EXPECT_EQ(said(supply), "");
  EXPECT_EQ(times_noted("repeated"), 0U);
  EXPECT_EQ(up(supply), off);
}

TEST_F(ACut, tells_why_a_link_is_down_when_that_is_new) {
  begin();
  for (int k = 0; k < 3; ++k) cut->link_down(supply, "refused", now);
  cut->link_down(supply, "unplugged", now);
  EXPECT_EQ(notes(), "supply: no link: refused\nsupply: no link: unplugged\n");
  up(supply);
  cut->link_down(supply, "unplugged", now);
  EXPECT_EQ(times_noted("unplugged"), 2U);
}

TEST_F(ACut, notes_what_came_first_when_there_is_too_much) {
  begin();
  for (int k = 0; k < 500; ++k) cut->link_down(supply, "why " + std::to_string(k), now);
  const auto all = cut->take_notes();
  ASSERT_EQ(all.size(), 400U);
  EXPECT_EQ(all[398].text, "supply: no link: why 398");
  EXPECT_EQ(all[399].text, "no more is noted");
  EXPECT_EQ(all[399].at, now);
}

TEST_F(ACut, wakes_for_whichever_link_is_first) {
  begin();
  EXPECT_EQ(cut->wake(), drivers::never);
  cut->link_up(meter, now);
  EXPECT_EQ(cut->wake(), now);  // something to send
  static_cast<void>(said(meter));
  EXPECT_EQ(cut->wake(), now + 4s);
  now += 1s;
  cut->link_up(contactor, now);
  static_cast<void>(said(contactor));
  EXPECT_EQ(cut->wake(), now + 3s);
}

TEST_F(ACut, uses_the_links_of_what_it_orders_and_asks) {
  begin();
  for (const auto link : {supply, meter, contactor}) EXPECT_TRUE(cut->uses(link));
  EXPECT_FALSE(cut->uses(3));
  left().current.reset();
  left().open.clear();
  begin();
  EXPECT_TRUE(cut->uses(supply));
  EXPECT_FALSE(cut->uses(meter));
  EXPECT_FALSE(cut->uses(contactor));
}

TEST_F(ACut, cuts_every_channel_and_asks_one_question_at_a_time) {  // S4
  sheet.outputs.push_back(left());
  sheet.outputs[1].name = "right";
  sheet.outputs[1].off = "INST:NSEL 1;:OUTP OFF";
  sheet.outputs[1].state->text = "INST:NSEL 1;:OUTP?";
  begin();
  EXPECT_EQ(up(supply), std::string(off) + "INST:NSEL 1;:OUTP OFF\n");
  EXPECT_EQ(said(supply), ask_state);
  hear(supply, "0\n");
  EXPECT_EQ(said(supply), "INST:NSEL 1;:OUTP?\n");
  hear(supply, "0\n");
  up(meter);
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_FALSE(cut->all_off());
  EXPECT_FALSE(cut->finished(now + 1min));
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ACut, begins_from_the_start_when_it_is_done_again) {  // S6
  begin();
  for (const auto link : {supply, meter, contactor}) up(link);
  hear(supply, "0\n");
  hear(meter, "0\n");
  pass(50ms);
  hear(contactor, "0\n");
  ASSERT_TRUE(cut->finished(now));
  pass(1s);
  for (const auto link : {supply, meter, contactor}) static_cast<void>(said(link));
  cut->again(now);
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(said(supply), off);
  pass(499ms);
  EXPECT_EQ(said(contactor), "");
  pass(1ms);
  EXPECT_EQ(said(contactor), open_contactor);
}

TEST_F(ACut, begins_again_without_a_link_that_is_lost_meanwhile) {  // S3 S6
  left().current.reset();
  begin();
  up(supply);
  hear(supply, "0\n");
  ASSERT_TRUE(cut->all_off());
  static_cast<void>(said(supply));
  cut->link_down(supply, "unplugged", now);
  cut->again(now);
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(said(supply), "");
  EXPECT_EQ(up(supply), off);
}

// Asked again and again, it would keep what hangs on the same instrument waiting for ever.
TEST_F(ACut, asks_for_the_contactor_too_where_the_source_beside_it_says_that_it_is_on) {  // S4
  left().contactor = supply;
  begin();
  up(supply);
  for (int k = 0; k < 40; ++k) {
    const bool of_contactor = said(supply).ends_with(ask_contactor);
    pass(30ms);  // its answers take so long
    hear(supply, of_contactor ? "0\n" : "1\n");
  }
  EXPECT_EQ(times_noted("contactor reads open"), 1U);
}

// What left may never have come, and there is nothing but the current to tell.
TEST_F(ACut, proves_nothing_by_the_current_once_the_link_is_lost_that_took_the_off) {  // S3 S4
  left().state.reset();
  left().contactor_state.reset();
  left().open.clear();
  begin();
  up(supply);
  up(meter);
  EXPECT_EQ(said(meter), ask_current);
  cut->link_down(supply, "unplugged", now);
  hear(meter, "0\n");
  pass(20ms);
  EXPECT_EQ(said(meter), "");
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(up(supply), off);
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ACut, proves_nothing_by_the_current_once_the_link_is_lost_that_took_the_opening) {  // S3 S4
  left().off.clear();
  left().state.reset();
  left().contactor_state.reset();
  begin();
  for (const auto link : {supply, meter, contactor}) up(link);
  pass(500ms);
  EXPECT_EQ(said(contactor), open_contactor);
  pass(0ms);
  EXPECT_EQ(said(meter), ask_current);
  cut->link_down(contactor, "unplugged", now);
  hear(meter, "0\n");
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(up(contactor), open_contactor);
  pass(20ms);
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ACut, measures_no_current_before_the_off_has_left) {  // S4
  left().state.reset();
  left().contactor_state.reset();
  sheet.links[supply].address = "serial:///dev/ttyS9";
  sheet.links[supply].between = 100ms;
  begin();
  up(meter);
  cut->link_up(supply, now);
  EXPECT_EQ(said(supply), "\n");
  pass(99ms);
  EXPECT_EQ(said(supply) + said(meter), "");
  EXPECT_EQ(times_noted("off sent"), 0U);
  pass(1ms);
  EXPECT_EQ(said(supply), off);
  EXPECT_EQ(times_noted("off sent"), 1U);
  pass(0ms);
  EXPECT_EQ(said(meter), ask_current);
}

TEST_F(ACut, measures_no_current_while_another_order_waits) {  // S4
  left().state.reset();
  left().contactor_state.reset();
  begin();
  up(supply);
  up(meter);
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "1\n");
  pass(500ms);  // off again
  EXPECT_EQ(said(meter), "");
  pass(0ms);
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "1\n");
  cut->link_up(contactor, now);
  pass(20ms);  // its opening
  EXPECT_EQ(said(meter), "");
  pass(0ms);
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "1\n");
  pass(480ms);  // off again, though the contactor was ordered open
  EXPECT_EQ(said(meter), "");
  pass(0ms);
  EXPECT_EQ(said(meter), ask_current);
}

TEST_F(ACut, asks_for_no_state_before_what_it_is_to_tell_of_had_its_time) {  // S4
  left().state->settle = 30ms;
  sheet.links[supply].address = "serial:///dev/ttyS9";
  sheet.links[supply].nonce_ask.clear();
  sheet.links[supply].clear.clear();
  sheet.links[supply].respond = 10ms;
  sheet.links[supply].between = 100ms;
  begin();
  cut->link_up(supply, now);
  EXPECT_EQ(said(supply), "\n");
  pass(100ms);
  EXPECT_EQ(said(supply), off);
  pass(30ms);  // now it is asked for, and waits for the pause
  pass(69ms);
  EXPECT_EQ(said(supply), "");
  pass(1ms);
  EXPECT_EQ(said(supply), ask_state);
}

// Its orders leave one by one, before every question: too many would leave none a turn.
TEST_F(ACut, gives_an_instrument_that_wants_pauses_the_time_for_all_that_it_may_be_told) {  // S4
  left().ammeter = left().contactor = supply;
  sheet.links[supply].on_connect = {"SYST:REM"};
  sheet.links[supply].between = 10ms;
  begin();
  cut->link_up(supply, now);
  const auto orders = [&](const char* order) {  // when, in ms
    std::vector<int> at;
    std::string all;
    for (int ms = 0; ms <= 1300; ++ms) {
      const std::string bytes = said(supply);
      if (bytes.find(order) != std::string::npos) at.push_back(ms);
      pass(1ms);
    }
    return at;
  };
  // Off, two setpoints, state; opening, its state; current; what comes on connecting, the end of
  // a line, a clear and four for the numbers: 14.
  EXPECT_EQ(orders(off), (std::vector{0, 640, 1280}));
  begin();
  cut->link_up(supply, now);
  EXPECT_EQ(orders(open_contactor), (std::vector{500, 1140}));
}

TEST_F(ACut, has_not_finished_while_the_opening_of_a_contactor_waits) {  // S4
  left().contactor_state.reset();
  sheet.links[contactor].address = "serial:///dev/ttyS9";
  sheet.links[contactor].between = 100ms;
  begin();
  up(supply);
  up(meter);
  hear(supply, "0\n");
  hear(meter, "0\n");
  ASSERT_TRUE(cut->all_off());
  cut->link_up(contactor, now);
  pass(0ms);
  EXPECT_EQ(said(contactor), "\n");
  EXPECT_FALSE(cut->finished(now + 1min));
  cut->link_down(contactor, "unplugged", now);
  EXPECT_FALSE(cut->finished(now));
  cut->link_up(contactor, now);
  pass(100ms);
  pass(100ms);
  EXPECT_EQ(said(contactor), std::string("\n") + open_contactor);
  EXPECT_TRUE(cut->finished(now));
  EXPECT_EQ(times_noted("contactor ordered open"), 1U);
  cut->link_down(contactor, "unplugged", now);  // it has done its work
  cut->link_up(contactor, now);
  for (int k = 0; k < 10; ++k) pass(100ms);
  EXPECT_EQ(said(contactor).find("OPEN"), std::string::npos);
  EXPECT_TRUE(cut->finished(now));
}

TEST_F(ACut, believes_no_current_that_was_asked_for_before_it_is_done_again) {  // S3 S6
  begin();
  up(contactor);
  up(meter);
  pass(500ms);
  pass(50ms);
  hear(contactor, "0\n");
  EXPECT_EQ(said(meter), ask_current);
  pass(1ms);
  cut->again(now);
  hear(meter, "0\n");
  static_cast<void>(said(contactor));
  pass(500ms);
  EXPECT_EQ(said(contactor), open_contactor);
  pass(50ms);
  hear(contactor, "0\n");
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
}

}  // namespace
}  // namespace chargewright::safety::testing

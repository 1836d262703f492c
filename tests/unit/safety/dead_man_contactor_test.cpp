// The steps of the dead-man's cut at a contactor (S4): when it is opened, and what proves it open.
#include "dead_man_steps.h"

namespace chargewright::safety::testing {
namespace {

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

TEST_F(ACut, waits_for_the_contactor_to_read_open_where_the_output_cannot_be_read) {  // S4
  left().state.reset();
  begin();
  up_all();
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
  hear(contactor, "1\n");
  EXPECT_FALSE(noted_that("contactor reads open"));
  pass(20ms);
  EXPECT_EQ(said(contactor), ask_contactor);
  hear(contactor, "0\n");
  EXPECT_EQ(times_noted("contactor ordered open"), 1U);
  EXPECT_EQ(times_noted("contactor reads open"), 1U);
  pass(10s);
  EXPECT_EQ(said(contactor), "");
}

TEST_F(ACut, takes_no_contactor_for_open_that_was_asked_before_it_is_done_again) {  // S3 S6
  prove_off_over({supply, meter, contactor});
  EXPECT_EQ(said(contactor), open_contactor);
  pass(50ms);
  EXPECT_EQ(said(contactor), ask_contactor);
  cut->again(now);
  hear(contactor, "0\n");
  EXPECT_FALSE(noted_that("contactor reads open"));
  EXPECT_FALSE(cut->finished(now));
}

// Closed again by a hand, or it reads what is not so.
TEST_F(ACut, orders_a_contactor_that_reads_open_open_again_while_current_flows) {  // S3 S4
  begin();
  up_all();
  hear(supply, "1\n");  // does not obey
  pass(500ms);
  EXPECT_EQ(said(contactor), open_contactor);
  pass(50ms);
  hear(contactor, "0\n");
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "1\n");
  static_cast<void>(said(contactor));
  pass(449ms);
  EXPECT_EQ(said(contactor), "");
  pass(1ms);
  EXPECT_EQ(said(contactor), std::string(open_contactor) + ask_contactor);
  hear(contactor, "0\n");
  pass(1ms);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
  EXPECT_EQ(times_noted("contactor ordered open"), 1U);
  EXPECT_EQ(times_noted("left: contactor reads open"), 1U);
  pass(10s);
  EXPECT_EQ(said(contactor), "");
}

// The source says that it is on, again and again, while the ammeter measures.
TEST_F(ACut, is_proved_by_a_contactor_and_a_slow_ammeter_where_the_source_does_not_obey) {  // S4
  begin();
  up_all();
  hear(supply, "1\n");
  pass(500ms);
  pass(50ms);
  hear(contactor, "0\n");
  EXPECT_EQ(said(meter), ask_current);
  for (int k = 0; k < 60; ++k) {
    pass(20ms);
    if (said(supply).ends_with(ask_state)) hear(supply, "1\n");
  }
  EXPECT_FALSE(cut->all_off());
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
  EXPECT_TRUE(noted_that("left: off, verified (contactor reads open, current 0.000 A)"));
  EXPECT_EQ(cut->doubts(), "; left: supply answers that its output is on: go and look");
}

TEST_F(ACut, orders_a_contactor_that_cannot_be_read_once) {  // S4
  left().contactor_state.reset();
  prove_off_over({supply, meter, contactor});
  EXPECT_TRUE(cut->all_off());
  EXPECT_EQ(said(contactor), open_contactor);
  EXPECT_TRUE(cut->finished(now));
  pass(10s);
  EXPECT_EQ(said(contactor), "");
}

TEST_F(ACut, orders_a_contactor_that_cannot_be_read_open_again_while_current_flows) {  // S4
  left().contactor_state.reset();
  begin();
  up_all();
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
  prove_off_over({supply, meter});
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

TEST_F(ACut, waits_two_seconds_for_a_contactor_whose_output_is_proved_off) {  // S4
  prove_off_over({supply, meter});
  EXPECT_TRUE(cut->all_off());
  pass(1999ms);
  EXPECT_FALSE(cut->finished(now));
  pass(1ms);
  EXPECT_TRUE(cut->finished(now));
}

TEST_F(ACut, has_finished_with_the_proof_where_there_is_no_contactor) {  // S4
  left().open.clear();
  left().contactor_state.reset();
  prove_off_over({supply, meter});
  EXPECT_TRUE(cut->finished(now));
  up(contactor);  // there is a link of that number
  pass(10s);
  EXPECT_EQ(said(contactor), "");
  EXPECT_FALSE(noted_that("contactor ordered"));
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

TEST_F(ACut, has_not_finished_while_the_opening_of_a_contactor_waits) {  // S4
  left().contactor_state.reset();
  sheet.links[contactor].address = "serial:///dev/ttyS9";
  sheet.links[contactor].between = 100ms;
  prove_off_over({supply, meter});
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

}  // namespace
}  // namespace chargewright::safety::testing

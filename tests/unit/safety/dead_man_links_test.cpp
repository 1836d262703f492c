// The dead-man's cut over links that are lost and come back, and over several at once (S3, S4, S6).
#include "dead_man_steps.h"

namespace chargewright::safety::testing {
namespace {

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

TEST_F(ACut, leaves_alone_what_is_proved_off_when_its_link_comes_back) {  // S4
  prove_off_over({supply, meter, contactor});
  ASSERT_TRUE(cut->all_off());
  static_cast<void>(said(supply));
  cut->link_down(supply, "unplugged", now);
  EXPECT_EQ(up(supply), "");
  EXPECT_EQ(said(supply), "");
  EXPECT_TRUE(cut->all_off());
}

// Its contactor proves it off; but closed by hand, it would feed the cell again.
struct ACutAtAnOpenContactor : ACut {
  void prove_off_by_the_contactor() {
    begin();
    up(meter);
    up(contactor);
    pass(500ms);
    pass(50ms);
    hear(contactor, "0\n");
    hear(meter, "0\n");
    ASSERT_TRUE(cut->all_off());
  }
};

TEST_F(ACutAtAnOpenContactor, still_tells_a_source_off_whose_link_comes_up_later) {  // S4 S6
  prove_off_by_the_contactor();
  EXPECT_FALSE(cut->finished(now));
  pass(9s);
  EXPECT_FALSE(cut->finished(now));
  EXPECT_EQ(up(supply), off);
  EXPECT_TRUE(cut->finished(now));
  EXPECT_EQ(cut->doubts(), "");
  cut->link_down(supply, "unplugged", now);
  EXPECT_EQ(up(supply), "");
}

TEST_F(ACutAtAnOpenContactor, says_which_source_it_could_not_tell_off) {  // S4 S6
  prove_off_by_the_contactor();
  pass(Cut::source_within - 550ms - 1ms);
  EXPECT_FALSE(cut->finished(now));
  pass(1ms);
  EXPECT_TRUE(cut->finished(now));
  EXPECT_EQ(cut->doubts(), "; left: supply could not be told off");
}

TEST_F(ACutAtAnOpenContactor, waits_for_an_off_that_waits_for_a_pause) {  // S4 S6
  sheet.links[supply].address = "serial:///dev/ttyS9";
  sheet.links[supply].between = 500ms;
  prove_off_by_the_contactor();
  cut->link_up(supply, now);
  EXPECT_EQ(said(supply), "\n");
  EXPECT_FALSE(cut->finished(now + 1min));
  pass(500ms);
  EXPECT_EQ(said(supply), off);
  EXPECT_TRUE(cut->finished(now));
}

TEST_F(ACutAtAnOpenContactor, tells_of_no_source_that_cannot_be_told) {  // S4
  left().off.clear();
  left().state.reset();
  prove_off_by_the_contactor();
  EXPECT_TRUE(cut->finished(now));
  EXPECT_EQ(cut->doubts(), "");
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
  prove_off_over({supply, meter, contactor});
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

TEST_F(ACut, proves_nothing_by_a_current_that_was_asked_for_before_the_off_was_ordered) {  // S4
  begin();
  up(contactor);
  up(meter);
  pass(1s);  // the source cannot be reached
  EXPECT_EQ(said(contactor), open_contactor);
  pass(1s);
  EXPECT_EQ(said(contactor), std::string(open_contactor) + ask_contactor);
  hear(contactor, "0\n");
  pass(1ms);
  EXPECT_EQ(said(meter), ask_current);
  now += 1ms;
  EXPECT_EQ(up(supply), off);
  hear(meter, "0\n");
  EXPECT_FALSE(cut->all_off());
  pass(50ms);
  EXPECT_EQ(said(meter), ask_current);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ACut, proves_nothing_by_the_current_once_the_link_is_lost_that_took_the_opening) {  // S3 S4
  left().off.clear();
  left().state.reset();
  left().contactor_state.reset();
  begin();
  up_all();
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

}  // namespace
}  // namespace chargewright::safety::testing

// The steps of the dead-man's cut at a source (S4, S6): off, its state, the current. Against
// simulated instruments: dead_man_cut_test.cpp.
#include "dead_man_steps.h"

namespace chargewright::safety::testing {
namespace {

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

TEST_F(ACut, takes_no_state_that_was_asked_for_before_it_is_done_again) {  // S3 S4
  left().current.reset();
  begin();
  up(supply);
  up(meter);
  EXPECT_EQ(said(supply), ask_state);
  pass(1ms);
  cut->again(now);
  EXPECT_EQ(said(supply), off);
  hear(supply, "0\n");
  EXPECT_FALSE(cut->all_off());
  EXPECT_EQ(said(supply), ask_state);
  hear(supply, "0\n");
  EXPECT_TRUE(cut->all_off());
  EXPECT_TRUE(noted_that("left: off, verified (output reads off)"));
  EXPECT_EQ(said(meter), "");
}

// Off is repeated twice a second: evidence asked for after the first off is as good.
TEST_F(ACut, is_proved_by_instruments_that_are_slower_than_its_repeats) {  // S4
  left().state->settle = 700ms;
  begin();
  up(supply);
  up(meter);
  pass(699ms);
  EXPECT_EQ(said(supply), std::string(off) + zero);
  pass(1ms);
  EXPECT_EQ(said(supply), ask_state);
  pass(1500ms);
  EXPECT_EQ(said(supply), std::string(off) + zero);
  hear(supply, "0\n");
  EXPECT_EQ(said(meter), ask_current);
  pass(1500ms);
  EXPECT_EQ(said(supply), std::string(off) + zero);
  hear(meter, "0\n");
  EXPECT_TRUE(cut->all_off());
}

TEST_F(ACut, is_proved_by_an_ammeter_that_takes_six_seconds_to_answer) {  // S4
  left().open.clear();
  left().contactor_state.reset();
  sheet.links[meter].respond = 8s;
  begin();
  up(supply);
  hear(supply, "0\n");
  cut->link_up(meter, now);
  for (const char* answer : {"197\n", "211\n", "0\n"}) {
    for (int k = 0; k < 60; ++k) pass(100ms);
    hear(meter, answer);
  }
  EXPECT_TRUE(cut->finished(now));
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
  EXPECT_EQ(cut->doubts(), "");
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
  hear(meter, "1\n");
  EXPECT_FALSE(cut->all_off());
  pass(20ms);
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
  EXPECT_EQ(up(supply), off);
  pass(10s);
  for (const auto link : {supply, meter, contactor}) EXPECT_EQ(said(link), "");
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
  // Off, two setpoints, state; opening, its state; current; what comes on connecting, the off a
  // second time, a clear and four for the numbers: 14.
  EXPECT_EQ(orders(off), (std::vector{0, 10, 650, 1290}));
  begin();
  cut->link_up(supply, now);
  EXPECT_EQ(orders(open_contactor), (std::vector{500, 1140}));
}

// The first message alone may be unheard, and only over a link that is not begun with an empty one.
TEST_F(ACut, says_the_first_off_twice_where_the_instrument_wants_pauses) {  // S4 S6
  sheet.outputs.insert(sheet.outputs.begin(), left());
  sheet.outputs[0].name = "right";
  sheet.outputs[0].off.clear();
  sheet.outputs.push_back(left());
  sheet.outputs[2].name = "middle";
  sheet.outputs[2].off = "INST:NSEL 3;:OUTP OFF";
  sheet.links[supply].between = 10ms;
  for (const bool is_serial : {false, true}) {
    if (is_serial) sheet.links[supply].address = "serial:///dev/ttyS9";
    begin();
    cut->link_up(supply, now);
    for (int k = 0; k < 3; ++k) pass(10ms);
    const std::string first = is_serial ? "\n" : off;
    EXPECT_TRUE(said(supply).starts_with(first + off + "INST:NSEL 3;:OUTP OFF\n")) << is_serial;
  }
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

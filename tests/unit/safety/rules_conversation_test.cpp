// Instruments that do not answer, links that are lost (S3), and a sequencer that is silent (S6).
#include <gtest/gtest.h>

#include <tuple>

#include "energised.h"

namespace chargewright::safety::testing {
namespace {

TEST_F(Energised, finds_a_conversation_failing_at_the_third_time_out_in_a_row) {  // S3
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  EXPECT_TRUE(judge().within());
  see(thermometer, 1, Verb::measure_temperature, 25);
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  EXPECT_TRUE(judge().within());
  see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
  EXPECT_EQ(worst(), Cause::conversation_failing);
  EXPECT_EQ(judge().worst.limit, 3);
}

TEST_F(Energised, finds_a_conversation_failing_however_long_it_has) {  // S3
  for (int k = 1; k < 600; ++k) {
    see(thermometer, 1, Verb::measure_temperature, 0, Ending::timed_out);
    ASSERT_EQ(present(Cause::conversation_failing), k >= 3) << k;
  }
}

TEST_F(Energised, takes_any_answer_for_a_conversation_and_no_word_of_its_own_for_one) {  // S3
  const auto after = [&](Ending ending) {
    for (int k = 0; k < 3; ++k) {
      see(supply, 0, Verb::read_regulation, 0, Ending::timed_out);
    }
    interlock.link(supply, false);
    EXPECT_TRUE(present(Cause::conversation_failing));
    see(supply, 0, Verb::read_regulation, 0, ending);
    return present(Cause::conversation_failing);
  };
  for (const Ending answered : {Ending::done, Ending::disproved, Ending::device_error,
                                Ending::unparsable, Ending::not_a_number, Ending::infinite}) {
    EXPECT_FALSE(after(answered)) << static_cast<int>(answered);
    now += 250ms;  // and the link counts as up
    EXPECT_FALSE(present(Cause::conversation_failing)) << static_cast<int>(answered);
  }
  for (const Ending ours : {Ending::refused, Ending::absent}) {
    EXPECT_TRUE(after(ours)) << static_cast<int>(ours);
  }
}

TEST_F(Energised, takes_a_link_for_down_by_the_first_order_that_finds_it_so) {  // S3
  see(supply, 0, Verb::read_regulation, 0, Ending::link_down);
  EXPECT_FALSE(present(Cause::conversation_failing));
  EXPECT_EQ(interlock.wake(), now + 250ms);
  now += 250ms;
  EXPECT_TRUE(present(Cause::conversation_failing));
  EXPECT_EQ(interlock.found(Cause::conversation_failing).measured, supply);
  interlock.link(voltmeter, true);  // of another
  EXPECT_TRUE(present(Cause::conversation_failing));
  interlock.link(supply, true);
  EXPECT_FALSE(present(Cause::conversation_failing));
}

TEST_F(Energised, begins_a_conversation_anew_where_its_link_comes_up) {  // S3
  see(supply, 0, Verb::read_regulation, 0, Ending::timed_out);
  see(supply, 0, Verb::read_regulation, 0, Ending::timed_out);
  interlock.link(supply, true);
  see(supply, 0, Verb::read_regulation, 0, Ending::timed_out);
  EXPECT_TRUE(judge().within());
}

TEST_F(Energised, names_a_lost_link_before_its_readings_are_stale) {  // S3
  interlock.link(voltmeter, false);
  EXPECT_TRUE(judge().within());
  now += 249ms;
  EXPECT_TRUE(judge().within());
  now += 1ms;
  EXPECT_EQ(worst(), Cause::conversation_failing);
  interlock.link(voltmeter, true);
  EXPECT_TRUE(judge().within());
}

TEST(EveryInstrument, of_a_channel_is_missed_when_its_link_is_lost) {  // S3
  const ChannelPlan plan = plan_of({.ammeter = true, .contactor = true});
  for (const auto instrument : {supply, voltmeter, thermometer, ammeter, contactor}) {
    Interlock interlock(plan, 0);
    interlock.enforce(cell_limits(), at(0s));
    interlock.link(instrument, false);
    interlock.judge(at(1ms));
    const Verdict verdict = interlock.judge(at(300ms));
    EXPECT_TRUE(names(verdict, Cause::conversation_failing));
    EXPECT_EQ(interlock.found(Cause::conversation_failing).measured, instrument);
  }
}

// Something else takes its only session: each connection is accepted, and closed again.
TEST(EveryInstrument, of_a_channel_is_missed_when_its_link_comes_and_goes) {  // S3
  const ChannelPlan plan = plan_of({.ammeter = true, .contactor = true});
  for (const bool answers : {false, true}) {
    Interlock interlock(plan, 0);
    interlock.enforce(cell_limits(), at(0s));
    bool missed = false;
    for (Duration passed = 0ms; passed < 400ms; passed += 51ms) {
      interlock.link(contactor, false);
      missed |= names(interlock.judge(at(passed)), Cause::conversation_failing);
      interlock.link(contactor, true);
      if (answers) interlock.see(outcome(contactor, 0, Verb::read_switch, 1, at(passed + 50ms)));
      missed |= names(interlock.judge(at(passed + 50ms)), Cause::conversation_failing);
    }
    EXPECT_EQ(missed, !answers);
  }
}

// A contactor that cannot be read says its name, and that is the last for hours.
TEST(EveryInstrument, of_a_channel_is_heard_by_its_name) {  // S3
  Interlock interlock(plan_of({.ammeter = true, .contactor = true}), 0);
  interlock.enforce(cell_limits(), at(0s));
  interlock.link(contactor, false);
  interlock.judge(at(1ms));
  interlock.link(contactor, true);
  interlock.see(outcome(contactor, 0, Verb::identify, 1, at(50ms)));
  interlock.judge(at(51ms));
  interlock.link(ammeter, false);
  EXPECT_FALSE(names(interlock.judge(at(1h)), Cause::conversation_failing));
}

// ---- the sequencer ------------------------------------------------------------------------------

TEST_F(Energised, trips_when_the_sequencer_is_late) {  // S6
  const Instant alive = now;
  for (; now <= alive + plan.heartbeat; now += 100ms) {
    measured_readings();
    EXPECT_TRUE(judge().within());
  }
  EXPECT_EQ(worst(), Cause::sequencer_late);
}

TEST_F(Rules, wake_when_the_sequencer_would_be_late) {  // S6
  const Instant alive = now;
  now += 700ms;
  good_readings();
  // What else is due has been renewed; this has not.
  Interlock late(plan, 0);
  late.enforce(limits, alive);
  EXPECT_FALSE(names(late.judge(alive + plan.heartbeat), Cause::sequencer_late));
  EXPECT_TRUE(names(late.judge(alive + plan.heartbeat + 1ns), Cause::sequencer_late));
  ChannelPlan slow = plan;
  slow.allowed_age = 10h;
  Interlock waiting(slow, 0);
  waiting.enforce(limits, alive);
  Expected none;
  waiting.expect(none);
  for (const auto& [id, channel, verb] :
       {std::tuple{supply, 0, Verb::measure_voltage},
        std::tuple{voltmeter, 0, Verb::measure_voltage},
        std::tuple{supply, 0, Verb::measure_current}, std::tuple{ammeter, 0, Verb::measure_current},
        std::tuple{thermometer, 1, Verb::measure_temperature},
        std::tuple{thermometer, 2, Verb::measure_temperature}}) {
    waiting.see(outcome(id, static_cast<std::uint8_t>(channel), verb, 3, alive));
  }
  waiting.judge(alive + 100ms);
  EXPECT_EQ(waiting.wake(), alive + plan.heartbeat + 1ns);
}

}  // namespace
}  // namespace chargewright::safety::testing

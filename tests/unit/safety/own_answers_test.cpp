// Only answers to its own questions, about its own terminals, count for a channel (S3, S4).
#include <gtest/gtest.h>

#include "energised.h"
#include "safety/outbox.h"

namespace chargewright::safety::testing {
namespace {

TEST_F(Energised, takes_no_readback_of_the_sources_other_output_for_its_own) {  // S3
  for (const auto& readback : {std::pair{Verb::read_voltage_setpoint, 9.0},
                               {Verb::read_current_setpoint, 9.0},
                               {Verb::read_output, 0.0},
                               {Verb::read_protection, 1.0}}) {
    const Verb verb = readback.first;
    const double value = readback.second;
    good_readings();
    now += 10ms;
    see(supply, 1, verb, value);  // the second output of the same supply
    see(ammeter, 0, verb, value);
    EXPECT_TRUE(judge().within()) << describe(judge().worst);
    now += 10ms;
    see(supply, 0, verb, value);
    pass(3s, [&] { see(supply, 0, verb, value); });
    EXPECT_FALSE(last.within());
  }
}

std::uint32_t steering_ticket(std::uint32_t sequence) {
  return static_cast<std::uint32_t>(Purpose::steering) << 24 | sequence;
}

// As an answer comes late to an order that a cut has taken back.
void answer_late(GuardStory& story, Verb verb, double value, Ending ending) {
  Outcome late = outcome(supply, 0, verb, value, story.now, ending);
  late.order.ticket = steering_ticket(0xFF'FFF0);
  story.guard.see(late, story.now);
}

TEST(Steering, takes_the_answer_to_a_setpoint_of_before_neither_for_proof_nor_for_failure) {  // S1
  for (const Ending ending : {Ending::done, Ending::disproved, Ending::timed_out}) {
    GuardStory story;
    ASSERT_TRUE(story.start_to_ready());
    story.bench.latency = 200ms;
    story.ask(Request::Kind::charge, 1, 4.20_V, 2.4_A);
    story.pass(100ms);  // written, not answered
    answer_late(story, Verb::set_voltage, 4.2, ending);
    answer_late(story, Verb::set_current, 2.4, ending);
    story.pass(50ms);
    EXPECT_EQ(story.bench.count(Verb::output_on), 0);
    story.pass(200ms);  // now the setpoints are proved, and the output on is under way
    ASSERT_EQ(story.bench.count(Verb::output_on), 1);
    answer_late(story, Verb::output_on, 1, ending);
    story.pass(1s);
    EXPECT_EQ(story.state(), State::energised) << describe(story.channel().trip);
  }
}

}  // namespace
}  // namespace chargewright::safety::testing

// What proves a bench off when no daemon does (S4): never the mere sending of a command.

#include <gtest/gtest.h>

#include "daemon/cli/off_proof.h"

namespace chargewright::daemon {
namespace {

using drivers::Ending;
using drivers::Order;
using drivers::Verb;
using namespace std::chrono_literals;

drivers::Dialect dialect_with(std::initializer_list<Verb> read_back,
                              std::initializer_list<Verb> sent_only = {}) {
  drivers::Dialect dialect;
  for (const Verb verb : read_back) {
    auto& spelling = dialect.verbs[static_cast<std::size_t>(verb)];
    spelling.absent = false;
    spelling.ask = drivers::Ask{};
  }
  for (const Verb verb : sent_only) {
    dialect.verbs[static_cast<std::size_t>(verb)].absent = false;
  }
  return dialect;
}

class DirectCutProof : public testing::Test {
 protected:
  static constexpr drivers::InstrumentId supply = 0;
  static constexpr drivers::InstrumentId contactor = 1;

  DirectCutProof() {
    bench_.instruments.resize(2);
    bench_.instruments[supply].name = "supply";
    bench_.instruments[supply].link_text = "tcp://127.0.0.1:5025";
    bench_.instruments[contactor].name = "contactor";
    profiles::BenchChannel channel;
    channel.name = "left";
    channel.source = channel.ammeter = channel.voltmeter = {.instrument = supply, .channel = 1};
    channel.off_current = drivers::amperes(0.02);
    bench_.channels.push_back(channel);
    dialects_ = {dialect_with({Verb::output_off, Verb::measure_current}),
                 dialect_with({Verb::open_switch})};
  }
  void with_contactor() { bench_.channels[0].contactor = {.instrument = contactor, .channel = 1}; }

  // The next order, a while later; the test fails where there is none.
  Order next(OffProof& proof) {
    Order order;
    now_ += 100ms;
    EXPECT_TRUE(proof.take_order(order, now_));
    return order;
  }
  bool has_order(OffProof& proof) {
    Order order;
    return proof.take_order(order, now_ += 100ms);
  }
  void answer(OffProof& proof, const Order& order, Ending ending, double value = 0) {
    proof.see({.order = order, .ending = ending, .value = value}, now_);
  }
  // How often it is ordered in five seconds where each ends so at once.
  int orders(OffProof& proof, Ending ending, double value = 0) {
    int count = 0;
    Order order;
    for (const drivers::Instant end = now_ + 5s; now_ < end; now_ += 1ms) {
      while (count < 10'000 && proof.take_order(order, now_)) {
        answer(proof, order, ending, value);
        ++count;
      }
    }
    return count;
  }

  profiles::Bench bench_;
  std::vector<drivers::Dialect> dialects_;
  drivers::Instant now_{};
};

TEST_F(DirectCutProof, orders_nothing_before_there_is_a_link) {
  OffProof proof{bench_, dialects_};
  EXPECT_FALSE(has_order(proof));
  EXPECT_FALSE(proof.all_off());
}

TEST_F(DirectCutProof, is_off_when_read_back_off_and_no_current_flows) {
  OffProof proof{bench_, dialects_};
  proof.link_changed(supply, true);
  const Order off = next(proof);
  EXPECT_EQ(off.verb, Verb::output_off);
  EXPECT_EQ(off.channel, 1);
  EXPECT_TRUE(off.urgent);
  EXPECT_FALSE(has_order(proof));  // a current measured before says nothing
  answer(proof, off, Ending::done);
  EXPECT_FALSE(proof.all_off());
  answer(proof, next(proof), Ending::done, 0.015);
  EXPECT_TRUE(proof.all_off());
}

TEST_F(DirectCutProof, looks_again_while_a_current_still_flows) {
  OffProof proof{bench_, dialects_};
  proof.link_changed(supply, true);
  answer(proof, next(proof), Ending::done);
  for (const double amperes : {3.0, -0.5, 0.021}) {
    answer(proof, next(proof), Ending::done, amperes);
    EXPECT_FALSE(proof.all_off()) << amperes;
  }
  answer(proof, next(proof), Ending::done, 0.0);
  EXPECT_TRUE(proof.all_off());
}

TEST_F(DirectCutProof, a_current_that_cannot_be_read_is_not_no_current) {
  for (const Ending ending : {Ending::not_a_number, Ending::infinite, Ending::unparsable,
                              Ending::timed_out, Ending::device_error, Ending::absent}) {
    OffProof proof{bench_, dialects_};
    proof.link_changed(supply, true);
    answer(proof, next(proof), Ending::done);
    answer(proof, next(proof), ending, 0.0);
    EXPECT_FALSE(proof.all_off()) << static_cast<int>(ending);
  }
}

TEST_F(DirectCutProof, an_output_that_reads_back_on_is_ordered_off_again) {
  OffProof proof{bench_, dialects_};
  proof.link_changed(supply, true);
  answer(proof, next(proof), Ending::disproved, 1);
  EXPECT_EQ(next(proof).verb, Verb::output_off);
  EXPECT_FALSE(proof.all_off());
}

TEST_F(DirectCutProof,
       repeats_an_order_that_fails_at_a_pace_and_for_as_long_as_there_is_time) {  // S4
  for (const Ending ending : {Ending::device_error, Ending::disproved, Ending::unparsable}) {
    OffProof proof{bench_, dialects_};
    proof.link_changed(supply, true);
    EXPECT_EQ(orders(proof, ending, 1), 50);
    EXPECT_FALSE(proof.all_off());
    answer(proof, next(proof), Ending::done);
    answer(proof, next(proof), Ending::done, 0.0);
    EXPECT_TRUE(proof.all_off());
  }
}

TEST_F(DirectCutProof, orders_nothing_again_that_the_dialect_has_no_word_for) {
  OffProof proof{bench_, dialects_};
  proof.link_changed(supply, true);
  EXPECT_EQ(orders(proof, Ending::absent), 1);
}

// 50 times a second it is looked at; twice a second it is ordered off as well.
TEST_F(DirectCutProof, orders_off_again_while_a_current_flows) {  // S4
  OffProof proof{bench_, dialects_};
  proof.link_changed(supply, true);
  int offs = 0;
  int looks = 0;
  for (Order order; now_ < drivers::Instant{5s}; now_ += 1ms) {
    while (proof.take_order(order, now_)) {
      (order.verb == Verb::output_off ? offs : looks) += 1;
      answer(proof, order, Ending::done, 3.0);
    }
  }
  EXPECT_NEAR(offs, 10, 1);
  EXPECT_NEAR(looks, 250, 10);
  EXPECT_NE(proof.report().at(1).find("current: 3 A"), std::string::npos) << proof.report().at(1);
  EXPECT_FALSE(proof.all_off());
}

// The source answered "off, read back", and current flows all the same: just then a person must be
// told both.
TEST_F(DirectCutProof, keeps_what_was_read_back_while_it_is_ordered_off_again) {  // S4
  const std::string off = "supply/1 (tcp://127.0.0.1:5025): output off: ";
  // Up to the second off, which is still to be answered.
  const auto ordered_again = [&](OffProof& proof) {
    proof.link_changed(supply, true);
    answer(proof, next(proof), Ending::done);
    Order order = next(proof);
    for (int i = 0; i < 100 && order.verb != Verb::output_off; ++i) {
      answer(proof, order, Ending::done, 3.0);
      order = next(proof);
    }
    EXPECT_EQ(order.verb, Verb::output_off);
    return order;
  };
  OffProof stops{bench_, dialects_};
  const Order again = ordered_again(stops);
  EXPECT_EQ(stops.report().at(0), off + "done, read back; ordered again");
  EXPECT_FALSE(stops.all_off());
  const Order look = next(stops);
  EXPECT_EQ(look.verb, Verb::measure_current);
  answer(stops, look, Ending::done, 0.0);
  EXPECT_TRUE(stops.all_off());
  EXPECT_FALSE(stops.is_finished(now_));  // while there is time its answer is waited for
  answer(stops, again, Ending::done);
  EXPECT_TRUE(stops.is_finished(now_));
  EXPECT_EQ(stops.report().at(0), off + "done, read back; ordered again");

  for (const Ending ending : {Ending::disproved, Ending::device_error, Ending::timed_out}) {
    OffProof fails{bench_, dialects_};
    const Order second = ordered_again(fails);
    answer(fails, next(fails), Ending::done, 0.0);
    answer(fails, second, ending, 1);
    EXPECT_FALSE(fails.all_off()) << static_cast<int>(ending);
    EXPECT_EQ(fails.report().at(0).find("done"), std::string::npos) << fails.report().at(0);
    // The current was read before this off: nothing is known of the time after it.
    Order third;
    for (int i = 0; i < 100 && !fails.take_order(third, now_); ++i) now_ += 100ms;
    EXPECT_EQ(third.verb, Verb::output_off);
    answer(fails, third, Ending::done);
    EXPECT_FALSE(fails.all_off()) << static_cast<int>(ending);
    answer(fails, next(fails), Ending::done, 0.0);
    EXPECT_TRUE(fails.all_off()) << static_cast<int>(ending);
  }

  OffProof unplugged{bench_, dialects_};
  ordered_again(unplugged);
  unplugged.link_changed(supply, false);
  EXPECT_EQ(unplugged.report().at(0), off + "not reached");
  unplugged.link_changed(supply, true);
  EXPECT_EQ(next(unplugged).verb, Verb::output_off);
}

// Another instrument's, whose link was not lost; answered before that, or later.
TEST_F(DirectCutProof,
       trusts_no_current_that_was_read_before_an_off_had_to_be_ordered_anew) {  // S4
  bench_.channels[0].ammeter = {.instrument = contactor, .channel = 1};
  dialects_[contactor] = dialect_with({Verb::measure_current});
  for (const bool later : {false, true}) {
    OffProof proof{bench_, dialects_};
    proof.link_changed(supply, true);
    proof.link_changed(contactor, true);
    answer(proof, next(proof), Ending::done);
    Order order = next(proof);
    for (int i = 0; i < 100 && order.verb != Verb::output_off; ++i) {
      answer(proof, order, Ending::done, 3.0);
      order = next(proof);
    }
    const Order look = next(proof);
    if (!later) answer(proof, look, Ending::done, 0.0);
    EXPECT_EQ(proof.all_off(), !later);
    proof.link_changed(supply, false);
    EXPECT_FALSE(proof.all_off());
    proof.link_changed(supply, true);
    answer(proof, next(proof), Ending::done);
    if (later) answer(proof, look, Ending::done, 0.0);
    EXPECT_FALSE(proof.all_off());
    answer(proof, next(proof), Ending::done, 0.0);
    EXPECT_TRUE(proof.all_off());
  }
}

TEST_F(DirectCutProof, a_link_that_was_lost_is_ordered_off_anew) {
  OffProof proof{bench_, dialects_};
  proof.link_changed(supply, true);
  next(proof);
  proof.link_changed(supply, false);
  EXPECT_FALSE(has_order(proof));
  proof.link_changed(supply, true);
  EXPECT_EQ(next(proof).verb, Verb::output_off);
}

TEST_F(DirectCutProof, a_contactor_read_back_open_proves_what_a_silent_supply_cannot) {
  with_contactor();
  dialects_[supply] = dialect_with({Verb::output_off});  // no ammeter anywhere
  OffProof proof{bench_, dialects_};
  proof.link_changed(contactor, true);
  const Order open = next(proof);
  EXPECT_EQ(open.verb, Verb::open_switch);
  EXPECT_TRUE(open.urgent);
  answer(proof, open, Ending::done);
  EXPECT_TRUE(proof.all_off());
}

TEST_F(DirectCutProof, waits_for_the_contactor_although_the_output_is_off) {  // S4
  with_contactor();
  for (const Ending contactors : {Ending::done, Ending::timed_out}) {
    OffProof proof{bench_, dialects_};
    proof.link_changed(supply, true);
    proof.link_changed(contactor, true);
    const Order off = next(proof);
    const Order open = next(proof);
    answer(proof, off, Ending::done);
    answer(proof, next(proof), Ending::done, 0.0);
    EXPECT_FALSE(proof.is_finished(now_));
    answer(proof, open, contactors);
    EXPECT_TRUE(proof.all_off());  // undone by no contactor that does not answer
    EXPECT_EQ(proof.is_finished(now_), contactors == Ending::done);  // or there is time for it left
  }
}

// What did not answer while it was out of step is not repeated in front of what gets it in step.
TEST_F(DirectCutProof, repeats_what_did_not_answer_once_it_is_in_step_or_after_a_round) {  // S4
  constexpr auto pause = 200ms;
  dialects_[supply].between = pause;
  const auto timed_out = [&](OffProof& proof) {
    proof.link_changed(supply, true);
    answer(proof, next(proof), Ending::timed_out);
  };
  OffProof deaf{bench_, dialects_};
  timed_out(deaf);
  const drivers::Instant ordered = now_;
  while (!has_order(deaf)) {
  }
  EXPECT_GE(now_ - ordered, 9 * pause);  // end, clear, two numbers; off, its proof, the current
  EXPECT_LT(now_ - ordered, 3s);

  OffProof recovers{bench_, dialects_};
  timed_out(recovers);
  EXPECT_FALSE(has_order(recovers));
  recovers.in_step(supply, true);
  EXPECT_TRUE(has_order(recovers));
}

// The contactor is reached first: the source behind it is told all the same.
TEST_F(DirectCutProof, ends_only_when_every_source_that_can_be_reached_was_told) {  // S4
  with_contactor();
  dialects_[supply] = dialect_with({Verb::output_off});
  const auto contactor_opened = [&](OffProof& proof) {
    proof.link_changed(contactor, true);
    answer(proof, next(proof), Ending::done);
    EXPECT_TRUE(proof.all_off());
  };
  OffProof slow{bench_, dialects_};
  contactor_opened(slow);
  EXPECT_FALSE(slow.is_finished(now_));  // its link has yet to open, or to fail
  slow.link_changed(supply, true);
  EXPECT_FALSE(slow.is_finished(now_));
  const Order off = next(slow);
  EXPECT_EQ(off.verb, Verb::output_off);
  EXPECT_FALSE(slow.is_finished(now_));
  answer(slow, off, Ending::timed_out);  // told, if not proved
  EXPECT_TRUE(slow.is_finished(now_));
  dialects_[supply].between = 1s;  // the off may be the last of seven messages to leave
  OffProof pausing{bench_, dialects_};
  contactor_opened(pausing);
  pausing.link_changed(supply, true);
  answer(pausing, next(pausing), Ending::timed_out);
  now_ += 6s;
  EXPECT_FALSE(pausing.is_finished(now_));
  now_ += 3s;
  EXPECT_TRUE(pausing.is_finished(now_));
  dialects_[supply].between = 0s;
  for (const Ending ending : {Ending::done, Ending::absent}) {
    OffProof answering{bench_, dialects_};
    contactor_opened(answering);
    answering.link_changed(supply, true);
    answer(answering, next(answering), ending);
    EXPECT_TRUE(answering.is_finished(now_));
  }

  OffProof unplugged{bench_, dialects_};
  contactor_opened(unplugged);
  unplugged.link_changed(supply, false);
  EXPECT_TRUE(unplugged.is_finished(now_));

  OffProof alone{bench_, dialects_};
  alone.link_changed(supply, true);
  answer(alone, next(alone), Ending::timed_out);
  EXPECT_FALSE(alone.is_finished(now_));  // nothing is proved
}

TEST_F(DirectCutProof, a_command_without_readback_proves_nothing_by_itself) {
  dialects_[supply] = dialect_with({}, {Verb::output_off});
  OffProof unreadable{bench_, dialects_};
  unreadable.link_changed(supply, true);
  answer(unreadable, next(unreadable), Ending::done);
  EXPECT_FALSE(unreadable.all_off());

  dialects_[supply] = dialect_with({Verb::measure_current}, {Verb::output_off});
  OffProof measured{bench_, dialects_};
  measured.link_changed(supply, true);
  answer(measured, next(measured), Ending::done);
  answer(measured, next(measured), Ending::done, 0.001);
  EXPECT_TRUE(measured.all_off());
}

TEST_F(DirectCutProof, says_what_it_did_and_what_it_could_not) {
  OffProof proof{bench_, dialects_};
  EXPECT_EQ(proof.report().front(), "supply/1 (tcp://127.0.0.1:5025): output off: not reached");
  EXPECT_EQ(proof.report().back(), "channel left: NOT verified off");
  proof.link_changed(supply, true);
  answer(proof, next(proof), Ending::done);
  answer(proof, next(proof), Ending::done, 0.0);
  EXPECT_EQ(proof.report().front(), "supply/1 (tcp://127.0.0.1:5025): output off: done, read back");
  EXPECT_EQ(proof.report().back(), "channel left: off, verified");
}

}  // namespace
}  // namespace chargewright::daemon

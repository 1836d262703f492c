// The limits are held twice and compared; a check that did not run counts as failed (S2, S4).
#include <gtest/gtest.h>

#include "lone_channel.h"
#include "safety/limits_copy.h"

namespace chargewright::safety::testing {
namespace {

// Every limit there is, all different.
Limits every_limit() {
  Limits limits = cell_limits();
  limits.voltage_above->at_once = AtOnce<drivers::Volts>{4.28_V, Origin::instrument};
  return limits;
}

// What a stray write may do to one limit.
template <class Q>
std::vector<std::function<void(Limits&)>> harms(std::optional<Limit<Q>> Limits::*limit, Q value) {
  return {[=](Limits& l) { (l.*limit)->value = value; },
          [=](Limits& l) { (l.*limit)->on_delay = 5min; },
          [=](Limits& l) { (l.*limit)->origin = Origin::instrument; },
          [=](Limits& l) {
            (l.*limit)->at_once = AtOnce<Q>{value, Origin::cell};
          },
          [=](Limits& l) { (l.*limit).reset(); }};
}

std::vector<std::function<void(Limits&)>> every_harm() {
  std::vector<std::function<void(Limits&)>> all;
  const auto add = [&](const std::vector<std::function<void(Limits&)>>& more) {
    all.insert(all.end(), more.begin(), more.end());
  };
  add(harms(&Limits::voltage_above, 5.0_V));
  add(harms(&Limits::voltage_below, 0.0_V));
  add(harms(&Limits::current_above, 99.0_A));
  add(harms(&Limits::current_reverse, 99.0_A));
  add(harms(&Limits::power_above, 999.0_W));
  add(harms(&Limits::temperature_above, 99.0_degC));
  add(harms(&Limits::temperature_below, drivers::celsius(-99)));
  add(harms(&Limits::temperature_rising, drivers::kelvins_per_second(99)));
  add(harms(&Limits::charge_above, 99.0_Ah));
  add(harms(&Limits::energy_above, 99.0_Wh));
  add(harms(&Limits::run_time, Duration{99h}));
  add(harms(&Limits::step_time, Duration{99h}));
  return all;
}

TEST(LimitsCopy, agrees_with_what_was_kept_and_with_nothing_else) {  // S2
  LimitsCopy copy;
  EXPECT_TRUE(copy.agrees(Limits{}, false));
  EXPECT_FALSE(copy.agrees(Limits{}, true));  // none were kept
  copy.keep(every_limit());
  EXPECT_TRUE(copy.agrees(every_limit(), true));
  EXPECT_FALSE(copy.agrees(every_limit(), false));
  int number = 0;
  for (const auto& harm : every_harm()) {
    Limits harmed = every_limit();
    harm(harmed);
    EXPECT_FALSE(copy.agrees(harmed, true)) << number;
    ++number;
  }
  EXPECT_EQ(number, 12 * 5);
}

TEST(LimitsCopy, knows_the_limit_that_stands_behind_an_on_delay_and_whose_it_is) {  // S2 S5
  LimitsCopy copy;
  copy.keep(every_limit());
  Limits harmed = every_limit();
  harmed.voltage_above->at_once->origin = Origin::policy;
  EXPECT_FALSE(copy.agrees(harmed, true));
  harmed = every_limit();
  harmed.voltage_above->at_once->value = 4.29_V;
  EXPECT_FALSE(copy.agrees(harmed, true));
  harmed = every_limit();
  harmed.voltage_above->at_once.reset();
  EXPECT_FALSE(copy.agrees(harmed, true));
}

TEST(LimitsCopy, knows_a_limit_of_nothing_from_none) {  // S2
  Limits limits = every_limit();
  limits.voltage_below = limit(0.0_V, Origin::cell);
  LimitsCopy copy;
  copy.keep(limits);
  limits.voltage_below.reset();
  EXPECT_FALSE(copy.agrees(limits, true));
}

Interlock enforcing(const ChannelPlan& plan) {
  Interlock interlock(plan, 0);
  interlock.enforce(every_limit(), {}, at(0s));
  return interlock;
}

// A stray write is made through the one door that tests have to the facts.
Limits& limits_of(Interlock& interlock) {
  return const_cast<Facts&>(interlock.facts()).limits;  // NOLINT: the write that must not be
}

TEST(Interlock, trips_on_limits_that_changed_in_memory) {  // S2
  for (const auto& harm : every_harm()) {
    Interlock interlock = enforcing(plan_of());
    EXPECT_FALSE(names(interlock.judge(at(1ms)), Cause::guard_internal));
    harm(limits_of(interlock));
    const Verdict verdict = interlock.judge(at(2ms));
    EXPECT_EQ(verdict.worst.cause, Cause::guard_internal);
  }
}

// A limit loosened and tightened again is no limit that one may trust any more.
TEST(Interlock, keeps_the_finding_of_changed_limits_when_they_change_back) {  // S2 S5
  Interlock interlock = enforcing(plan_of());
  limits_of(interlock).current_above->value = 99.0_A;
  EXPECT_EQ(interlock.judge(at(1ms)).worst.cause, Cause::guard_internal);
  limits_of(interlock) = every_limit();
  EXPECT_EQ(interlock.judge(at(2ms)).worst.cause, Cause::guard_internal);
}

TEST(Guard, cuts_when_its_limits_changed_in_memory) {  // S2 S4
  LoneChannel lone;
  lone.begin();
  lone.charge();
  lone.pass(1s);
  ASSERT_EQ(lone.channel.state(), State::energised);
  const Facts& facts = lone.channel.facts();
  const_cast<Facts&>(facts).limits.current_above->value = 50.0_A;  // NOLINT: as above
  lone.pass(1s);
  EXPECT_EQ(lone.channel.state(), State::tripped);
  EXPECT_FALSE(lone.bench.output);
  EXPECT_EQ(lone.trip(), Cause::guard_internal);
}

// ---- a check that did not run -------------------------------------------------------------------

TEST(Verdict, is_within_only_when_every_cause_that_is_demanded_was_evaluated) {  // S2 S3 S4
  for (const Mode mode : {Mode::watching, Mode::enforcing}) {
    for (std::size_t left_out = 0; left_out < cause_count; ++left_out) {
      Verdict verdict;
      verdict.evaluated.set();
      verdict.evaluated.reset(left_out);
      fail_unless_complete(verdict, mode, 3, at(0s));
      EXPECT_EQ(verdict.within(), !demanded(mode).test(left_out)) << left_out;
      if (verdict.within()) continue;
      EXPECT_EQ(verdict.worst.cause, Cause::guard_internal);
      EXPECT_EQ(verdict.worst.channel, 3);
      EXPECT_EQ(verdict.worst.measured, static_cast<double>(left_out));
      EXPECT_TRUE(names(verdict, Cause::guard_internal));
    }
  }
}

TEST(Verdict, that_nobody_made_is_a_fault) {  // S4
  Verdict nothing_judged;
  fail_unless_complete(nothing_judged, Mode::watching, 0, at(0s));
  EXPECT_FALSE(nothing_judged.within());
}

TEST(Verdict, names_a_persons_cut_before_a_check_that_did_not_run) {  // S4
  Verdict verdict;
  verdict.worst.cause = Cause::operator_cut;
  fail_unless_complete(verdict, Mode::enforcing, 0, at(0s));
  EXPECT_EQ(verdict.worst.cause, Cause::operator_cut);
  verdict.worst.cause = Cause::sequencer_late;
  fail_unless_complete(verdict, Mode::enforcing, 0, at(0s));
  EXPECT_EQ(verdict.worst.cause, Cause::guard_internal);
}

// What needs a run to have a meaning is not judged without one: a bench that is off would trip.
TEST(Interlock, judges_a_channel_without_a_run_by_these_causes_and_no_others) {  // S3 S8
  std::bitset<cause_count> watched;
  for (const Cause cause :
       {Cause::operator_cut, Cause::guard_internal, Cause::dead_man_lost, Cause::temperature_high,
        Cause::temperature_rising, Cause::reading_unusable, Cause::reading_stale,
        Cause::conversation_failing, Cause::output_on_unbidden}) {
    watched.set(static_cast<std::size_t>(cause));
  }
  EXPECT_EQ(demanded(Mode::watching), watched);
  Interlock interlock(plan_of(), 0);
  interlock.enforce(cell_limits(), {}, at(0s));
  interlock.watch_only(at(1s));
  EXPECT_EQ(interlock.judge(at(1s)).evaluated, watched);
}

TEST(Interlock, evaluates_what_is_demanded_in_every_judgement_and_nothing_less) {  // S2 S3
  Interlock interlock(plan_of(), 0);
  interlock.watch_only(at(0s));
  EXPECT_EQ(interlock.judge(at(1s)).evaluated, demanded(Mode::watching));
  interlock.enforce(cell_limits(), {}, at(2s));
  EXPECT_EQ(interlock.judge(at(2s)).evaluated, demanded(Mode::enforcing));
  interlock.operator_wants_cut(at(3s));
  EXPECT_EQ(interlock.judge(at(3s)).evaluated, demanded(Mode::enforcing));
  EXPECT_TRUE(demanded(Mode::enforcing).all());
}

}  // namespace
}  // namespace chargewright::safety::testing

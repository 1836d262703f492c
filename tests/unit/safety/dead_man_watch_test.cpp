// When the dead-man decides that the daemon is dead (S6).
#include <gtest/gtest.h>

#include "safety/dead_man/watch.h"

namespace chargewright::safety {
namespace {

using namespace std::chrono_literals;
using drivers::Duration;
using drivers::Instant;
using Verdict = Watch::Verdict;

struct Watched : ::testing::Test {
  Instant now{1h};
  Watch watch{200ms, 10s, now};
  // Looks as often as the watch wants, and answers when it stops saying "lives".
  Duration silent_until_verdict(Duration most) {
    const Instant from = now;
    while (watch.judge(now) == Verdict::lives && now - from < most) now = watch.wake();
    return now - from;
  }
  void beat() { watch.received("B", now); }
};

TEST_F(Watched, lives_while_the_guard_beats) {  // S6
  for (int k = 0; k < 1000; ++k) {
    beat();
    now += 100ms;
    ASSERT_EQ(watch.judge(now), Verdict::lives);
  }
}

TEST(AWatchOfMilliseconds, looks_once_a_millisecond_at_most) {
  const Instant now{1h};
  EXPECT_EQ((Watch{1ms, 10s, now}.wake()), now + 1ms);
  EXPECT_EQ((Watch{16ms, 10s, now}.wake()), now + 2ms);
}

TEST_F(Watched, is_late_within_250_ms_of_the_last_beat) {  // S6
  beat();
  const Duration took = silent_until_verdict(1s);
  EXPECT_EQ(watch.judge(now), Verdict::late);
  EXPECT_EQ(took, 200ms + 1ns);  // and no later, since it looks just then
}

TEST_F(Watched, may_take_longer_for_the_first_beat_but_not_for_ever) {
  const Duration took = silent_until_verdict(1min);
  EXPECT_EQ(watch.judge(now), Verdict::late);
  EXPECT_GT(took, 10s);
  EXPECT_LT(took, 11s);
}

TEST_F(Watched, reads_what_was_written_while_it_was_late_itself_before_it_judges) {  // S6
  beat();
  now += 900ms;  // we did not run
  beat();        // it had been written meanwhile
  EXPECT_EQ(watch.judge(now), Verdict::lives);
}

TEST_F(Watched, does_not_count_its_own_lateness_against_the_guard) {  // S6
  beat();
  now += 600ms;  // the whole machine stood still
  EXPECT_EQ(watch.judge(now), Verdict::lives);
  const Duration took = silent_until_verdict(1s);  // but the guard must go on now
  EXPECT_EQ(took, 150ms + 1ns);
  EXPECT_EQ(watch.judge(now), Verdict::late);
}

TEST_F(Watched, bears_only_so_much_of_it) {
  beat();
  now += 1000ms;
  EXPECT_EQ(watch.judge(now), Verdict::lives);
  beat();
  now += 1000ms + 1ns;
  EXPECT_EQ(watch.judge(now), Verdict::late);
}

TEST_F(Watched, is_gone_when_the_pipe_closes_without_a_goodbye) {  // S6
  beat();
  watch.closed(now);
  EXPECT_EQ(watch.judge(now), Verdict::gone);
}

TEST_F(Watched, is_gone_when_the_pipe_closes_before_the_first_beat) {  // S6
  watch.closed(now);
  EXPECT_EQ(watch.judge(now), Verdict::gone);
}

TEST_F(Watched, leaves_in_peace_after_a_goodbye) {
  watch.received("BBG", now);
  watch.closed(now);
  EXPECT_EQ(watch.judge(now), Verdict::leaves);
}

TEST_F(Watched, takes_over_when_asked_to) {  // S4 S6
  watch.received("BT", now);
  watch.closed(now);
  EXPECT_EQ(watch.judge(now), Verdict::gave_up);
}

TEST_F(Watched, trusts_no_daemon_that_writes_nonsense) {  // S6
  watch.received("BxG", now);
  EXPECT_EQ(watch.judge(now), Verdict::confused);
}

TEST_F(Watched, keeps_its_verdict) {  // S6
  beat();
  silent_until_verdict(1s);
  beat();
  watch.received("G", now);
  EXPECT_EQ(watch.judge(now), Verdict::late);
}

TEST_F(Watched, is_not_fooled_by_a_clock_that_stands_or_goes_back) {
  beat();
  EXPECT_EQ(watch.judge(now - 1h), Verdict::lives);
  EXPECT_EQ(watch.judge(now), Verdict::lives);
}

// Those are the words in its log.
TEST(Verdicts, have_words_of_their_own) {  // S6
  EXPECT_EQ(describe(Verdict::lives), "the daemon lives");
  EXPECT_EQ(describe(Verdict::leaves), "the daemon left in peace");
  EXPECT_EQ(describe(Verdict::gone), "the daemon is gone: its pipe closed without a goodbye");
  EXPECT_EQ(describe(Verdict::late), "the guard is silent: the daemon was killed");
  EXPECT_EQ(describe(Verdict::confused), "the daemon wrote nonsense: it was killed");
  EXPECT_EQ(describe(Verdict::gave_up),
            "the daemon could not verify every output off and asked to cut");
}

TEST_F(Watched, looks_eight_times_in_what_is_allowed) {  // S6
  beat();
  EXPECT_EQ(watch.wake(), now + 25ms);
}

// A sheet may say so: each look must last, or the next would follow at once and for ever.
TEST(AWatch, ends_however_short_its_limit_is) {  // S6
  Instant now{1h};
  Watch watch{1ns, 10s, now};
  for (int looks = 0; watch.judge(now) == Verdict::lives; ++looks) {
    ASSERT_LE(looks, 10'000);
    ASSERT_GE(watch.wake(), now + 1ns);
    now = watch.wake();
  }
  EXPECT_EQ(watch.judge(now), Verdict::late);
  EXPECT_EQ(now, Instant{1h + 10s + 1ns});
}

TEST_F(Watched, counts_the_beats_that_are_to_be_answered) {
  watch.received("BBB", now);
  EXPECT_EQ(watch.take_heard(), 3U);
  EXPECT_EQ(watch.take_heard(), 0U);
}

}  // namespace
}  // namespace chargewright::safety

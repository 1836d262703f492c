// The guard's side of the pipe to the dead-man, over a real socket pair, with time as an argument.
#include <gtest/gtest.h>
#include <sys/socket.h>
#include <unistd.h>

#include <string>

#include "allocation_counter.h"
#include "safety/dead_man/pulse.h"

namespace chargewright::safety {
namespace {

using namespace std::chrono_literals;

struct Piped : ::testing::Test {
  Piped() { EXPECT_EQ(::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair), 0); }
  ~Piped() override {
    ::close(pair[0]);
    hang_up();
  }
  void hang_up() {
    if (pair[1] >= 0) ::close(pair[1]);
    pair[1] = -1;
  }
  std::string heard() {
    char bytes[256];
    const auto count = ::recv(pair[1], bytes, sizeof bytes, MSG_DONTWAIT);
    return count > 0 ? std::string(bytes, static_cast<std::size_t>(count)) : "";
  }
  void answer() { EXPECT_EQ(::send(pair[1], "E", 1, MSG_NOSIGNAL), 1); }

  int pair[2]{-1, -1};
  drivers::Instant now{1h};
};

TEST_F(Piped, beats_as_often_as_the_dead_man_needs_and_no_more) {  // S6
  Pulse pulse{pair[0], 1s};
  for (int k = 0; k < 1000; ++k, now += 1ms) {
    ASSERT_TRUE(pulse.beat(now));
    answer();
  }
  const auto beats = heard().size();
  EXPECT_GE(beats, 1000 / DeadManSide::beat_longest.count());
  EXPECT_LE(beats, 3 * 1000 / DeadManSide::beat_longest.count());
}

TEST_F(Piped, notices_that_the_dead_man_is_gone_at_the_next_beat) {  // S6
  Pulse pulse{pair[0], 1s};
  EXPECT_TRUE(pulse.beat(now));
  hang_up();
  EXPECT_FALSE(pulse.beat(now += DeadManSide::beat_longest));
  EXPECT_FALSE(pulse.beat(now += DeadManSide::beat_longest));  // for ever
}

TEST_F(Piped, notices_a_dead_man_that_hangs) {  // S6
  Pulse pulse{pair[0], 1s};
  EXPECT_TRUE(pulse.beat(now));
  answer();
  const auto from = now;
  while (pulse.beat(now) && now - from < 10s) now += DeadManSide::beat_longest;
  EXPECT_GT(now - from, 1s);
  EXPECT_LT(now - from, 1100ms);
  answer();
  EXPECT_FALSE(pulse.beat(now));  // what was lost stays lost
}

TEST_F(Piped, reads_what_was_answered_while_it_was_late_itself) {  // S6
  Pulse pulse{pair[0], 1s};
  EXPECT_TRUE(pulse.beat(now));
  answer();
  EXPECT_TRUE(pulse.beat(now += 5s));
}

TEST_F(Piped, never_waits_for_a_dead_man_that_does_not_read) {  // S6
  Pulse pulse{pair[0], 1h};
  for (int k = 0; k < 300'000; ++k) {
    if (!pulse.beat(now += DeadManSide::beat_longest)) break;
  }
  SUCCEED();  // the pipe is full by now, and this thread is here
}

TEST_F(Piped, allocates_nothing) {
  Pulse pulse{pair[0], 1s};
  const std::size_t before = testing::allocations();
  bool lived = true;
  for (int k = 0; k < 50; ++k) lived &= pulse.beat(now += 10ms);
  EXPECT_EQ(testing::allocations(), before);
  EXPECT_TRUE(lived);
}

TEST_F(Piped, says_goodbye_or_hands_over) {  // S4 S6
  Pulse first{pair[0], 1s};
  first.end(true);
  EXPECT_EQ(heard(), "G");
  EXPECT_TRUE(first.said_goodbye());
  Pulse second{pair[0], 1s};
  second.end(false);
  EXPECT_EQ(heard(), "T");
  EXPECT_FALSE(second.said_goodbye());
}

}  // namespace
}  // namespace chargewright::safety

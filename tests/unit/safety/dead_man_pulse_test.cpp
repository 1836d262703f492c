// The guard's side of the pipe to the dead-man, over a real socket pair, with time as an argument.
#include <arpa/inet.h>
#include <gtest/gtest.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <string>

#include "allocation_counter.h"
#include "safety/dead_man/pulse.h"
#include "safety/dead_man/wire.h"

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

TEST_F(Piped, notices_a_dead_man_that_will_say_nothing_more) {  // S6
  Pulse pulse{pair[0], 1s};
  EXPECT_TRUE(pulse.beat(now));
  EXPECT_EQ(::shutdown(pair[1], SHUT_WR), 0);
  EXPECT_FALSE(pulse.beat(now += DeadManSide::beat_longest));
}

TEST_F(Piped, notices_a_dead_man_that_will_hear_nothing_more) {  // S6
  Pulse pulse{pair[0], 1s};
  EXPECT_TRUE(pulse.beat(now));
  EXPECT_EQ(::shutdown(pair[1], SHUT_RD), 0);
  EXPECT_FALSE(pulse.beat(now += DeadManSide::beat_longest));
}

TEST_F(Piped, beats_again_after_half_of_what_is_allowed) {  // S6
  Pulse pulse{pair[0], 1s};
  EXPECT_TRUE(pulse.beat(now));
  EXPECT_TRUE(pulse.beat(now += DeadManSide::beat_longest / 2 - 1ms));
  EXPECT_EQ(heard(), "B");
  EXPECT_TRUE(pulse.beat(now += 1ms));
  EXPECT_EQ(heard(), "B");
}

TEST_F(Piped, bears_a_silence_of_just_so_long) {  // S6
  Pulse pulse{pair[0], 1s};
  EXPECT_TRUE(pulse.beat(now));
  EXPECT_TRUE(pulse.beat(now += 1s));
  EXPECT_FALSE(pulse.beat(now += 12ms));
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
  const auto from = now;
  while (now - from < 1h) ASSERT_TRUE(pulse.beat(now += DeadManSide::beat_longest));
  EXPECT_EQ(::send(pair[0], "B", 1, MSG_DONTWAIT),
            -1);  // the pipe is full, and this thread is here
  EXPECT_EQ(errno, EAGAIN);
  EXPECT_FALSE(pulse.beat(now += DeadManSide::beat_longest + 1ms));
}

TEST_F(Piped, reads_only_so_much_at_one_beat) {  // S6
  Pulse pulse{pair[0], 1s};
  const std::string answers(3000, 'E');
  EXPECT_EQ(::send(pair[1], answers.data(), answers.size(), 0), 3000);
  EXPECT_TRUE(pulse.beat(now));
  char bytes[4096];
  EXPECT_EQ(::recv(pair[0], bytes, sizeof bytes, MSG_DONTWAIT), 3000 - 1024);
}

TEST(ThePipe, is_lost_by_every_error_but_those_of_the_moment) {  // S6
  EXPECT_TRUE(is_only_for_now(EAGAIN));
  EXPECT_TRUE(is_only_for_now(EINTR));
  for (const int error : {EPIPE, ECONNRESET, EBADF, EIO, ENOMEM, ECONNREFUSED}) {
    EXPECT_FALSE(is_only_for_now(error)) << error;
  }
  Pulse nowhere{-1, std::chrono::seconds(1)};
  EXPECT_FALSE(nowhere.beat(drivers::Instant{1h}));
}

// A datagram to a port of this machine that nobody listens on leaves, and the refusal is read.
TEST(ThePipe, is_lost_where_reading_it_fails) {  // S6
  sockaddr_in nobody{};
  nobody.sin_family = AF_INET;
  nobody.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  const int place = ::socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  socklen_t size = sizeof nobody;
  ASSERT_EQ(::bind(place, reinterpret_cast<sockaddr*>(&nobody), size), 0);
  ASSERT_EQ(::getsockname(place, reinterpret_cast<sockaddr*>(&nobody), &size), 0);
  const int pipe = ::socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  ASSERT_EQ(::connect(pipe, reinterpret_cast<sockaddr*>(&nobody), size), 0);
  ::close(place);
  Pulse pulse{pipe, std::chrono::seconds(1)};
  EXPECT_FALSE(pulse.beat(drivers::Instant{1h}));
  ::close(pipe);
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

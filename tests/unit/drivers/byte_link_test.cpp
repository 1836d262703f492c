#include "drivers/simulated/byte_link.h"

#include <gtest/gtest.h>

namespace chargewright::drivers::simulated {
namespace {

using namespace std::chrono_literals;

BenchModel one_meter() {
  BenchModel model;
  model.devices.push_back({.name = "meter", .role = Role::meter});
  return model;
}

struct SimulatedByteLink : testing::Test, LinkUser {
  void link_up() override { ++ups; }
  void link_down(const std::string&) override { ++downs; }
  void link_received(std::string_view bytes) override {
    heard += bytes;
    ++pieces;
  }
  void open(const ByteLinkModel& model = {}) {
    link = std::make_unique<ByteLink>(device, model, *this);
    link->start(now);
    advance(1s);
    ASSERT_EQ(ups, 1);
  }
  void advance(Duration by) {
    const Instant end = now + by;
    for (;;) {
      while (link->turn(now)) {
      }
      if (link->wake() > end) break;
      now = std::max(now, link->wake());
    }
    now = end;
    while (link->turn(now)) {
    }
  }

  Bench bench{one_meter(), Instant{}};
  ScpiDevice device{bench, 0};
  Instant now{};
  std::unique_ptr<ByteLink> link;
  std::string heard;
  int pieces = 0, ups = 0, downs = 0;
};

TEST_F(SimulatedByteLink, carries_a_question_and_its_answer_in_its_own_time) {
  open({.to_device = 10ms, .to_host = 20ms});
  link->write("*ESE?\n", now);
  advance(29ms);
  EXPECT_EQ(heard, "");
  advance(1ms);
  EXPECT_EQ(heard, "0\n");
}

TEST_F(SimulatedByteLink, breaks_what_it_carries_into_pieces) {
  open();
  link->trouble = {.piece = 2, .between_pieces = 1ms};
  link->write("*ESE 123;*ESE?\n", now);
  advance(100ms);
  EXPECT_EQ(heard, "123\n");
  EXPECT_EQ(pieces, 2);
}

TEST_F(SimulatedByteLink, says_everything_twice_when_told_to) {
  open();
  link->trouble.twice = true;
  link->write("*ESE?\n", now);
  advance(1ms);
  EXPECT_EQ(heard, "0\n0\n");
}

TEST_F(SimulatedByteLink, holds_back_while_stalled_and_loses_nothing) {
  open();
  link->trouble.stalled = true;
  link->write("*ESE?\n", now);
  advance(1h);
  EXPECT_EQ(heard, "");
  EXPECT_EQ(downs, 0);
  link->trouble.stalled = false;
  advance(1ms);
  EXPECT_EQ(heard, "0\n");
}

TEST_F(SimulatedByteLink, loses_what_was_under_way_when_it_drops_and_comes_back) {
  open({.to_device = 10ms, .to_host = 10ms, .reconnects_after = 50ms});
  link->write("*ESE 77\n*ES", now);
  advance(10ms);
  link->drop(now);
  advance(49ms);
  EXPECT_EQ(downs, 1);
  EXPECT_EQ(ups, 1);
  advance(1ms);
  EXPECT_EQ(ups, 2);
  link->write("*ESE?\n", now);  // the half message before it is forgotten
  advance(20ms);
  EXPECT_EQ(heard, "77\n");
}

TEST_F(SimulatedByteLink, stays_down_while_the_device_has_dropped_it) {
  open();
  ASSERT_TRUE(bench.inject({.kind = FaultKind::link_dropped, .device = 0}));
  advance(1h);
  EXPECT_EQ(downs, 1);
  EXPECT_EQ(ups, 1);
  bench.clear(FaultKind::link_dropped, 0);
  advance(1s);
  EXPECT_EQ(ups, 2);
}

TEST_F(SimulatedByteLink, goes_down_when_more_waits_than_a_link_may_hold) {
  open();
  link->trouble.stalled = true;
  const std::string much(40'000, ' ');
  link->write(much, now);
  link->write(much, now);
  advance(1ms);
  EXPECT_EQ(downs, 1);
}

}  // namespace
}  // namespace chargewright::drivers::simulated

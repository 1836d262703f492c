// What is kept of a computation is what would be computed again.

#include "drivers/simulated/kept.h"

#include <gtest/gtest.h>

#include "drivers/simulated/cell.h"

namespace chargewright::drivers::simulated {
namespace {

using namespace std::chrono_literals;

TEST(Kept, finds_what_was_made_for_each_of_the_last_keys) {
  Kept<int, int, 3> kept;
  for (const int key : {1, 2, 3}) {
    EXPECT_FALSE(kept.find(key));
    kept.current() = 10 * key;
  }
  for (const int key : {2, 1, 3, 3}) {
    ASSERT_TRUE(kept.find(key));
    EXPECT_EQ(kept.current(), 10 * key);
  }
}

TEST(Kept, gives_the_place_of_the_oldest_to_the_next) {
  Kept<int, int, 2> kept;
  for (const int key : {1, 2, 3}) {
    ASSERT_FALSE(kept.find(key));
    kept.current() = 10 * key;
  }
  EXPECT_TRUE(kept.find(2));
  EXPECT_EQ(kept.current(), 20);
  EXPECT_FALSE(kept.find(1));
}

TEST(Kept, forgets_everything_when_told) {
  Kept<int, int, 2> kept;
  EXPECT_FALSE(kept.find(1));
  kept.clear();
  EXPECT_FALSE(kept.find(1));
}

// More lengths than are kept, both regulations, and a cell that warms: each step as by a cell that
// has never made one.
TEST(Kept, changes_nothing_about_a_cell) {
  CellModel model = *typical_model("li-ion-nmc", ampere_hours(2));
  model.arrhenius = kelvins(2400);
  Cell cell(model, 0.3);
  for (int k = 0; k < 400; ++k) {
    Cell fresh(model, 0.3);
    fresh.put(cell.state());
    const Duration dt = 7ms + (k * k % 23) * 31ms;
    if (k % 3 == 0) {
      EXPECT_EQ(cell.advance_held(dt, volts(4.1), ohms(0.02)).value(),
                fresh.advance_held(dt, volts(4.1), ohms(0.02)).value());
    } else {
      cell.advance(dt, amperes(4));
      fresh.advance(dt, amperes(4));
    }
    ASSERT_EQ(cell.state().q, fresh.state().q) << k;
    ASSERT_EQ(cell.state().v1, fresh.state().v1) << k;
    ASSERT_EQ(cell.state().v2, fresh.state().v2) << k;
    ASSERT_EQ(cell.state().t, fresh.state().t) << k;
  }
}

}  // namespace
}  // namespace chargewright::drivers::simulated

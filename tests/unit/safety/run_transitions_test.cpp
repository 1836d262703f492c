// The lives that a run may have, told as what happens to it, one thing after the other (S1, S4, S6,
// S8, S9). That a sequencer leads these lives and no others: tests/unit/daemon/run_table_test.cpp.
#include "safety/run_transitions.h"

#include <gtest/gtest.h>

#include <set>
#include <vector>

namespace chargewright::safety {
namespace {

using enum Phase;
using enum RunEvent;

constexpr std::array phases{arming, running, stopping, done,       stopped,
                            failed, tripped, refused,  interrupted};
constexpr std::array events{armed, end, complete, stop, fail, refuse, trip, die};

// The phases that a run goes through, from arming on.
std::vector<Phase> life(std::initializer_list<RunEvent> happening) {
  std::vector<Phase> through;
  Phase phase = arming;
  for (const RunEvent event : happening) {
    EXPECT_TRUE(is_listed(phase, event)) << key_of(phase) << ' ' << key_of(event);
    phase = phase_after(phase, event);
    through.push_back(phase);
  }
  return through;
}
using Through = std::vector<Phase>;

TEST(ARun, is_done_once_its_output_is_proved_off_after_the_last_step) {  // S8
  EXPECT_EQ(life({armed, end, complete}), (Through{running, stopping, done}));
}

TEST(ARun, is_stopped_at_once_before_anything_was_asked_for_and_else_once_proved_off) {  // S8
  EXPECT_EQ(life({stop}), Through{stopped});
  EXPECT_EQ(life({end, stop}), (Through{stopping, stopped}));
  EXPECT_EQ(life({armed, end, stop}), (Through{running, stopping, stopped}));
}

TEST(ARun, fails_likewise) {  // S8
  EXPECT_EQ(life({fail}), Through{failed});
  EXPECT_EQ(life({armed, end, fail}), (Through{running, stopping, failed}));
}

TEST(ARun, is_refused_by_the_permissives_or_by_the_gate) {  // S1 S2
  EXPECT_EQ(life({refuse}), Through{refused});
  EXPECT_EQ(life({armed, end, refuse}), (Through{running, stopping, refused}));
}

TEST(ARun, trips_from_wherever_it_is) {  // S4
  EXPECT_EQ(life({trip}), Through{tripped});
  EXPECT_EQ(life({armed, trip}), (Through{running, tripped}));
  EXPECT_EQ(life({armed, end, end, trip}), (Through{running, stopping, stopping, tripped}));
}

TEST(ARun, that_its_daemon_left_is_interrupted) {  // S9
  EXPECT_EQ(life({die}), Through{interrupted});
  EXPECT_EQ(life({armed, die}), (Through{running, interrupted}));
  EXPECT_EQ(life({armed, end, die}), (Through{running, stopping, interrupted}));
}

TEST(ARun, fails_by_whatever_is_not_listed_and_nothing_moves_one_that_is_over) {  // S6
  for (const Phase from : phases) {
    for (const RunEvent on : events) {
      if (is_over(from)) {
        EXPECT_FALSE(is_listed(from, on)) << key_of(from) << ' ' << key_of(on);
      }
      if (is_listed(from, on)) continue;
      EXPECT_EQ(phase_after(from, on), is_over(from) ? from : failed)
          << key_of(from) << ' ' << key_of(on);
    }
  }
  for (const Phase phase : {arming, running, stopping}) EXPECT_FALSE(is_over(phase));
  for (const Phase phase : {done, stopped, failed, tripped, refused, interrupted}) {
    EXPECT_TRUE(is_over(phase)) << key_of(phase);
  }
}

TEST(ARun, is_never_done_but_after_the_output_was_to_go_off) {  // S8
  for (const RunRow& row : run_table) {
    if (row.to == done) {
      EXPECT_EQ(row.from, stopping);
    }
  }
  EXPECT_FALSE(is_listed(running, complete));
  EXPECT_FALSE(is_listed(running, stop));
}

TEST(ARun, has_no_pair_listed_twice_and_a_requirement_for_each) {
  std::set<std::pair<Phase, RunEvent>> pairs;
  for (const RunRow& row : run_table) {
    EXPECT_TRUE(pairs.insert({row.from, row.on}).second);
    EXPECT_FALSE(row.requirement.empty());
  }
}

}  // namespace
}  // namespace chargewright::safety

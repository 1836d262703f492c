// The failsafe is one table (S4, S5).
#include "safety/transitions.h"

#include <gtest/gtest.h>

#include <set>

namespace chargewright::safety {
namespace {

constexpr std::array states{State::unknown,   State::off,     State::arming, State::ready,
                            State::energised, State::cutting, State::tripped};
constexpr std::array transitions{
    Transition::off_verified,    Transition::arm,      Transition::permissives_met,
    Transition::permissive_lost, Transition::energise, Transition::de_energise,
    Transition::finish,          Transition::fault,    Transition::acknowledge};

TEST(Transitions, cut_on_every_pair_that_is_not_listed) {  // S4
  for (const State from : states) {
    for (const Transition on : transitions) {
      bool listed = false;
      for (const Row& row : table) listed = listed || (row.from == from && row.on == on);
      const Row row = row_of(from, on);
      EXPECT_EQ(row.from, from);
      EXPECT_EQ(row.on, on);
      if (listed) continue;
      EXPECT_EQ(row.to, State::cutting) << key_of(from) << ' ' << key_of(on);
      EXPECT_EQ(row.action, Action::cut);
    }
  }
}

TEST(Transitions, list_no_pair_twice) {
  std::set<std::pair<State, Transition>> seen;
  for (const Row& row : table) EXPECT_TRUE(seen.insert({row.from, row.on}).second);
}

TEST(Transitions, lead_from_any_state_to_the_cut_by_a_fault) {  // S4
  for (const State from : states) {
    EXPECT_EQ(row_of(from, Transition::fault).to, State::cutting);
    EXPECT_EQ(row_of(from, Transition::fault).action, Action::cut);
  }
}

TEST(Transitions, latch_when_a_cut_is_verified_and_not_before) {  // S5
  for (const Row& row : table) {
    if (row.to != State::tripped) continue;
    EXPECT_EQ(row.from, State::cutting);
    EXPECT_EQ(row.on, Transition::off_verified);
    EXPECT_EQ(row.action, Action::latch);
  }
}

TEST(Transitions, name_a_requirement_each) {
  for (const Row& row : table) EXPECT_FALSE(row.requirement.empty());
}

TEST(Transitions, have_a_key_for_every_state_and_transition) {
  std::set<std::string_view> keys;
  for (const State state : states) EXPECT_TRUE(keys.insert(key_of(state)).second);
  for (const Transition on : transitions) EXPECT_TRUE(keys.insert(key_of(on)).second);
  EXPECT_FALSE(keys.contains("invalid"));
}

}  // namespace
}  // namespace chargewright::safety

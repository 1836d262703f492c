// A guarded channel changes its state by the rows of its table and by no other; and there is no row
// that it never takes (S4, S5).
#include <gtest/gtest.h>

#include <set>

#include "support.h"

namespace chargewright::safety::testing {
namespace {

using Change = std::pair<State, State>;

// Each story is a guard with a life of its own; what they went through together.
class Walk {
 public:
  template <class Tell>
  void through(Tell tell, const Fittings& fittings = {}) {
    GuardStory story(fittings);
    tell(story);
    for (const Event& event : story.events) {
      if (event.kind == Event::Kind::state_changed) taken_.insert({event.from, event.to});
    }
  }
  [[nodiscard]] const std::set<Change>& taken() const { return taken_; }

 private:
  std::set<Change> taken_;
};

TEST(TableWalk, takes_every_row_and_nothing_else) {  // S1 S4 S5
  Walk walk;
  walk.through([](GuardStory& story) {  // start, charge, rest, charge, trip, acknowledge
    story.charge_on();
    story.ask(Request::Kind::rest, 2);
    story.until(State::ready);
    story.ask(Request::Kind::charge, 3, 4.10_V, 1.0_A);
    story.until(State::energised);
    story.bench.celsius[0] = 60;
    story.until(State::tripped);
    story.bench.celsius[0] = 30;
    story.pass(5s);
    story.ask(Request::Kind::acknowledge);
    story.until(State::off);
    story.ask(Request::Kind::cut);  // off -> cutting
    story.until(State::tripped);
    story.bench.output = true;  // by hand: tripped -> cutting
    story.until(State::cutting);
  });
  walk.through([](GuardStory& story) {  // the end of a run, from energised and from ready
    story.charge_on();
    story.ask(Request::Kind::finish);
    story.until(State::off);
    story.arm();
    story.until(State::ready);
    story.ask(Request::Kind::finish);
    story.until(State::off);
    story.arm();
    story.until(State::ready);
    story.ask(Request::Kind::cut);
    story.until(State::tripped);
  });
  walk.through([](GuardStory& story) {  // arming is given up, and cut
    story.start();
    story.until(State::off);
    story.arm();
    story.until(State::arming);
    story.ask(Request::Kind::finish);
    story.until(State::off);
    story.arm();
    story.until(State::arming);
    story.ask(Request::Kind::cut);
    story.until(State::tripped);
  });
  walk.through([](GuardStory& story) {  // cut before the start is proved off
    story.bench.says[{supply, Verb::measure_current}] = {Ending::done, 0.5};
    story.start();
    story.ask(Request::Kind::cut);
    story.until(State::cutting);
  });
  std::set<Change> listed;
  for (const Row& row : table) listed.insert({row.from, row.to});
  ASSERT_EQ(listed.size(), table.size()) << "rows that an observer cannot tell apart";
  for (const auto& [from, to] : listed) {
    EXPECT_TRUE(walk.taken().contains({from, to})) << key_of(from) << " -> " << key_of(to);
  }
  for (const auto& [from, to] : walk.taken()) {
    EXPECT_TRUE(listed.contains({from, to})) << key_of(from) << " -> " << key_of(to);
  }
}

// A request is refused where the table lists no change for it, and changes nothing.
TEST(TableWalk, leaves_every_state_alone_when_asked_for_what_is_not_listed) {  // S5
  GuardStory story;
  story.charge_on();
  story.ask(Request::Kind::acknowledge);
  story.arm();
  story.pass(1s);
  EXPECT_EQ(story.state(), State::energised);
  story.ask(Request::Kind::cut);
  ASSERT_TRUE(story.until(State::tripped));
  for (int k = 0; k < 3; ++k) {
    story.arm();
    story.ask(Request::Kind::charge, 1, 4.2_V, 1.0_A);
    story.ask(Request::Kind::rest, 1);
    story.ask(Request::Kind::finish);
    story.pass(1s);
    EXPECT_EQ(story.state(), State::tripped);
    EXPECT_FALSE(story.bench.output);
  }
}

}  // namespace
}  // namespace chargewright::safety::testing

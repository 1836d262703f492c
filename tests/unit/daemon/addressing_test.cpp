// Where a bench names a second output or input, each message to it says so (S3, S4).
#include "daemon/bench/addressing.h"

#include <gtest/gtest.h>

#include "tests/unit/daemon/shipped_bench.h"

namespace chargewright::daemon {
namespace {

using drivers::Verb;

class Addressing : public ShippedBench {
 protected:
  Addressing() {
    left().source = left().voltmeter = left().ammeter = {.instrument = supply, .channel = 2};
    left().thermometers.push_back({.instrument = probe, .channel = 2});
  }
  std::string why() const { return describe(unaddressed(bench, dialects)); }
};

TEST_F(Addressing, is_sound_where_a_channel_is_selected_or_named) {  // S3 S4
  EXPECT_EQ(why(), "");
}

TEST_F(Addressing, names_the_verb_that_is_the_same_for_every_output) {  // S4
  dialects[0].select = {};
  EXPECT_EQ(why(),
            "channel `left` names `supply/2`, and dialect `of-the-supply` has no way to: its "
            "`set-voltage` is the same for every number; write `select` or {channel} in the "
            "dialect");
  left().source = left().voltmeter = left().ammeter = {.instrument = 0, .channel = 1};
  EXPECT_EQ(why(), "");  // there is but one
}

TEST_F(Addressing, is_asked_of_every_meter_thermometer_and_contactor) {  // S3 S4
  left().voltmeter = {.instrument = 1, .channel = 2};
  EXPECT_NE(why().find("`meter/2`"), std::string::npos) << why();
  EXPECT_NE(why().find("`measure-voltage`"), std::string::npos) << why();
  left().voltmeter = left().source;
  left().ammeter = {.instrument = 1, .channel = 2};
  EXPECT_NE(why().find("`measure-current`"), std::string::npos) << why();
  left().ammeter = left().source;
  ASSERT_EQ(why(), "");
  const auto without = [&](std::size_t instrument, Verb verb, bool asked) {
    auto& spelling = dialects[instrument].verbs[static_cast<std::size_t>(verb)];
    const auto before = spelling;
    auto& message = asked ? spelling.ask->message : spelling.send;
    std::erase_if(message.pieces, [](const drivers::Template::Piece& piece) {
      return piece.hole == drivers::Template::Piece::Hole::channel;
    });
    const std::string said = why();
    spelling = before;
    return said;
  };
  EXPECT_NE(without(2, Verb::measure_temperature, true).find("`probe/2`"), std::string::npos);
  for (const Verb verb : {Verb::open_switch, Verb::close_switch}) {
    EXPECT_NE(without(3, verb, false).find(key_of(verb)), std::string::npos);
    EXPECT_NE(without(3, verb, true).find(key_of(verb)), std::string::npos);
  }
  EXPECT_NE(without(3, Verb::read_switch, true).find("`relay/2`"), std::string::npos);
  dialects[3].verbs[static_cast<std::size_t>(Verb::read_switch)].absent = true;
  EXPECT_EQ(without(3, Verb::read_switch, true), "");
}

}  // namespace
}  // namespace chargewright::daemon

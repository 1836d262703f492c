// What the API tells of a channel: known facts with their unit, and null where nothing is known.

#include <gtest/gtest.h>

#include <boost/json.hpp>
#include <cmath>
#include <limits>

#include "daemon/serve/approving.h"
#include "daemon/serve/margins.h"
#include "daemon/serve/shapes.h"

namespace chargewright::daemon {
namespace {

using namespace drivers::literals;
using namespace std::chrono_literals;
using safety::Origin;

drivers::Reading reading(double value, drivers::Validity validity = drivers::Validity::valid) {
  drivers::Reading r;
  r.validity = validity;
  r.value = value;
  r.asked = r.answered = drivers::Instant{10s};
  return r;
}

safety::ChannelSnapshot charging() {
  safety::ChannelSnapshot channel;
  channel.state = safety::State::energised;
  channel.output_on = true;
  channel.voltage = reading(4.1);
  channel.current = reading(2.0);
  channel.thermometers = 2;
  channel.temperatures[0] = reading(30);
  channel.temperatures[1] = reading(35);
  channel.charge_in = 3600;
  channel.on_time = 60s;
  channel.limits.voltage_above = {{.value = 4.2_V, .origin = Origin::profile}};
  channel.limits.voltage_below = {{.value = 2.05_V, .origin = Origin::cell}};
  channel.limits.current_above = {{.value = 8.0_A, .origin = Origin::wiring}};
  channel.limits.temperature_above = {{.value = 45.0_degC, .origin = Origin::profile}};
  channel.limits.temperature_below = {{.value = 5.0_degC, .origin = Origin::cell}};
  channel.limits.run_time = {{.value = 120s, .origin = Origin::policy}};
  return channel;
}

const Margin& margin_of(const std::vector<Margin>& margins, std::string_view limit) {
  for (const auto& margin : margins) {
    if (margin.limit == limit) return margin;
  }
  throw std::logic_error("no such margin");
}

TEST(Margins, run_from_far_to_there_for_each_limit_in_force) {
  const auto margins = margins_of(charging(), {});
  EXPECT_EQ(margins.size(), 6U);
  EXPECT_NEAR(*margin_of(margins, "voltage-above").used, 4.1 / 4.2, 1e-12);
  EXPECT_NEAR(*margin_of(margins, "voltage-below").used, 0.5, 1e-12);
  EXPECT_NEAR(*margin_of(margins, "current-above").used, 0.25, 1e-12);
  EXPECT_NEAR(*margin_of(margins, "temperature-above").used, 0.75, 1e-12);  // 35 of 5 to 45
  EXPECT_NEAR(*margin_of(margins, "temperature-below").used, 15.0 / 40, 1e-12);
  EXPECT_NEAR(*margin_of(margins, "run-time").used, 0.5, 1e-12);
  EXPECT_EQ(margin_of(margins, "current-above").origin, Origin::wiring);
}

TEST(Margins, are_unknown_where_a_reading_is_and_never_full_of_room) {
  auto channel = charging();
  channel.voltage = reading(4.1, drivers::Validity::not_a_number);
  channel.temperatures[1] = reading(0, drivers::Validity::absent);
  const auto margins = margins_of(channel, {});
  for (const char* limit :
       {"voltage-above", "voltage-below", "temperature-above", "temperature-below"}) {
    EXPECT_FALSE(margin_of(margins, limit).measured) << limit;
    EXPECT_FALSE(margin_of(margins, limit).used) << limit;
  }
}

// After a resumption, say.
TEST(Margins, count_what_nobody_saw_as_the_interlock_does) {  // S2
  auto channel = charging();
  channel.limits.charge_above = {{.value = drivers::coulombs(7200), .origin = Origin::profile}};
  channel.limits.energy_above = {{.value = drivers::joules(16000), .origin = Origin::profile}};
  channel.energy_in = 14000;
  channel.charge_uncertain = 1800;
  EXPECT_DOUBLE_EQ(*margin_of(margins_of(channel, {}), "charge-above").measured, 5400);
  EXPECT_DOUBLE_EQ(*margin_of(margins_of(channel, {}), "charge-above").used, 0.75);
  EXPECT_DOUBLE_EQ(*margin_of(margins_of(channel, {}), "energy-above").measured,
                   14000 + 1800 * 4.1);
  channel.voltage = reading(4.1, drivers::Validity::not_a_number);
  EXPECT_FALSE(margin_of(margins_of(channel, {}), "energy-above").used);
  channel.charge_uncertain = 0;
  EXPECT_DOUBLE_EQ(*margin_of(margins_of(channel, {}), "energy-above").measured, 14000);
  EXPECT_EQ(channel_json({}, charging(), {}).at("tally").at("charge_uncertain_ah"), 0.0);
}

TEST(Shapes, a_channel_tells_readings_and_null_for_the_unknown) {
  auto channel = charging();
  channel.current = reading(1, drivers::Validity::unparsable);
  const auto json =
      channel_json({.bench = "hut-bench", .name = "left"}, channel, drivers::Instant{12s});
  const auto& readings = json.at("readings").as_object();
  EXPECT_EQ(readings.at("voltage_v"), 4.1);
  EXPECT_TRUE(readings.at("current_a").is_null());
  EXPECT_EQ(readings.at("hottest_degc"), 35.0);
  EXPECT_EQ(readings.at("age_s"), 2.0);
  EXPECT_EQ(json.at("state"), "energised");
  EXPECT_EQ(json.at("tally").at("charge_in_ah"), 1.0);
  EXPECT_TRUE(json.at("run").is_null());
  EXPECT_TRUE(json.at("trip").is_null());
}

TEST(Shapes, a_channel_tells_which_alarm_there_is) {  // S4 S8
  safety::ChannelSnapshot channel;
  EXPECT_EQ(channel_json({}, channel, {}).at("alarm"), false);
  EXPECT_TRUE(channel_json({}, channel, {}).at("alarm_description").is_null());
  channel.alarm.cause = safety::Cause::conversation_failing;
  EXPECT_EQ(channel_json({}, channel, {}).at("alarm"), true);
  EXPECT_EQ(channel_json({}, channel, {}).at("alarm_description").as_string(),
            describe(channel.alarm));
}

TEST(Shapes, a_channel_tells_no_reading_that_is_too_old) {  // S3
  auto channel = charging();
  channel.temperatures[0].asked = channel.temperatures[1].asked = drivers::Instant{5s};
  const ChannelFacts facts{.bench = "hut-bench", .name = "left", .reading_age_max = 5s};
  const auto json = channel_json(facts, channel, drivers::Instant{12s});
  const auto& readings = json.at("readings").as_object();
  EXPECT_EQ(readings.at("voltage_v"), 4.1);
  EXPECT_TRUE(readings.at("temperatures_degc").at(0).is_null());
  EXPECT_TRUE(readings.at("hottest_degc").is_null());
  for (const auto& margin : json.at("margins").as_array()) {
    const bool of_heat = margin.at("limit").as_string().starts_with("temperature");
    EXPECT_EQ(margin.at("measured").is_null(), of_heat) << margin;
  }
}

TEST(Shapes, a_channel_tells_no_output_off_that_nobody_has_proved) {  // S4 S6
  const auto output = [](safety::State state, bool reads_on) {
    auto channel = charging();
    channel.state = state;
    channel.output_on = reads_on;
    return channel_json({}, channel, drivers::Instant{12s}).at("output_on");
  };
  for (const auto state : {safety::State::unknown, safety::State::cutting}) {
    EXPECT_TRUE(output(state, false).is_null()) << key_of(state);
    EXPECT_EQ(output(state, true), true) << key_of(state);
  }
  EXPECT_EQ(output(safety::State::off, false), false);
  EXPECT_EQ(output(safety::State::off, true), true);
}

// Many a dialect has no readback of the output, and any other comes later than the order.
TEST(Shapes, a_channel_tells_no_output_off_that_was_ordered_on) {  // S4
  auto channel = charging();
  channel.output_on = false;
  EXPECT_TRUE(channel_json({}, channel, drivers::Instant{12s}).at("output_on").is_null());
}

TEST(Shapes, a_channel_tells_no_output_off_whose_source_has_fallen_silent) {  // S4
  const ChannelFacts facts{.bench = "b", .name = "left", .reading_age_max = 5s};
  const auto output = [&](safety::State state, drivers::Reading source, drivers::Instant at) {
    auto channel = charging();
    channel.state = state;
    channel.output_on = false;
    channel.source_voltage = source;
    return channel_json(facts, channel, at).at("output_on");
  };
  for (const auto state : {safety::State::off, safety::State::tripped, safety::State::ready}) {
    EXPECT_EQ(output(state, reading(4.1), drivers::Instant{15s}), false);
    EXPECT_TRUE(output(state, reading(4.1), drivers::Instant{16s}).is_null());
    EXPECT_TRUE(
        output(state, reading(0, drivers::Validity::absent), drivers::Instant{12s}).is_null());
    EXPECT_EQ(output(state, {}, drivers::Instant{12s}), false);  // it can measure no voltage
  }
}

TEST(Shapes, never_writes_what_is_not_json) {
  auto channel = charging();
  channel.voltage_setpoint = std::numeric_limits<double>::quiet_NaN();
  channel.charge_in = std::numeric_limits<double>::infinity();
  RunFacts run{.id = "r", .profile = "p", .cell = "c", .steps = {"wake"}};
  run.progress.fraction = std::numeric_limits<double>::quiet_NaN();
  run.progress.seconds_left = std::numeric_limits<double>::quiet_NaN();
  const std::string text = boost::json::serialize(
      channel_json({.bench = "b", .name = "left", .run = run}, channel, drivers::Instant{12s}));
  boost::json::error_code error;
  (void)boost::json::parse(text, error);
  EXPECT_FALSE(error) << text;
}

TEST(Shapes, a_trip_of_a_former_life_is_called_by_its_name) {
  LatchedTrip trip;
  trip.interrupted = true;
  trip.run = "r7";
  const auto json =
      channel_json({.bench = "b", .name = "left", .trip = trip}, charging(), drivers::Instant{});
  EXPECT_EQ(json.at("trip").at("cause"), "interrupted");
  EXPECT_EQ(json.at("trip").at("run"), "r7");
}

TEST(Shapes, tell_of_a_run_that_may_resume_and_of_one_that_did) {  // S9
  const ResumptionFacts facts{.run = "r7", .state = "warning", .seconds_left = 12};
  const RunFacts run{.id = "r8", .profile = "p", .cell = "c", .steps = {"fill"}, .resumes = "r7"};
  const auto json = channel_json({.bench = "b", .name = "left", .run = run, .resumption = facts},
                                 charging(), drivers::Instant{});
  EXPECT_EQ(json.at("resumption").at("run"), "r7");
  EXPECT_EQ(json.at("resumption").at("state"), "warning");
  EXPECT_EQ(json.at("resumption").at("seconds_left"), 12.0);
  EXPECT_EQ(json.at("run").at("resumes"), "r7");
  RecordSummary summary;
  EXPECT_FALSE(run_json(summary).contains("resumes"));
  summary.header.resumed = Resumed{.run = "r7", .times = 2, .carried = {}};
  EXPECT_EQ(run_json(summary).at("resumes"), "r7");
  EXPECT_EQ(run_json(summary).at("resumed_times"), 2);
}

TEST(Shapes, readings_are_the_records_and_not_the_event_streams) {
  safety::Event event;
  event.kind = safety::Event::Kind::reading;
  EXPECT_FALSE(event_json(event, "left", {}));
}

TEST(Shapes, a_run_is_named_by_its_file) {
  EXPECT_EQ(run_id("/var/lib/x/20260101T000000Z-b-l-p.run"), "20260101T000000Z-b-l-p");
}

TEST(Approving, is_needed_for_the_first_use_and_for_anything_looser) {
  const auto limits = charging().limits;
  EXPECT_TRUE(needs_approval(limits, {}));
  EXPECT_FALSE(needs_approval(limits, limits));
  auto tighter = limits;
  tighter.voltage_above->value = 4.15_V;
  EXPECT_FALSE(needs_approval(tighter, limits));
  auto looser = limits;
  looser.voltage_above->value = 4.25_V;
  EXPECT_TRUE(needs_approval(looser, limits));
  auto without = limits;
  without.run_time.reset();
  EXPECT_TRUE(needs_approval(without, limits));
}

TEST(Approving, shows_what_differs_and_what_of_it_is_looser) {
  const auto before = charging().limits;
  auto now = before;
  now.voltage_above->value = 4.25_V;
  now.current_above->value = 7.0_A;
  const auto lines = differences(now, before);
  ASSERT_EQ(lines.size(), 2U);
  EXPECT_TRUE(lines[0].starts_with("voltage-above: "));
  EXPECT_TRUE(lines[0].ends_with("(looser)"));
  EXPECT_TRUE(lines[1].starts_with("current-above: "));
  EXPECT_FALSE(lines[1].ends_with("(looser)"));
  EXPECT_TRUE(differences(before, before).empty());
}

}  // namespace
}  // namespace chargewright::daemon

// Whether a run that an interruption ended may go on by itself: everything that forbids it, one by
// one (S9).
#include "daemon/run/resumption.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>

#include "daemon/record/digest.h"
#include "daemon/serve/approving.h"
#include "daemon/serve/dead_man.h"
#include "drivers/quantity.h"
#include "tests/support/process.h"

namespace chargewright::daemon {
namespace {

using namespace drivers::literals;
using namespace std::chrono_literals;
using drivers::Duration;
using drivers::Instant;

constexpr Instant at(Duration since) { return Instant{1h} + since; }

safety::Limits limits() {
  safety::Limits limits;
  limits.voltage_above = {{.value = 4.24_V, .origin = safety::Origin::profile, .on_delay = {}}};
  limits.current_above = {{.value = 8.0_A, .origin = safety::Origin::cell, .on_delay = {}}};
  limits.charge_above = {{.value = 2.6_Ah, .origin = safety::Origin::profile, .on_delay = {}}};
  limits.energy_above = {{.value = 10.0_Wh, .origin = safety::Origin::profile, .on_delay = {}}};
  limits.run_time = {{.value = 90min, .origin = safety::Origin::profile, .on_delay = {}}};
  limits.step_time = {{.value = 60min, .origin = safety::Origin::profile, .on_delay = {}}};
  return limits;
}

// A run that may go on; each test spoils one part of it.
struct Left {
  Energised marker{.since = {},
                   .run = "r",
                   .profile = "refill",
                   .cell = "hut-radio-24",
                   .offer = ResumptionOffer{.resumed = 0,
                                            .boot = "b",
                                            .armed_since_boot_s = 10,
                                            .profile_sha256 = sha256("the profile"),
                                            .cell_sha256 = sha256("the cell")}};
  InterruptedRun run;
  std::optional<profiles::Resumption> allowed{{.within = 10min, .times = 1, .warning = 30s}};
  std::vector<RecordedFile> files{{"bench", "b.yaml", "the bench"},
                                  {"policy", "p.yaml", "the policy"},
                                  {"dialect", "d.yaml", "a dialect"}};
  std::string version = "0.1.0";
  safety::Limits limits_now = limits();
  std::optional<safety::Limits> limits_then = limits();
  bool approved = true;
  bool cautions = true;
  bool damaged = false;
  std::size_t steps = 3;

  Left() {
    run.header.profile = "refill";
    run.header.cell = "hut-radio-24";
    run.header.version = version;
    run.header.files = files;
    run.header.files.push_back({"cell", "c.yaml", "the cell"});
    run.header.files.push_back({"profile", "r.yaml", "the profile"});
    run.ended = Phase::interrupted;
    run.phase = Phase::running;
    run.length = 20min;
    run.carried = {
        .charge_in = 1.0_Ah, .energy_in = 4.0_Wh, .on_time = 19min, .step = 1, .step_time = 18min};
    run.voltage_before = 3.5;
    run.voltage_last = 3.9;
    run.current_most = 4;
  }
  [[nodiscard]] Unresumed judge() const {
    return judge_standing({.marker = marker,
                           .run = run,
                           .allowed = allowed,
                           .files = files,
                           .version = version,
                           .limits_now = limits_now,
                           .limits_then = limits_then,
                           .approved = approved,
                           .cautions_accepted = cautions,
                           .state_damaged = damaged,
                           .steps = steps});
  }
};

TEST(Standing, lets_a_run_go_on_where_nothing_forbids_it) {  // S9
  EXPECT_EQ(Left{}.judge(), Unresumed::none);
}

TEST(Standing, forbids_it_for_each_thing_that_is_not_as_it_must_be) {  // S9
  struct Spoilt {
    const char* what;
    Unresumed why;
    std::function<void(Left&)> spoil;
  };
  const std::vector<Spoilt> table{
      {"profile stops", Unresumed::stops, [](Left& l) { l.allowed.reset(); }},
      {"no offer", Unresumed::stops, [](Left& l) { l.marker.offer.reset(); }},
      {"state damaged", Unresumed::damaged_state, [](Left& l) { l.damaged = true; }},
      {"record open", Unresumed::not_its_record, [](Left& l) { l.run.ended.reset(); }},
      {"run had ended", Unresumed::not_its_record, [](Left& l) { l.run.ended = Phase::done; }},
      {"other profile", Unresumed::not_its_record, [](Left& l) { l.marker.profile = "x"; }},
      {"other cell", Unresumed::not_its_record, [](Left& l) { l.marker.cell = "x"; }},
      {"profile's text", Unresumed::not_its_record,
       [](Left& l) { l.run.header.files.back().text = "an edited one"; }},
      {"cell's text", Unresumed::not_its_record,
       [](Left& l) { l.run.header.files[3].text = "an edited one"; }},
      {"no profile on record", Unresumed::not_its_record,
       [](Left& l) { l.run.header.files.pop_back(); }},
      {"marker counts other resumptions", Unresumed::not_its_record,
       [](Left& l) {
         l.run.header.resumed = Resumed{.run = "q", .times = 2, .carried = {}};
         l.marker.offer->resumed = 1;
         l.allowed->times = 5;
       }},
      {"beyond the last step", Unresumed::not_its_record, [](Left& l) { l.steps = 1; }},
      {"resumed once already", Unresumed::used_up,
       [](Left& l) {
         l.run.header.resumed = Resumed{.run = "q", .times = 1, .carried = {}};
         l.marker.offer->resumed = 1;
       }},
      {"was arming", Unresumed::was_ending, [](Left& l) { l.run.phase = Phase::arming; }},
      {"was stopping", Unresumed::was_ending, [](Left& l) { l.run.phase = Phase::stopping; }},
      {"a cause was present", Unresumed::was_ending, [](Left& l) { l.run.cut_began = true; }},
      {"program", Unresumed::other_program, [](Left& l) { l.version = "0.2.0"; }},
      {"bench", Unresumed::other_files, [](Left& l) { l.files[0].text = "rewired"; }},
      {"policy", Unresumed::other_files, [](Left& l) { l.files[1].text = "stricter"; }},
      {"dialect", Unresumed::other_files, [](Left& l) { l.files[2].text = "another"; }},
      {"no policy any more", Unresumed::other_files,
       [](Left& l) { l.files.erase(l.files.begin() + 1); }},
      {"not approved", Unresumed::unapproved, [](Left& l) { l.approved = false; }},
      {"cautions", Unresumed::unapproved, [](Left& l) { l.cautions = false; }},
      {"looser", Unresumed::looser_limits,
       [](Left& l) { l.limits_now.voltage_above->value = 4.25_V; }},
      {"a limit is gone", Unresumed::looser_limits,
       [](Left& l) { l.limits_now.charge_above.reset(); }},
      {"limits of then unknown", Unresumed::looser_limits, [](Left& l) { l.limits_then.reset(); }},
  };
  for (const Spoilt& spoilt : table) {
    Left left;
    spoilt.spoil(left);
    EXPECT_EQ(left.judge(), spoilt.why) << spoilt.what << ": " << describe(left.judge());
  }
}

TEST(Standing, may_be_resumed_as_often_in_a_row_as_the_profile_says) {  // S9
  Left left;
  left.allowed->times = 2;
  left.run.header.resumed = Resumed{.run = "q", .times = 1, .carried = {}};
  left.marker.offer->resumed = 1;
  EXPECT_EQ(left.judge(), Unresumed::none);
}

// ---- what is carried

TEST(Carried, counts_what_nobody_saw_at_the_limit_of_the_current) {  // S2 S9
  const Left left;
  const auto carried = carried_over(left.run, limits(), false, 90s);
  EXPECT_EQ(carried.charge_in, 1.0_Ah);  // what was seen is not changed
  EXPECT_EQ(carried.energy_in, 4.0_Wh);
  EXPECT_NEAR(drivers::in_ampere_hours(carried.uncertain), 8.0 * 90 / 3600, 1e-9);
  EXPECT_EQ(carried.on_time, Duration{19min + 90s});
  EXPECT_EQ(carried.step, 1);
  EXPECT_EQ(carried.step_time, Duration{18min + 90s});
}

// The last thing on record may be no reading: what flowed since one was seen by nobody either.
TEST(Carried, counts_what_nobody_saw_from_the_last_reading_of_the_current_on) {  // S2 S9
  Left left;
  left.run.unread = 30s;
  const auto carried = carried_over(left.run, limits(), false, 90s);
  EXPECT_NEAR(drivers::in_ampere_hours(carried.uncertain), 8.0 * 120 / 3600, 1e-9);
  EXPECT_EQ(carried.on_time, Duration{19min + 90s});  // counts to the last thing on record already
}

TEST(Carried, lets_a_rest_begin_anew) {  // S9
  EXPECT_EQ(carried_over(Left{}.run, limits(), true, 90s).step_time, Duration::zero());
}

TEST(Carried, without_a_limit_on_current_is_no_amount_and_reaches_every_limit) {  // S9
  safety::Limits none = limits();
  none.current_above.reset();
  EXPECT_TRUE(reaches_a_limit(carried_over(Left{}.run, none, false, 1s), none, 4.2_V));
}

TEST(Carried, reaches_each_limit_of_the_whole_run) {  // S2 S9
  const auto reaches = [](const safety::Carried& carried) {
    return reaches_a_limit(carried, limits(), 4.0_V);
  };
  EXPECT_FALSE(reaches({}));
  EXPECT_FALSE(reaches({.charge_in = 1.5_Ah, .uncertain = 1.09_Ah}));
  EXPECT_TRUE(reaches({.charge_in = 1.5_Ah, .uncertain = 1.1_Ah}));
  EXPECT_FALSE(reaches({.uncertain = 1.0_Ah, .energy_in = 5.9_Wh}));
  EXPECT_TRUE(reaches({.uncertain = 1.0_Ah, .energy_in = 6.0_Wh}));  // at the full voltage
  EXPECT_FALSE(reaches({.on_time = 89min}));
  EXPECT_TRUE(reaches({.on_time = 90min}));
  EXPECT_FALSE(reaches({.step_time = 59min}));
  EXPECT_TRUE(reaches({.step_time = 60min}));
}

// ---- the same cell

profiles::Cell cell(bool states_resistance) {
  profiles::Cell cell;
  cell.voltage = {3.0_V, 4.2_V, 4.25_V, 2.5_V};
  cell.model.r0 = 20.0_mohm;
  cell.model.rc[0] = {.r = 10.0_mohm, .c = drivers::farads(1000)};
  cell.model_states.resistance = states_resistance;
  return cell;
}

TEST(RestWindow, lies_between_where_the_cell_rested_and_where_it_was_last) {  // S9
  const auto window = rest_window(Left{}.run, cell(false));
  ASSERT_TRUE(window);
  EXPECT_NEAR(window->lowest.value(), 3.5 - 0.036, 1e-9);  // 3 % of 1.2 V
  EXPECT_NEAR(window->highest.value(), 3.9 + 0.036, 1e-9);
}

TEST(RestWindow, is_narrower_where_the_resistance_is_stated) {  // S9
  const auto window = rest_window(Left{}.run, cell(true));
  ASSERT_TRUE(window);
  EXPECT_NEAR(window->lowest.value(), 3.9 - 2 * 0.030 * 4 - 0.036, 1e-9);
}

TEST(RestWindow, of_a_run_that_rested_below_its_beginning_begins_there) {  // S9
  InterruptedRun run = Left{}.run;
  run.voltage_last = 3.45;
  EXPECT_NEAR(rest_window(run, cell(false))->lowest.value(), 3.45 - 0.036, 1e-9);
}

TEST(RestWindow, is_not_known_without_both_readings) {  // S9
  InterruptedRun run = Left{}.run;
  run.voltage_before.reset();
  EXPECT_FALSE(rest_window(run, cell(true)));
  run = Left{}.run;
  run.voltage_last = std::nan("");
  EXPECT_FALSE(rest_window(run, cell(true)));
}

// ---- at the bench

struct Bench {
  Resumption::Look look{.withdrawn = false,
                        .is_interrupted = true,
                        .verified_off = true,
                        .alarm = false,
                        .age = Duration{1min},
                        .voltage = 3.7_V,
                        .fresh = true};
  Resumption::Terms terms{.allowed = {.within = 10min, .times = 1, .warning = 30s},
                          .window = {3.5_V, 3.9_V},
                          .speed = 1,
                          .sees_cell = true};
};

void watch(Resumption& resumption, const Bench& bench, Duration from, Duration until) {
  for (Duration then = from; then <= until; then += 100ms) resumption.turn(bench.look, at(then));
}

TEST(Resumption, warns_for_its_whole_time_before_it_is_due) {  // S9
  const Bench bench;
  Resumption resumption{bench.terms, at(0s)};
  EXPECT_EQ(resumption.state(), Resumption::State::waiting);
  resumption.turn(bench.look, at(1s));
  EXPECT_EQ(resumption.state(), Resumption::State::warning);
  EXPECT_EQ(resumption.left(at(11s)), Duration{20s});
  watch(resumption, bench, 1s, 30'999ms);
  EXPECT_EQ(resumption.state(), Resumption::State::warning);
  resumption.turn(bench.look, at(31s));
  EXPECT_EQ(resumption.state(), Resumption::State::due);
}

// Another channel's resumption may take that long.
TEST(Resumption, warns_for_longer_where_nobody_looked_for_a_while) {  // S9
  const Bench bench;
  Resumption resumption{bench.terms, at(0s)};
  resumption.turn(bench.look, at(1s));
  watch(resumption, bench, 1s, 11s);
  resumption.turn(bench.look, at(31s));
  EXPECT_EQ(resumption.state(), Resumption::State::warning);
  EXPECT_EQ(resumption.left(at(31s)), Duration{20s});
  watch(resumption, bench, 31s, 51s);
  EXPECT_EQ(resumption.state(), Resumption::State::due);
  resumption.turn(bench.look, at(61s));
  EXPECT_EQ(resumption.state(), Resumption::State::warning);
  EXPECT_EQ(resumption.left(at(61s)), Duration{10s});
}

TEST(Resumption, warns_in_real_time_whatever_the_speed_of_the_bench) {  // S9
  Bench bench;
  bench.terms.speed = 60;
  bench.terms.allowed.within = 2h;
  Resumption resumption{bench.terms, at(0s)};
  watch(resumption, bench, 0s, 29s);
  EXPECT_EQ(resumption.state(), Resumption::State::warning);
}

TEST(Resumption, waits_for_a_bench_that_is_not_ready_yet) {  // S1 S9
  for (const auto& unready : std::vector<std::function<void(Resumption::Look&)>>{
           [](auto& look) { look.verified_off = false; }, [](auto& look) { look.alarm = true; },
           [](auto& look) { look.was_cut = true; }, [](auto& look) { look.fresh = false; },
           [](auto& look) { look.voltage.reset(); }, [](auto& look) { look.age.reset(); }}) {
    Bench bench;
    Resumption resumption{bench.terms, at(0s)};
    auto look = bench.look;
    unready(look);
    resumption.turn(look, at(1s));
    resumption.turn(look, at(100s));
    EXPECT_EQ(resumption.state(), Resumption::State::waiting);
    resumption.turn(bench.look, at(101s));
    EXPECT_EQ(resumption.state(), Resumption::State::warning);
    resumption.turn(look, at(102s));  // but nothing may fail in the warning time
    EXPECT_EQ(resumption.state(), Resumption::State::given_up);
    EXPECT_EQ(resumption.why(), Unresumed::bench_unfit);
    resumption.turn(bench.look, at(200s));
    EXPECT_EQ(resumption.state(), Resumption::State::given_up);  // for good
  }
}

TEST(Resumption, gives_up_for_each_thing_that_forbids_it_at_any_moment) {  // S9
  struct Spoilt {
    Unresumed why;
    std::function<void(Resumption::Look&)> spoil;
  };
  const std::vector<Spoilt> table{
      {Unresumed::withdrawn, [](auto& look) { look.withdrawn = true; }},
      {Unresumed::another_trip, [](auto& look) { look.is_interrupted = false; }},
      {Unresumed::too_long_ago, [](auto& look) { look.age = 10min + 1ns; }},
      {Unresumed::clock_unsure, [](auto& look) { look.age = -1ns; }},
      {Unresumed::other_cell, [](auto& look) { look.voltage = 3.49_V; }},
      {Unresumed::other_cell, [](auto& look) { look.voltage = 3.91_V; }},
      {Unresumed::other_cell, [](auto& look) { look.voltage = drivers::volts(std::nan("")); }},
  };
  for (const Spoilt& spoilt : table) {
    for (const bool in_the_warning : {false, true}) {
      const Bench bench;
      Resumption resumption{bench.terms, at(0s)};
      if (in_the_warning) resumption.turn(bench.look, at(1s));
      auto look = bench.look;
      spoilt.spoil(look);
      resumption.turn(look, at(2s));
      EXPECT_EQ(resumption.state(), Resumption::State::given_up) << key_of(spoilt.why);
      EXPECT_EQ(resumption.why(), spoilt.why) << key_of(resumption.why());
    }
  }
}

TEST(Resumption, does_not_wait_longer_than_the_interruption_may_be_old) {  // S9
  Bench bench;
  bench.look.verified_off = false;
  Resumption late{bench.terms, at(0s)};
  late.turn(bench.look, at(10min));
  EXPECT_EQ(late.state(), Resumption::State::waiting);
  late.turn(bench.look, at(10min + 1s));
  EXPECT_EQ(late.why(), Unresumed::too_long_ago);
  bench.look.age.reset();
  Resumption unsure{bench.terms, at(0s)};
  unsure.turn(bench.look, at(10min + 1s));
  EXPECT_EQ(unsure.why(), Unresumed::clock_unsure);
}

TEST(Resumption, leaves_the_voltage_to_the_guard_where_it_sees_no_cell) {  // S1 S9
  Bench bench;
  bench.terms.sees_cell = false;  // behind an open contactor
  bench.look.voltage.reset();
  Resumption resumption{bench.terms, at(0s)};
  resumption.turn(bench.look, at(1s));
  EXPECT_EQ(resumption.state(), Resumption::State::warning);
}

TEST(Unresumed, has_words_for_every_reason) {
  for (auto why = Unresumed::stops; why <= Unresumed::not_begun;
       why = static_cast<Unresumed>(static_cast<int>(why) + 1)) {
    EXPECT_NE(key_of(why), "unknown");
    EXPECT_GT(describe(why).size(), 20U) << key_of(why);
  }
}

// ---- approval, and the dead-man's word

TEST(Approving, lets_no_profile_resume_more_than_was_approved) {  // S9
  const profiles::Resumption approved{.within = 10min, .times = 2, .warning = 30s};
  EXPECT_FALSE(resumes_more({}, {}));
  EXPECT_FALSE(resumes_more({}, approved));
  EXPECT_FALSE(resumes_more(approved, approved));
  EXPECT_FALSE(resumes_more({{.within = 5min, .times = 1, .warning = 60s}}, approved));
  EXPECT_TRUE(resumes_more(approved, {}));
  EXPECT_TRUE(resumes_more({{.within = 11min, .times = 2, .warning = 30s}}, approved));
  EXPECT_TRUE(resumes_more({{.within = 10min, .times = 3, .warning = 30s}}, approved));
  EXPECT_TRUE(resumes_more({{.within = 10min, .times = 2, .warning = 29s}}, approved));
}

TEST(TheDeadMansLog, says_when_every_output_was_proved_off_or_nothing) {  // S9
  const std::string end = "2026-11-27T01:21:18.250Z +1234.5 ms: every output is verified off";
  const auto proof = proved_off({"2026-11-27T01:21:17.015Z +0.0 ms: the daemon is gone", end});
  ASSERT_TRUE(proof);
  EXPECT_NEAR(proof->after_s, 1.2345, 1e-9);
  EXPECT_EQ(
      std::chrono::duration_cast<std::chrono::milliseconds>(proof->at.time_since_epoch()).count(),
      1'795'742'478'250);
  EXPECT_FALSE(proved_off({}));
  EXPECT_FALSE(proved_off({end, "2026-11-27T01:21:19.000Z +9.0 ms: once more"}));
  EXPECT_FALSE(
      proved_off({"2026-11-27T01:21:18.250Z +1234.5 ms: NOT every output is verified off"}));
  EXPECT_FALSE(proved_off({end + "; left: supply answers that its output is on: go and look"}));
  EXPECT_FALSE(proved_off({"yesterday +1 ms: every output is verified off"}));
  EXPECT_FALSE(proved_off({"2026-11-27T01:21:18.250Z -5 ms: every output is verified off"}));
}

// Twelve channels with contactors are more than a hundred lines; what counts is the last.
TEST(TheDeadMansLog, is_told_with_its_first_and_its_last_lines_where_it_is_long) {  // S4 S9
  const test::Scratch folder;
  std::string text;
  for (int i = 1; i < 150; ++i) text += "line " + std::to_string(i) + "\n";
  const std::string end = "2026-11-27T01:21:18.250Z +1234.5 ms: every output is verified off";
  const std::string path = folder.write("dead-man.log", text + end + "\n");
  const auto lines = take_dead_man_log(path);
  EXPECT_LE(lines.size(), 101U);
  EXPECT_EQ(lines.front(), "line 1");
  EXPECT_EQ(lines.back(), end);
  EXPECT_TRUE(proved_off(lines));
  EXPECT_EQ(std::ranges::count(lines, "50 lines are left out; all stand in dead-man.log.previous"),
            1);
  EXPECT_TRUE(take_dead_man_log(path).empty());
}

}  // namespace
}  // namespace chargewright::daemon

#include "daemon/plan/proof.h"

#include <gtest/gtest.h>

#include <algorithm>

#include "daemon/cli/proof_view.h"
#include "drivers/document.h"
#include "profiles/check.h"
#include "tests/unit/daemon/hut.h"

namespace chargewright::daemon {
namespace {

using namespace hut;
using drivers::Instant;

constexpr Instant began{1h};
const safety::SourceAbilities able{};

ProofPlan plan_of(const profiles::Bench& on = hut::bench(),
                  const profiles::Cell& with = hut::cell(),
                  const safety::SourceAbilities& can = able) {
  return plan_proof(on, 0, with, can).value();
}

std::vector<std::string> keys_of(const ProofPlan& plan) {
  std::vector<std::string> keys;
  for (const ProofTrial& trial : plan.trials) keys.push_back(trial.key);
  return keys;
}

bool has(const ProofPlan& plan, std::string_view key) {
  const auto keys = keys_of(plan);
  return std::ranges::find(keys, key) != keys.end();
}

ProofTrial trial(std::string_view key) {
  for (const ProofTrial& one : plan_of().trials) {
    if (one.key == key) return one;
  }
  throw std::runtime_error("no trial " + std::string(key));
}

ProofSight tripped(std::string cause, std::string words) {
  return {.answers = true,
          .state = "tripped",
          .trip = std::move(cause),
          .trip_words = std::move(words),
          .phase = "tripped",
          .refusal = {}};
}
ProofSight in_state(std::string state, std::string phase = "running") {
  return {.answers = true,
          .state = std::move(state),
          .trip = {},
          .trip_words = {},
          .phase = std::move(phase),
          .refusal = {}};
}

// ---- which trials there are ---------------------------------------------------------------------

TEST(ProofPlan, has_the_trials_that_this_bench_can_meet) {
  const ProofPlan whole = plan_of();
  EXPECT_EQ(keys_of(whole),
            (std::vector<std::string>{"readings", "reversed", "operator-cut", "limit-charge",
                                      "limit-temperature-1", "knob", "output-off-at-panel",
                                      "output-on-at-panel", "lead-off", "link-meter", "link-probe",
                                      "sensor-1", "daemon-killed", "daemon-hung"}));
  profiles::Bench switched = hut::bench();
  switched.instruments.resize(4);
  switched.instruments[3].name = "relay";
  switched.channels[0].contactor = safety::Terminal{3, 1};
  switched.channels[0].thermometers.push_back({probe, 2});
  EXPECT_TRUE(has(plan_of(switched), "contactor"));
  EXPECT_TRUE(has(plan_of(switched), "limit-temperature-2"));
  EXPECT_TRUE(has(plan_of(switched), "sensor-2"));

  const ProofPlan bare = plan_of(bare_bench());
  for (const char* key : {"link-meter", "link-probe", "sensor-1", "limit-temperature-1"}) {
    EXPECT_FALSE(has(bare, key)) << key;
  }
}

// Of a supply with several outputs a hand might obey at the wrong one.
TEST(ProofPlan, names_the_output_of_the_source) {
  profiles::Bench bench = hut::bench();
  bench.channels[0].source = bench.channels[0].ammeter = {supply, 2};
  int named = 0;
  for (const ProofTrial& one : plan_of(bench).trials) {
    if (one.key != "knob" && !one.key.starts_with("output-")) continue;
    EXPECT_NE(one.act.find("`supply` output 2"), std::string::npos) << one.act;
    ++named;
  }
  EXPECT_EQ(named, 3);
  EXPECT_EQ(trial("knob").act.find("output"), std::string::npos) << trial("knob").act;
}

TEST(ProofPlan, says_what_it_does_not_cover) {
  safety::SourceAbilities blind = able;
  blind.reads_setpoints = blind.reads_output = false;
  const ProofPlan plan = plan_of(bare_bench(), hut::cell(), blind);
  EXPECT_FALSE(has(plan, "knob"));
  EXPECT_FALSE(has(plan, "output-on-at-panel"));
  std::string left;
  for (const auto& line : plan.not_covered) left += line + '\n';
  for (const char* words : {"over-voltage", "limits on voltage and current", "no contactor",
                            "setpoints are not read", "switched at the panel", "no thermometer"}) {
    EXPECT_NE(left.find(words), std::string::npos) << words << '\n' << left;
  }
}

TEST(ProofPlan, asks_no_capacitor_for_its_polarity) {
  profiles::Cell bank = hut::cell();
  bank.capacitance = drivers::farads(50);
  EXPECT_FALSE(has(plan_of(hut::bench(), bank), "reversed"));
  bank = hut::cell();
  ASSERT_TRUE(has(plan_of(hut::bench(), bank), "reversed"));
  bank.chemistry = "edlc";  // by its capacity
  EXPECT_FALSE(has(plan_of(hut::bench(), bank), "reversed"));
}

// ---- how little energy --------------------------------------------------------------------------

TEST(ProofPlan, takes_a_tenth_of_the_capacity_in_an_hour_and_half_an_ampere_at_most) {
  EXPECT_DOUBLE_EQ(plan_of().amperes, 0.2);  // C/10 of 2 Ah
  profiles::Cell large = hut::cell();
  large.capacity = 100.0_Ah;
  EXPECT_DOUBLE_EQ(plan_of(hut::bench(), large).amperes, 0.5);
  large.current.charge = 0.3_A;
  EXPECT_DOUBLE_EQ(plan_of(hut::bench(), large).amperes, 0.3);
  profiles::Bench weak = hut::bench();
  weak.instruments[supply].ratings.current = 0.1_A;
  EXPECT_DOUBLE_EQ(plan_of(weak, large).amperes, 0.09);
}

TEST(ProofPlan, refuses_a_cell_whose_current_the_bench_cannot_tell_from_none) {
  profiles::Cell tiny = hut::cell();
  tiny.capacity = drivers::ampere_hours(0.5);  // 50 mA, and up to 20 mA read as none
  const auto plan = plan_proof(hut::bench(), 0, tiny, able);
  ASSERT_FALSE(plan.has_value());
  EXPECT_NE(plan.error().cause.find("off-current"), std::string::npos);
  EXPECT_NE(plan.error().advice.find("larger cell"), std::string::npos);
}

class AProofProfile : public testing::TestWithParam<ProofLimit> {};

TEST_P(AProofProfile, is_one_that_check_accepts_and_that_keeps_to_the_bounds) {  // S2
  const ProofPlan plan = plan_of();
  const std::string text = proof_profile(plan, hut::cell(), GetParam(), 21.5);
  auto document = drivers::parse_document(text, "proof.yaml");
  ASSERT_TRUE(document.has_value());
  const auto profile = profiles::read_profile(*document);
  ASSERT_TRUE(profile.has_value()) << describe(profile.error()) << text;
  profiles::Cell with = hut::cell();
  with.current.never_above = 9.0_A;
  const auto report = profiles::check(*profile, with, hut::bench(), 0, {});
  for (const auto& problem : report.problems) ADD_FAILURE() << describe(problem) << '\n' << text;
  const safety::Limits& limits = report.plan.limits;
  EXPECT_LE(limits.current_above->value.value(), 1.5 * plan.amperes + 1e-9);
  EXPECT_LE(limits.run_time->value, proof_each);
  EXPECT_LE(limits.charge_above->value.value(), plan.amperes * 300 * 1.001);
  for (const auto& step : report.procedure.steps) {
    EXPECT_LE(step.ceilings.current.value(), plan.amperes + 1e-9);
    EXPECT_LE(step.ceilings.voltage.value(), with.voltage.full.value());
  }
  if (GetParam() == ProofLimit::charge) {
    EXPECT_NEAR(limits.charge_above->value.value(), plan.amperes * 10, 1e-3);
  }
  if (GetParam() == ProofLimit::temperature) {
    EXPECT_NEAR(limits.temperature_above->value.value(), 24.5, 1e-6);
  }
}

// What is written has fewer digits than what the cell bears, and a small source has a limit too.
TEST(ProofProfile, is_accepted_of_a_cell_of_many_digits_and_of_a_source_at_its_rating) {  // S2
  profiles::Cell odd = hut::cell();
  odd.current = {drivers::amperes(0.2 / 3), 9.0_A, {}};
  odd.voltage.full = drivers::volts(4.1996);
  profiles::Bench weak = hut::bench();
  weak.instruments[supply].ratings.current = 0.1_A;
  profiles::Cell sound = hut::cell();
  sound.current.never_above = 9.0_A;
  for (const auto& [on, with] : {std::pair{hut::bench(), odd}, std::pair{weak, sound}}) {
    const std::string text = proof_profile(plan_of(on, with), with, ProofLimit::usual, 21.5);
    const auto profile = profiles::read_profile(drivers::parse_document(text, "p.yaml").value());
    ASSERT_TRUE(profile.has_value()) << text;
    const auto report = profiles::check(*profile, with, on, 0, {});
    EXPECT_EQ(drivers::describe(drivers::Failures{report.problems}), "") << text;
  }
}

INSTANTIATE_TEST_SUITE_P(OfEachLimit, AProofProfile,
                         testing::Values(ProofLimit::usual, ProofLimit::charge,
                                         ProofLimit::temperature));

// ---- what becomes of a trial --------------------------------------------------------------------

TEST(ProofJudge, passes_a_trip_by_the_right_cause_and_tells_its_times) {  // S4
  const ProofTrial knob = trial("knob");
  ProofJudge judge(knob, began);
  EXPECT_FALSE(judge.see(in_state("energised"), began + 1s));
  judge.note({.kind = "cause-present", .cause = "setpoint-changed", .stage = {}, .words = "knob"},
             began + 2s);
  judge.note(
      {.kind = "cut-stage", .cause = {}, .stage = "off-confirmed", .words = {}, .after_ms = 9},
      began + 2s);
  EXPECT_FALSE(judge.see(in_state("cutting"), began + 2s));
  judge.note({.kind = "cut-stage", .cause = {}, .stage = "verified", .words = {}, .after_ms = 31},
             began + 2100ms);
  const auto found = judge.see(tripped("setpoint-changed", "the setpoint differs"), began + 2100ms);
  ASSERT_TRUE(found);
  EXPECT_EQ(found->verdict, ProofVerdict::passed);
  EXPECT_EQ(found->reason, "the setpoint differs");
  EXPECT_EQ(judge.noticed_s(), 2);
  EXPECT_EQ(judge.off_ms(), 31);
  EXPECT_EQ(judge.evidence().size(), 3U);
}

TEST(ProofJudge, waits_for_the_cause_of_a_trip_to_be_told) {
  const ProofTrial knob = trial("knob");
  ProofJudge judge(knob, began);
  EXPECT_FALSE(judge.see(tripped("", ""), began + 1s));
  EXPECT_EQ(judge.see(tripped("setpoint-changed", "it differs"), began + 2s)->verdict,
            ProofVerdict::passed);
  EXPECT_EQ(ProofJudge(knob, began).see(tripped("", ""), began + 3min)->verdict,
            ProofVerdict::failed);
}

TEST(ProofJudge, fails_a_trip_by_another_cause) {
  const ProofTrial knob = trial("knob");
  const auto found = ProofJudge(knob, began).see(tripped("voltage-high", "too high"), began + 1s);
  ASSERT_TRUE(found);
  EXPECT_EQ(found->verdict, ProofVerdict::failed);
  EXPECT_FALSE(found->not_off);
  EXPECT_NE(found->reason.find("too high"), std::string::npos);
}

TEST(ProofJudge, fails_a_trip_by_another_thermometer) {
  const ProofTrial warm = trial("limit-temperature-1");
  const auto by = [&](const std::string& words) {
    return ProofJudge(warm, began).see(tripped("temperature-high", words), began + 1s)->verdict;
  };
  EXPECT_EQ(by("thermometer 1: temperature 25 °C is above"), ProofVerdict::passed);
  EXPECT_EQ(by("thermometer 2: temperature 25 °C is above"), ProofVerdict::failed);
  EXPECT_EQ(by("thermometer 11: temperature 25 °C is above"), ProofVerdict::failed);
}

TEST(ProofJudge, fails_what_nobody_noticed_in_time) {
  const ProofTrial knob = trial("knob");
  ProofJudge judge(knob, began);
  EXPECT_FALSE(judge.see(in_state("energised"), began + knob.within));
  const auto found = judge.see(in_state("energised"), began + knob.within + 1ms);
  ASSERT_TRUE(found);
  EXPECT_EQ(found->verdict, ProofVerdict::failed);
}

TEST(ProofJudge, fails_a_run_that_ended_without_a_trip) {
  const ProofTrial knob = trial("knob");
  EXPECT_EQ(ProofJudge(knob, began).see(in_state("off", "done"), began + 1s)->verdict,
            ProofVerdict::failed);
  // Where the deed is done while it is off, that is how it should be.
  const ProofTrial on = trial("output-on-at-panel");
  EXPECT_FALSE(ProofJudge(on, began).see(in_state("off", "done"), began + 1s));
}

TEST(ProofJudge, calls_for_the_switch_where_the_output_cannot_be_proved_off) {  // S4
  const ProofTrial cut = trial("operator-cut");
  ProofJudge judge(cut, began);
  EXPECT_FALSE(judge.see(in_state("cutting"), began));
  EXPECT_FALSE(judge.see(in_state("cutting"), began + 9900ms));
  const auto found = judge.see(in_state("cutting"), began + 10s);
  ASSERT_TRUE(found);
  EXPECT_EQ(found->verdict, ProofVerdict::failed);
  EXPECT_TRUE(found->not_off);
}

TEST(ProofJudge, does_not_take_a_daemon_that_died_for_a_cut) {
  const ProofTrial knob = trial("knob");
  ProofJudge judge(knob, began);
  EXPECT_FALSE(judge.see({.answers = false}, began));
  EXPECT_FALSE(judge.see(in_state("energised"), began + 500ms));  // merely busy
  EXPECT_FALSE(judge.see({.answers = false}, began + 2s));
  const auto found = judge.see({.answers = false}, began + 3s);
  ASSERT_TRUE(found);
  EXPECT_EQ(found->verdict, ProofVerdict::failed);
  EXPECT_TRUE(found->not_off);
}

TEST(ProofJudge, passes_a_start_that_is_refused_for_the_polarity_only) {  // S1
  const ProofTrial reversed = trial("reversed");
  const auto refused_for = [&](const char* why) {
    ProofSight sight = in_state("off", "refused");
    sight.refusal = why;
    return ProofJudge(reversed, began).see(sight, began + 1s)->verdict;
  };
  EXPECT_EQ(refused_for("polarity-reversed"), ProofVerdict::passed);
  EXPECT_EQ(refused_for("reading-not-fresh"), ProofVerdict::failed);
  ProofJudge judge(reversed, began);
  EXPECT_FALSE(judge.see(in_state("arming", "arming"), began + 1s));
  const auto energised = judge.see(in_state("energised"), began + 2s);
  ASSERT_TRUE(energised);
  EXPECT_EQ(energised->verdict, ProofVerdict::failed);
  EXPECT_TRUE(energised->not_off);
}

TEST(ProofJudge, waits_for_the_daemon_to_die_and_fails_where_it_does_not) {
  const ProofTrial killed = trial("daemon-killed");
  ProofJudge judge(killed, began);
  EXPECT_FALSE(judge.see(in_state("energised"), began + 1s));
  EXPECT_FALSE(judge.see({.answers = false}, began + 2s));
  EXPECT_EQ(judge.see({.answers = false}, began + 3s)->verdict, ProofVerdict::passed);
  // Started again at once: what it says of the life before tells that there was an end.
  EXPECT_EQ(ProofJudge(killed, began)
                .see(tripped("interrupted", "the daemon ended"), began + 1s)
                ->verdict,
            ProofVerdict::passed);
  EXPECT_EQ(ProofJudge(killed, began).see(tripped("voltage-high", ""), began + 1s)->verdict,
            ProofVerdict::failed);
  EXPECT_EQ(ProofJudge(killed, began).see(in_state("energised"), began + 3min)->verdict,
            ProofVerdict::failed);
}

TEST(ProofJudge, believes_a_dead_man_only_that_says_it_proved_every_output_off) {  // S6 S9
  const std::vector<std::string> off{"every output is verified off"};
  const ProofSight back = tripped("interrupted", "the daemon ended while a run was armed");
  EXPECT_EQ(judge_return(back, off).verdict, ProofVerdict::passed);
  EXPECT_EQ(judge_return(back, {}).verdict, ProofVerdict::failed);
  EXPECT_EQ(judge_return(back, {"NOT every output is verified off"}).verdict, ProofVerdict::failed);
  EXPECT_EQ(judge_return(in_state("off", ""), off).verdict, ProofVerdict::failed);
  EXPECT_EQ(judge_return({.answers = false}, off).verdict, ProofVerdict::failed);
  const ProofFinding on = judge_return(in_state("energised"), off);
  EXPECT_EQ(on.verdict, ProofVerdict::failed);
  EXPECT_TRUE(on.not_off);
}

// ---- the sheet ----------------------------------------------------------------------------------

ProofSheet sheet_with(ProofVerdict last) {
  ProofSheet sheet{.bench = "<hut>",
                   .channel = "left",
                   .cell = "hut-radio-20",
                   .version = "0",
                   .started = "2026-01-02 03:04:05",
                   .ended = "2026-01-02 03:44:05",
                   .instruments = {"supply: Example & Sons"},
                   .plan = plan_of(),
                   .results = {},
                   .ended_early = {}};
  for (const ProofTrial& one : sheet.plan.trials) {
    sheet.results.push_back({.trial = one, .finding = {ProofVerdict::passed, "as it must"}});
  }
  sheet.results.back().finding = {last, "of it"};
  return sheet;
}

TEST(ProofSheet, proves_a_bench_only_where_every_trial_passed) {
  EXPECT_TRUE(sheet_with(ProofVerdict::passed).proved());
  for (const ProofVerdict verdict : {ProofVerdict::failed, ProofVerdict::skipped}) {
    const ProofSheet sheet = sheet_with(verdict);
    EXPECT_FALSE(sheet.proved());
    EXPECT_NE(proof_text(sheet).find("13 of 14 trials passed"), std::string::npos);
    EXPECT_NE(proof_page(sheet).find("the bench is not proved"), std::string::npos);
    EXPECT_FALSE(proof_json(sheet).at("proved").as_bool());
  }
}

TEST(ProofSheet, has_a_page_that_stands_alone_with_room_to_sign) {
  const std::string page = proof_page(sheet_with(ProofVerdict::failed));
  EXPECT_EQ(page.find("<hut>"), std::string::npos);
  EXPECT_NE(page.find("&lt;hut&gt;"), std::string::npos);
  EXPECT_NE(page.find("Example &amp; Sons"), std::string::npos);
  for (const char* outside : {"http:", "https:", "<script", "src=", "@import", "url("}) {
    EXPECT_EQ(page.find(outside), std::string::npos) << outside;
  }
  for (const char* word : {"name</div>", "signature</div>", "FAILED", "over-voltage"}) {
    EXPECT_NE(page.find(word), std::string::npos) << word;
  }
}

}  // namespace
}  // namespace chargewright::daemon

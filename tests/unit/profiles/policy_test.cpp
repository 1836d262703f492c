#include "profiles/policy.h"

#include <gtest/gtest.h>

#include <filesystem>

#include "tests/support/places.h"

namespace chargewright::profiles {
namespace {

using namespace drivers;

std::string why_not(const std::string& text) {
  const Checked<Policy> policy = read_policy(parse_document(text, "policy.yaml").value());
  return policy ? "accepted" : describe(policy.error());
}

TEST(Policy, reads_limits_in_absolute_units_and_what_an_unattended_run_must_have) {
  const Policy policy =
      read_policy(parse_document("limits: {temperature: {above: 55 degC}, time: {above: 12 h}}\n"
                                 "unattended: {thermometers: 2}\n",
                                 "policy.yaml")
                      .value())
          .value();
  EXPECT_EQ(policy.thermometers, 2);
  const safety::Limits limits = resolve(policy.limits, coulombs(0), safety::Origin::policy);
  EXPECT_EQ(limits.temperature_above->value, celsius(55));
  EXPECT_EQ(limits.temperature_above->origin, safety::Origin::policy);
}

TEST(Policy, refuses_what_has_no_meaning_without_a_cell) {
  EXPECT_EQ(why_not("limits: {current: {above: 3 C}, charge: {above: 110 %}}\n"),
            "policy.yaml:1:27: a C-rate has no meaning here, where no cell is known; write "
            "amperes, for example 1.5 A\n"
            "policy.yaml:1:49: per cent of a capacity has no meaning here, where no cell is known; "
            "write ampere-hours, for example 2.4 Ah");
  EXPECT_EQ(why_not("unattended: {thermometers: 9}\n"),
            "policy.yaml:1:28: `thermometers` must be a whole number from 0 to 8");
  EXPECT_EQ(why_not("unattended: {resume: no}\n"),
            "policy.yaml:1:22: `resume` must be `never` or `as-the-profile-says`");
  EXPECT_EQ(why_not("unatended: {thermometers: 1}\n"),
            "policy.yaml:1:1: unknown key `unatended` in a policy; did you mean `unattended`?");
}

TEST(Policy, may_forbid_that_a_run_resumes_by_itself) {  // S9
  const auto forbids = [](const std::string& text) {
    return read_policy(parse_document(text, "policy.yaml").value()).value().resumption_forbidden;
  };
  EXPECT_TRUE(forbids("unattended: {resume: never}\n"));
  EXPECT_FALSE(forbids("unattended: {resume: as-the-profile-says}\n"));
  EXPECT_FALSE(forbids("unattended: {thermometers: 1}\n"));
}

TEST(Policy, takes_a_file_that_is_not_there_for_no_policy_and_any_other_trouble_for_a_failure) {
  EXPECT_EQ(load_policy("/nonexistent/policy.yaml").value().thermometers, 0);
  EXPECT_TRUE(load_policy("/nonexistent/policy.yaml").value().file.empty());
  EXPECT_FALSE(load_policy(std::filesystem::temp_directory_path()).has_value());
}

// A policy that someone put there and that leads nowhere is not "none" (S2).
TEST(Policy, takes_a_link_that_leads_nowhere_for_a_failure) {
  const std::string link = testing::TempDir() + "policy-of-nowhere.yaml";
  std::filesystem::remove(link);
  std::filesystem::create_symlink("/nonexistent/policy.yaml", link);
  EXPECT_FALSE(load_policy(link).has_value());
  std::filesystem::remove(link);
}

// Nor is one whose folder cannot be looked into: nobody knows what would stand there.
TEST(Policy, takes_a_folder_that_leads_nowhere_for_a_failure) {  // S2
  const std::string folder = testing::TempDir() + "policies-of-nowhere";
  std::filesystem::remove(folder);
  std::filesystem::create_symlink("/nonexistent", folder);
  EXPECT_FALSE(load_policy(folder + "/policy.yaml").has_value());
  std::filesystem::remove(folder);
  std::filesystem::create_directory(folder);
  EXPECT_TRUE(load_policy(folder + "/policy.yaml").has_value());
  std::filesystem::remove(folder);
}

TEST(Policy, the_one_that_is_shipped_is_sound) {
  const Checked<Policy> policy = load_policy(test::in_source("systemd/policy.yaml"));
  ASSERT_TRUE(policy.has_value()) << describe(policy.error());
  EXPECT_EQ(policy->thermometers, 1);
  EXPECT_TRUE(policy->resumption_forbidden);
}

}  // namespace
}  // namespace chargewright::profiles

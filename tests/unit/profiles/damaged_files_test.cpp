// Files are written by people, and files get damaged: whatever bytes stand in one, a reader answers
// with what it read or with problems, and what it read passes through check without harm.

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <iterator>
#include <random>

#include "profiles/check.h"
#include "tests/support/places.h"

namespace chargewright::profiles {
namespace {

using namespace drivers;

std::string shipped(const std::string& name) {
  std::ifstream in(test::in_source(name));
  return {std::istreambuf_iterator<char>(in), {}};
}

const std::string bench_text =
    "bench: hut\ninstruments:\n  supply: {link: \"tcp://127.0.0.1:1\", dialect: s, identity: "
    "\"a.*\",\n    ratings: {voltage: 20 V, current: 20 A},\n    accuracy: {voltage: 0.05 % + 5 "
    "mV}}\n  probe: {link: \"serial:///dev/x?baud=9600\", dialect: t, deadlines: {respond: 1 "
    "s}}\nchannels:\n  left:\n    source: supply\n    temperature: [probe/1, probe/2]\n    wiring: "
    "{gauge: 8 AWG, length: 0.6 m, joints: 0.4 mohm, rated: 40 A}\n    every: 100 ms\n    "
    "disagree: "
    "{voltage: 50 mV, for: 1 s}\n";

class Damage {
 public:
  explicit Damage(std::uint32_t seed) : random_(seed) {}

  std::string operator()(std::string text) {
    static const std::string pieces[] = {"1e308", "-1", "0",  "1e-320", "nan", "C/0", "99999999999",
                                         ": ",    "[",  "]",  "{",      "}",   ", ",  "\n",
                                         "- ",    " V", " A", "%",      " C",  "°",   "for 5 s"};
    for (std::size_t times = 1 + random_() % 4; times > 0; --times) {
      const std::size_t at = random_() % (text.size() + 1);
      switch (random_() % 5) {
        case 0:
          text.insert(at, pieces[random_() % std::size(pieces)]);
          break;
        case 1:
          text.erase(at, 1 + random_() % 12);
          break;
        case 2:
          if (at < text.size()) text[at] = static_cast<char>(random_() % 256);
          break;
        case 3: {  // another number where one stands
          const std::size_t digit = text.find_first_of("0123456789", at);
          if (digit != std::string::npos) text.replace(digit, 1, pieces[random_() % 7]);
          break;
        }
        default: {  // a line moves
          const std::size_t begin = text.find('\n', at);
          if (begin == std::string::npos) break;
          const std::string line = text.substr(begin, text.find('\n', begin + 1) - begin);
          text.erase(begin, line.size());
          text.insert(random_() % (text.size() + 1), line);
        }
      }
    }
    return text;
  }

 private:
  std::mt19937 random_;
};

template <class T, class Read>
std::optional<T> survive(const std::string& text, Read read) {
  const Checked<Document> document = parse_document(text, "f.yaml");
  if (!document) {
    EXPECT_FALSE(document.error().list.empty());
    return std::nullopt;
  }
  Checked<T> result = read(*document);
  if (result) return std::move(*result);
  EXPECT_FALSE(result.error().list.empty()) << text;
  EXPECT_FALSE(describe(result.error()).empty());
  return std::nullopt;
}

TEST(DamagedFiles, are_read_or_refused_and_never_do_harm) {
  constexpr std::uint32_t seed = 20260102;
  Damage damage(seed);
  const Cell sound_cell = load_cell(test::in_source("profiles/cells/hut-radio-24.yaml")).value();
  const Bench sound_bench = survive<Bench>(bench_text, read_bench).value();
  const std::string cell_text = shipped("profiles/cells/hut-radio-24.yaml");
  const std::string edlc_text = shipped("profiles/cells/hut-buffer-edlc.yaml");
  const std::string profile_text = shipped("profiles/library/lamp-overnight.yaml");
  const Profile sound_profile = survive<Profile>(profile_text, read_profile).value();
  ASSERT_FALSE(cell_text.empty());
  ASSERT_FALSE(edlc_text.empty());
  int read = 0;
  for (int round = 0; round < 1500; ++round) {
    SCOPED_TRACE("seed " + std::to_string(seed) + ", round " + std::to_string(round));
    const auto cell = survive<Cell>(damage(round % 2 == 0 ? cell_text : edlc_text), read_cell);
    const auto profile = survive<Profile>(damage(profile_text), read_profile);
    const auto bench = survive<Bench>(damage(bench_text), read_bench);
    const auto policy = survive<Policy>(damage(shipped("systemd/policy.yaml")), read_policy);
    read += cell.has_value() + profile.has_value() + bench.has_value() + policy.has_value();
    const CheckReport report = check(profile.value_or(sound_profile), cell.value_or(sound_cell),
                                     bench.value_or(sound_bench), 0, policy.value_or(Policy{}));
    // What passes has limits that can be enforced, and every ceiling below them.
    if (!report.problems.empty()) continue;
    EXPECT_EQ(safety::defect(report.plan.limits), "");
    for (const PlannedStep& step : report.procedure.steps) {
      if (step.verb != StepVerb::charge) continue;
      EXPECT_LT(step.ceilings.current, report.plan.limits.current_above->value);
      EXPECT_LT(step.ceilings.voltage, report.plan.limits.voltage_above->value);
      EXPECT_LE(step.ceilings.voltage.value(), report.plan.full.value() * (1 + 1e-9));
    }
  }
  EXPECT_GT(read, 100);  // the damage leaves some readable: checks are reached too
}

}  // namespace
}  // namespace chargewright::profiles

// The storm: random benches, cells and profiles, and whatever can break, through the very code that
// runs in the daemon, byte streams included, in virtual time. A seed that fails is printed, made
// short, and replays exactly.

#include <CLI/CLI.hpp>
#include <chrono>
#include <cstdio>
#include <ctime>
#include <exception>

#include "safety/fault.h"
#include "tests/storm/shrink.h"
#include "tests/storm/theatre.h"

namespace {

using namespace chargewright;
using namespace chargewright::storm;

double cpu_minutes() { return static_cast<double>(std::clock()) / CLOCKS_PER_SEC / 60; }

void print(const char* title, const std::map<std::string, std::uint64_t>& counts) {
  std::printf("%s\n", title);
  for (const auto& [name, count] : counts) {
    std::printf("  %10llu  %s\n", static_cast<unsigned long long>(count), name.c_str());
  }
}

void print(const Coverage& c, double minutes) {
  std::printf("%llu seeds, %llu runs, %llu readings, %llu moments\n",
              static_cast<unsigned long long>(c.seeds), static_cast<unsigned long long>(c.runs),
              static_cast<unsigned long long>(c.readings),
              static_cast<unsigned long long>(c.moments));
  std::printf(
      "%.0f bench-hours, %.0f charge-hours in %.2f CPU minutes: %.0f charge-hours a CPU minute\n",
      c.bench_hours, c.charge_hours, minutes, c.charge_hours / minutes);
  // The measure of its speed is a charge that is read once a second; most benches read more.
  const double once_a_second = static_cast<double>(c.readings) / 3600;
  std::printf("%.1f readings in each second of charging; at one: %.0f charge-hours a CPU minute\n",
              once_a_second / c.charge_hours, once_a_second / minutes);
}

void print_overshoots(const Coverage& c) {
  std::printf("excursions judged by the response-time budget, and how much of it was needed\n");
  for (std::size_t k = 0; k < c.overshoots.size(); ++k) {
    std::printf("  %10llu  %s, at most %.3f of the bound\n",
                static_cast<unsigned long long>(c.overshoots[k].judged),
                safety::key_of(Overshoots::quantities[k]).data(), c.overshoots[k].nearest);
  }
}

// Every cause and every fault that no seed so far has reached.
void print_missing(const Coverage& c) {
  std::string missing;
  for (std::size_t k = 0; k < safety::cause_count; ++k) {
    const std::string name(safety::key_of(static_cast<safety::Cause>(k)));
    if (!c.trips.contains(name)) missing += ' ' + name;
  }
  std::printf("no trip by:%s\n", missing.empty() ? " -" : missing.c_str());
  missing.clear();
  const auto reached = [&](std::string_view name) {
    for (const auto& [key, count] : c.deeds) {
      if (key.starts_with(std::string(name) + " while ")) return true;
    }
    return false;
  };
  for (std::uint8_t k = 0; k < drivers::simulated::fault_kind_count; ++k) {
    const auto name = name_of(static_cast<drivers::simulated::FaultKind>(k));
    if (!reached(name)) missing += ' ' + std::string(name);
  }
  for (std::size_t k = 1; k < deed_count; ++k) {
    const auto name = name_of(static_cast<Deed>(k));
    if (!reached(name)) missing += ' ' + std::string(name);
  }
  std::printf("never befell:%s\n", missing.empty() ? " -" : missing.c_str());
}

struct Options {
  std::uint64_t seed = 1;
  std::uint64_t runs = 1;
  double minutes = 0;
  bool shrink = false;
  bool trace = false;
  bool fresh = false;
  bool table = false;
  bool go_on = false;
  std::vector<std::size_t> keep;
};

void print_files(const Scenario& scenario) {
  std::printf("%s", scenario.bench_text.c_str());
  for (std::size_t c = 0; c < scenario.jobs.size(); ++c) {
    std::printf("# channel %zu\n%s", c, scenario.jobs[c].front().cell_text.c_str());
    for (const Job& job : scenario.jobs[c]) std::printf("%s", job.profile_text.c_str());
  }
}

void report(const Scenario& scenario, const Violation& violation, const Options& options) {
  std::printf(
      "FAILED seed %llu after %.6f s: %s: %s\n", static_cast<unsigned long long>(scenario.seed),
      drivers::in_seconds(violation.at - opening), violation.claim.c_str(), violation.text.c_str());
  std::string keep;
  if (options.shrink && options.keep.empty()) {
    const auto fails = [&](const std::vector<std::size_t>& kept) {
      const Outcome outcome = play(with_only(scenario, kept));
      return outcome.violation && outcome.violation->claim == violation.claim;
    };
    const auto kept = shrunk(scenario.happenings.size(), fails);
    std::printf("of %zu happenings these are enough:\n", scenario.happenings.size());
    for (const std::size_t k : kept) {
      std::printf("  %s\n", describe(scenario.happenings[k], scenario.bench).c_str());
      keep += (keep.empty() ? "" : ",") + std::to_string(k);
    }
  }
  std::printf("replay: storm --seed %llu%s --trace\n",
              static_cast<unsigned long long>(scenario.seed),
              keep.empty() ? "" : (" --keep " + keep).c_str());
  std::fflush(stdout);
}

int run(const Options& options) {
  Coverage all;
  std::uint64_t failed = 0;
  const double began = cpu_minutes();
  double told = began;
  for (std::uint64_t k = 0; options.minutes > 0 || k < options.runs; ++k) {
    if (options.minutes > 0 && cpu_minutes() - began >= options.minutes) break;
    Scenario scenario = scenario_of(options.seed + k);
    if (!options.keep.empty()) scenario = with_only(std::move(scenario), options.keep);
    if (options.trace) print_files(scenario);
    const Outcome outcome = play(scenario, {.trace = options.trace});
    all.add(outcome.coverage);
    if (outcome.violation) {
      report(scenario, *outcome.violation, options);
      ++failed;
      if (!options.go_on) break;
    }
    if (cpu_minutes() - told >= 5) {
      told = cpu_minutes();
      std::printf(
          "up to seed %llu, %llu failed: ", static_cast<unsigned long long>(options.seed + k),
          static_cast<unsigned long long>(failed));
      print(all, told - began);
      std::fflush(stdout);
    }
  }
  std::printf("seeds from %llu: ", static_cast<unsigned long long>(options.seed));
  print(all, cpu_minutes() - began);
  if (options.table) {
    print("runs ended", all.outcomes);
    print("tripped by", all.trips);
    print("causes present, alone or beside others", all.causes);
    print("what befell, and when", all.deeds);
    print_overshoots(all);
  }
  if (options.runs > 1 || options.minutes > 0) print_missing(all);
  std::printf("%llu failed\n", static_cast<unsigned long long>(failed));
  return failed == 0 ? 0 : 1;
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app("random faults in virtual time");
  app.add_option("--seed", options.seed, "the first seed");
  app.add_option("--runs", options.runs, "how many seeds, upward");
  app.add_option("--minutes", options.minutes, "of processor time, instead of --runs");
  app.add_flag("--fresh", options.fresh, "begin at a seed that the clock gives");
  app.add_flag("--shrink", options.shrink, "make the schedule of a failing seed short");
  app.add_flag("--trace", options.trace, "print files and events");
  app.add_flag("--table", options.table, "print what was reached, and how often");
  app.add_flag("--go-on", options.go_on, "do not stop at a seed that fails");
  app.add_option("--keep", options.keep, "of the happenings only these, by number")->delimiter(',');
  CLI11_PARSE(app, argc, argv);
  if (options.fresh) {
    options.seed =
        static_cast<std::uint64_t>(std::chrono::system_clock::now().time_since_epoch().count());
    std::printf("fresh seed %llu\n", static_cast<unsigned long long>(options.seed));
  }
  try {
    return run(options);
  } catch (const std::exception& e) {
    std::fprintf(stderr, "storm: %s\n", e.what());
    return 2;
  }
}

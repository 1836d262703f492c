// Makes every call of a whole short run fail once: started, charged for a moment, stopped; for each
// kind of call, each way in which it may fail, and every n. Prints what became of each, and a
// table. Ends with 1 where one of them was a defect: an output left on, a hang, a broken record, a
// run that calls itself complete and is not, damaged state.
//
//   every_call [--kinds read,write,...] [--jobs N] [--every N] [--from N] [--most N]
//              [--sample N [--seed S]] [--list FILE]
//
// A trial waits most of the time: many run side by side.
#include <algorithm>
#include <atomic>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <iostream>
#include <map>
#include <mutex>
#include <random>
#include <sstream>
#include <thread>
#include <vector>

#include "tests/calls/trial.h"
#include "tests/support/fail_ways.h"

namespace {

using namespace chargewright::test;

struct Options {
  std::string kinds;
  unsigned jobs = 6;
  std::uint64_t every = 1, from = 1, most = 1'000'000;
  std::size_t sample = 0;
  std::uint64_t seed = 0;
  std::string list;
};

bool wants(const Options& options, const std::string& kind) {
  return options.kinds.empty() ||
         (',' + options.kinds + ',').find(',' + kind + ',') != std::string::npos;
}

std::uint64_t count_of(const Trial& trial, const std::string& kind) {
  for (std::size_t k = 0; k < fail_kinds; ++k) {
    if (kind == fail_kind_names[k]) return trial.counts[k];
  }
  return 0;
}

std::vector<Failing> plan(const Options& options) {
  Trial whole;
  Trial start;
  for (int attempt = 0; attempt < 3 && whole.ended != Ended::went_on; ++attempt) {
    whole = try_with({});  // a machine that is busy may trip it, rightly
  }
  for (int attempt = 0; attempt < 3 && start.ended != Ended::went_on; ++attempt) {
    start = try_with({.start_only = true});
  }
  if (whole.ended != Ended::went_on || start.ended != Ended::went_on) {
    throw std::runtime_error("without a failure the run is " + std::string(key_of(whole.ended)) +
                             ": " + whole.note + start.note);
  }
  std::vector<Failing> all;
  for (const FailWay& way : fail_ways) {
    if (!wants(options, way.kind)) continue;
    const bool alloc = std::strcmp(way.kind, "alloc") == 0;
    const std::uint64_t calls = std::min(options.most, count_of(alloc ? start : whole, way.kind));
    std::cout << way.kind << ": " << calls << " calls" << (alloc ? " until ready" : "") << '\n';
    for (const std::string& how : way.hows) {
      for (std::uint64_t n = options.from; n <= calls; n += options.every) {
        all.push_back({.kind = way.kind, .call = n, .how = how, .start_only = alloc});
      }
    }
  }
  if (options.sample > 0) {
    std::mt19937_64 random(options.seed);
    std::shuffle(all.begin(), all.end(), random);
    if (all.size() > options.sample) all.resize(options.sample);
  }
  return all;
}

Options parse(int count, char** words) {
  Options options;
  options.seed = std::random_device{}();
  for (int i = 1; i + 1 < count; i += 2) {
    const std::string word = words[i];
    const std::string value = words[i + 1];
    if (word == "--kinds") options.kinds = value;
    if (word == "--jobs") options.jobs = static_cast<unsigned>(std::stoul(value));
    if (word == "--every") options.every = std::stoull(value);
    if (word == "--from") options.from = std::stoull(value);
    if (word == "--most") options.most = std::stoull(value);
    if (word == "--sample") options.sample = std::stoull(value);
    if (word == "--seed") options.seed = std::stoull(value);
    if (word == "--list") options.list = value;
  }
  return options;
}

std::string line_of(const Failing& failing, const Trial& trial) {
  std::ostringstream line;
  line << key_of(trial.ended) << '\t' << failing.kind << '\t' << failing.call << '\t' << failing.how
       << '\t' << trial.off_after_s << '\t' << trial.where << '\t' << trial.note << '\n';
  return line.str();
}

int sweep(const Options& options) {
  const std::vector<Failing> all = plan(options);
  std::cout << all.size() << " trials, " << options.jobs << " side by side";
  if (options.sample > 0) std::cout << ", seed " << options.seed;
  std::cout << std::endl;
  std::ofstream list;
  if (!options.list.empty()) list.open(options.list);
  std::mutex mutex;
  std::map<std::string, std::map<Ended, int>> table;
  int defects = 0;
  std::atomic<std::size_t> next{0};
  std::vector<std::thread> workers;
  for (unsigned w = 0; w < options.jobs; ++w) {
    workers.emplace_back([&] {
      for (std::size_t i = next++; i < all.size(); i = next++) {
        const Trial trial = try_with(all[i]);
        const std::lock_guard lock(mutex);
        ++table[all[i].kind + ' ' + all[i].how][trial.ended];
        if (list) list << line_of(all[i], trial) << std::flush;
        if (!is_defect(trial.ended)) continue;
        ++defects;
        std::cout << line_of(all[i], trial) << std::flush;
      }
    });
  }
  for (std::thread& worker : workers) worker.join();
  for (const auto& [kind, endings] : table) {
    std::printf("%-20s", kind.c_str());
    for (const auto& [ended, times] : endings) {
      std::printf("  %s %d", std::string(key_of(ended)).c_str(), times);
    }
    std::printf("\n");
  }
  std::printf("%zu trials, %d defects\n", all.size(), defects);
  return defects == 0 && !all.empty() ? 0 : 1;
}

}  // namespace

int main(int count, char** words) {
  try {
    return sweep(parse(count, words));
  } catch (const std::exception& failure) {
    std::cerr << failure.what() << '\n';
    return 1;
  }
}

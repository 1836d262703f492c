#include "daemon/cli/bench_basis.h"

#include <boost/json.hpp>

#include "daemon/bench/addressing.h"
#include "daemon/bench/plant.h"
#include "daemon/bench/roles.h"
#include "daemon/cli/client.h"
#include "daemon/cli/facts.h"
#include "daemon/record/digest.h"
#include "daemon/serve/daemon_files.h"
#include "daemon/serve/data_folders.h"

namespace chargewright::daemon {
namespace {

using boost::json::object;

// A daemon that is not there or is busy keeps nobody waiting: the times are then assumed.
constexpr std::chrono::milliseconds patience{1000};

// What a daemon says of the bench that it runs, where that has this name.
std::optional<object> told_of(const CommandLine& line, const profiles::Bench& bench) {
  const auto reply = Client(line.socket).get("/v1/bench", patience);
  if (!reply || !reply->ok() || !reply->json.is_object()) return {};
  if (text_in(reply->json.get_object(), "bench") != bench.name) return {};
  return reply->json.get_object();
}

// By InstrumentId; zero where nothing is known. Only of a bench with the same name, instruments and
// links: the times of another prove nothing.
std::vector<drivers::Duration> measured(const CommandLine& line, const profiles::Bench& bench) {
  std::vector<drivers::Duration> times(bench.instruments.size());
  const auto facts = told_of(line, bench);
  const auto* instruments = facts ? array_in(*facts, "instruments") : nullptr;
  if (instruments == nullptr || instruments->size() != times.size()) return times;
  std::vector<drivers::Duration> found(times.size());
  for (std::size_t k = 0; k < found.size(); ++k) {
    const object* one = (*instruments)[k].if_object();
    if (one == nullptr || text_in(*one, "name") != bench.instruments[k].name ||
        text_in(*one, "link") != bench.instruments[k].link_text) {
      return times;
    }
    found[k] = drivers::seconds(number_in(*one, "round_trip_worst_s").value_or(0));
  }
  return found;
}

}  // namespace

std::vector<drivers::Failure> not_in_force(const object& facts, const CommandLine& line,
                                           const BenchFiles& files) {
  std::vector<drivers::Failure> notes;
  const auto compare = [&](std::string_view key, const std::string& digest, const std::string& file,
                           const std::string& other) {
    if (text_in(facts, key) == digest) return;
    notes.push_back({.place = {.file = file},
                     .cause = "the daemon that runs this bench has read " + other,
                     .advice = "restart it when no run is going on, or give what it runs by"});
  };
  const std::string text = "another text than this one, which is not in force";
  compare("file_sha256", sha256(files.bench.text), files.bench.file, text);
  compare("policy_sha256", sha256(files.policy.text), line.policy, text);
  // One that cannot be read is missing, and differs.
  std::vector<drivers::Dialect> dialects;
  for (const auto& instrument : files.bench.instruments) {
    auto dialect = drivers::load_dialect(instrument.dialect, dialect_folders(line.dialects));
    if (dialect) dialects.push_back(std::move(*dialect));
  }
  compare("dialects_sha256", dialects_sha256(dialect_texts(dialects)), "",
          "other dialects than those found here, which are not in force");
  return notes;
}

std::vector<drivers::Failure> not_in_force(const CommandLine& line, const BenchFiles& files) {
  const auto facts = told_of(line, files.bench);
  return facts ? not_in_force(*facts, line, files) : std::vector<drivers::Failure>{};
}

drivers::Checked<std::vector<drivers::Dialect>> load_bench_dialects(const CommandLine& line,
                                                                    const BenchFiles& files) {
  drivers::Failures problems;
  std::vector<drivers::Dialect> dialects;
  for (const auto& instrument : files.bench.instruments) {
    auto dialect = drivers::load_dialect(instrument.dialect, dialect_folders(line.dialects));
    if (!dialect) {
      for (const auto& problem : dialect.error().list) problems.list.push_back(problem);
      continue;
    }
    dialects.push_back(std::move(*dialect));
  }
  if (!problems.list.empty()) return problems;
  problems = unfit(files.bench, dialects);
  if (!problems.list.empty()) return problems;
  problems = unaddressed(files.bench, dialects);
  if (!problems.list.empty()) return problems;
  return dialects;
}

profiles::Basis load_basis(const CommandLine& line, const BenchFiles& files,
                           const std::vector<drivers::Dialect>& dialects) {
  return basis_of(files.bench.channels[files.channel], dialects, measured(line, files.bench));
}

}  // namespace chargewright::daemon

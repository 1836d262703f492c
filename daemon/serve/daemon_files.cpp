#include "daemon/serve/daemon_files.h"

#include <algorithm>
#include <filesystem>

#include "daemon/bench/addressing.h"
#include "daemon/bench/plant.h"
#include "daemon/bench/roles.h"
#include "daemon/record/digest.h"
#include "daemon/serve/data_folders.h"

namespace chargewright::daemon {
namespace {

using drivers::Failures;

template <class T>
void gather(const drivers::Checked<T>& loaded, Failures& problems) {
  if (loaded) return;
  for (const auto& problem : loaded.error().list) problems.list.push_back(problem);
}

// The texts that this dialect was read from; each once.
void record_dialect(const drivers::Dialect& dialect, std::vector<RecordedFile>& recorded) {
  for (const drivers::Dialect::File& file : dialect.files) {
    const std::string name = std::filesystem::path(file.path).stem().string();
    const auto known = [&](const RecordedFile& f) { return f.role == "dialect" && f.name == name; };
    if (std::ranges::any_of(recorded, known)) continue;
    recorded.push_back({.role = "dialect", .name = name, .text = file.text});
  }
}

}  // namespace

drivers::Checked<DaemonFiles> load_daemon_files(const DaemonOptions& options) {
  Failures problems;
  auto bench = profiles::load_bench(options.bench);
  auto policy = profiles::load_policy(options.policy);
  gather(bench, problems);
  gather(policy, problems);
  if (!bench) return problems;

  DaemonFiles files;
  const auto folders = dialect_folders(options.dialects);
  for (const auto& instrument : bench->instruments) {
    auto dialect = drivers::load_dialect(instrument.dialect, folders);
    gather(dialect, problems);
    if (dialect) files.dialects.push_back(std::move(*dialect));
  }
  files.recorded = dialect_texts(files.dialects);
  if (!problems.list.empty()) return problems;
  problems = unfit(*bench, files.dialects);
  if (!problems.list.empty()) return problems;
  problems = unaddressed(*bench, files.dialects);
  if (!problems.list.empty()) return problems;

  files.recorded.push_back({.role = "bench", .name = bench->file, .text = bench->text});
  if (!policy->file.empty()) {
    files.recorded.push_back({.role = "policy", .name = policy->file, .text = policy->text});
  }
  files.plant = make_plant(*bench, files.dialects);
  stretch_for_speed(files.plant, options.speed);
  files.bench = std::move(*bench);
  files.policy = std::move(*policy);
  return files;
}

std::vector<RecordedFile> dialect_texts(const std::vector<drivers::Dialect>& dialects) {
  std::vector<RecordedFile> texts;
  for (const auto& dialect : dialects) record_dialect(dialect, texts);
  return texts;
}

std::string dialects_sha256(const std::vector<RecordedFile>& files) {
  std::string all;
  for (const RecordedFile& file : files) {
    if (file.role == "dialect") all += sha256(file.text) + '\n';
  }
  return sha256(all);
}

}  // namespace chargewright::daemon

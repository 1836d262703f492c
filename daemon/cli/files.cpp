#include "daemon/cli/files.h"

#include "daemon/serve/data_folders.h"

namespace chargewright::daemon {
namespace {

using drivers::Checked;
using drivers::Failures;

template <class T>
void gather(const Checked<T>& loaded, Failures& problems) {
  if (loaded) return;
  for (const auto& problem : loaded.error().list) problems.list.push_back(problem);
}

}  // namespace

Checked<ProfileAndCell> load_profile_and_cell(const CommandLine& line) {
  Failures problems;
  auto profile = profiles::load_profile(line.profile);
  gather(profile, problems);
  if (line.cell.empty()) {
    if (!profile) return problems;
    auto cell = profiles::load_cell_of(*profile, cell_folders());
    if (!cell) return cell.error();
    return ProfileAndCell{.profile = std::move(*profile), .cell = std::move(*cell)};
  }
  auto cell = profiles::load_cell(line.cell);
  gather(cell, problems);
  if (!problems.list.empty()) return problems;
  return ProfileAndCell{.profile = std::move(*profile), .cell = std::move(*cell)};
}

Checked<BenchFiles> load_bench_files(const CommandLine& line) {
  Failures problems;
  auto bench = profiles::load_bench(line.bench);
  gather(bench, problems);
  auto policy = profiles::load_policy(line.policy);
  gather(policy, problems);
  if (!problems.list.empty()) return problems;
  const auto channel = profiles::find_channel(*bench, line.channel);
  if (!channel) return Failures{{channel.error()}};
  return BenchFiles{.bench = std::move(*bench), .policy = std::move(*policy), .channel = *channel};
}

}  // namespace chargewright::daemon

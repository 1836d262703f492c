#include "daemon/cli/cut_targets.h"

#include <algorithm>
#include <filesystem>
#include <set>

namespace chargewright::daemon {

namespace fs = std::filesystem;

std::vector<CutTarget> cut_targets(const std::string& sockets, const std::string& benches) {
  std::error_code ignored;
  std::set<std::string> files;
  for (const auto& entry : fs::directory_iterator(benches, ignored)) {
    if (entry.path().extension() == ".yaml") files.insert(entry.path().string());
  }
  std::vector<CutTarget> targets;
  for (const auto& entry : fs::directory_iterator(sockets, ignored)) {
    const std::string socket = (entry.path() / "control").string();
    if (!fs::exists(socket, ignored)) continue;
    const std::string file = benches + '/' + entry.path().filename().string() + ".yaml";
    targets.push_back({socket, files.erase(file) > 0 ? file : std::string{}});
  }
  std::ranges::sort(targets, {}, &CutTarget::socket);
  if (const std::string socket = sockets + "/control"; fs::exists(socket, ignored)) {
    targets.push_back({socket, {}});
  }
  for (const auto& file : files) targets.push_back({{}, file});
  return targets;
}

bool is_same_file(const std::string& one, const std::string& other) {
  std::error_code ignored;
  return !one.empty() && (one == other || fs::equivalent(one, other, ignored));
}

std::vector<CutTarget> whom_to_cut(const CutWish& wish, std::vector<CutTarget> known) {
  const auto of = [&](const std::string& socket) {
    return std::ranges::find(known, socket, &CutTarget::socket);
  };
  const std::string& asked = wish.socket.empty() ? wish.usual : wish.socket;
  CutTarget one{.socket = asked, .bench = wish.bench};
  if (wish.socket.empty() && !wish.bench.empty()) {
    const auto its = std::ranges::find_if(
        known, [&](const CutTarget& target) { return is_same_file(target.bench, wish.bench); });
    one.socket = its != known.end() ? its->socket : std::string{};
    return {one};
  }
  if (wish.socket.empty() && (wish.direct || !wish.channel)) {
    const bool another = wish.exported ? of(asked) == known.end() : known.empty();
    if (another && !wish.direct) known.insert(known.begin(), {.socket = asked, .bench = {}});
    return known;
  }
  if (one.bench.empty() && of(asked) != known.end()) one.bench = of(asked)->bench;
  // Its daemon is gone, with its socket; but nobody has pointed at another one.
  const bool only = known.size() == 1 && wish.socket.empty() && !wish.exported;
  if (one.bench.empty() && only) one.bench = known.front().bench;
  return {one};
}

}  // namespace chargewright::daemon

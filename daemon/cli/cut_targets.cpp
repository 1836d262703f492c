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
    targets.push_back({socket, files.size() == 1 ? *files.begin() : std::string{}});
    if (files.size() == 1) files.clear();
  }
  for (const auto& file : files) targets.push_back({{}, file});
  return targets;
}

}  // namespace chargewright::daemon

#include "daemon/serve/data_folders.h"

#include <cstdlib>
#include <filesystem>

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;

// The data beside this program: `share` of its own prefix, or the tree it was built in.
fs::path own_prefix() {
  std::error_code ignored;
  const fs::path program = fs::read_symlink("/proc/self/exe", ignored);
  return program.parent_path().parent_path();
}

std::vector<std::string> data_folders(const char* variable, const std::string& name,
                                      const std::string& in_tree) {
  std::vector<std::string> folders;
  if (const char* set = std::getenv(variable); set != nullptr && *set != '\0') {
    folders.emplace_back(set);
  }
  folders.push_back("/etc/chargewright/" + name);
  const fs::path prefix = own_prefix();
  for (const fs::path& folder :
       {prefix / "share/chargewright" / name, fs::path("/usr/share/chargewright") / name,
        prefix.parent_path().parent_path() / in_tree}) {
    folders.push_back(folder.string());
  }
  return folders;
}

}  // namespace

std::vector<std::string> dialect_folders(const std::vector<std::string>& given) {
  std::vector<std::string> folders = given;
  for (auto& folder : data_folders("CHARGEWRIGHT_DIALECTS", "dialects", "drivers/dialects")) {
    folders.push_back(std::move(folder));
  }
  return folders;
}

std::vector<std::string> cell_folders() {
  return data_folders("CHARGEWRIGHT_CELLS", "cells", "profiles/cells");
}

}  // namespace chargewright::daemon

// The house tests itself: arrows of dependency, no clock and no system in deciding code, nothing at
// the top level that has no home there.

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <map>
#include <regex>
#include <set>
#include <sstream>
#include <string>
#include <vector>

#include "tests/support/places.h"

namespace {

namespace fs = std::filesystem;
const fs::path house = chargewright::test::in_source();

std::string text_of(const fs::path& file) {
  std::ifstream in(file);
  std::stringstream text;
  text << in.rdbuf();
  return text.str();
}

std::vector<fs::path> sources_in(const std::string& folder) {
  std::vector<fs::path> found;
  for (const auto& entry : fs::recursive_directory_iterator(house / folder)) {
    const auto suffix = entry.path().extension();
    if (suffix == ".h" || suffix == ".cpp") found.push_back(entry.path());
  }
  return found;
}

std::vector<std::string> includes_of(const fs::path& file) {
  static const std::regex include(R"(^\s*#include\s+[<"]([^>"]+)[>"])", std::regex::multiline);
  const std::string text = text_of(file);
  std::vector<std::string> found;
  for (std::sregex_iterator it(text.begin(), text.end(), include), end; it != end; ++it) {
    found.push_back((*it)[1]);
  }
  return found;
}

std::string in_house(const fs::path& file) { return fs::relative(file, house).string(); }

TEST(House, dependency_runs_one_way) {
  const std::map<std::string, std::set<std::string>> forbidden = {
      {"drivers", {"safety/", "profiles/", "daemon/", "tests/"}},
      {"safety", {"profiles/", "daemon/", "tests/"}},
      {"profiles", {"daemon/", "tests/"}},
      {"daemon", {"tests/"}}};
  for (const auto& [folder, above] : forbidden) {
    for (const fs::path& file : sources_in(folder)) {
      for (const std::string& include : includes_of(file)) {
        for (const std::string& up : above) {
          EXPECT_FALSE(include.starts_with(up)) << in_house(file) << " includes " << include;
        }
      }
    }
  }
}

// Shells may touch the system; every other file decides, and takes time and bytes as arguments.
bool is_shell(const std::string& file) {
  static const std::set<std::string> shells = {"drivers/link.h",
                                               "drivers/document.cpp",
                                               "drivers/dialect.cpp",
                                               "safety/guard_thread.h",
                                               "safety/guard_thread.cpp",
                                               "safety/dead_man/locks.cpp",
                                               "safety/dead_man/program.cpp",
                                               "safety/dead_man/pulse.cpp",
                                               "safety/priority.cpp"};
  if (shells.contains(file)) return true;
  for (const char* room : {"drivers/link/", "daemon/serve/", "daemon/state/", "daemon/cli/",
                           "daemon/record/", "daemon/chargewright", "safety/model/"}) {
    if (file.starts_with(room)) return true;
  }
  for (const char* shell :
       {"drivers/simulated/server", "drivers/simulated/main", "drivers/simulated/playback",
        "daemon/run/run_thread", "daemon/run/supervisor"}) {
    if (file.starts_with(shell)) return true;
  }
  return false;
}

TEST(House, deciding_code_has_no_clock_thread_socket_or_disk) {
  static const std::regex system(
      R"(#include\s+[<"](thread|mutex|condition_variable|future|fstream|iostream|cstdio|unistd\.h|sys/[a-z]+\.h|boost/asio[^>]*|boost/beast[^>]*|spdlog[^>]*|sqlite3\.h)[>"])"
      R"(|::now\(\)|sleep_for|system_clock)");
  for (const char* folder : {"drivers", "safety", "profiles", "daemon"}) {
    for (const fs::path& file : sources_in(folder)) {
      if (is_shell(in_house(file))) continue;
      std::smatch found;
      const std::string text = text_of(file);
      EXPECT_FALSE(std::regex_search(text, found, system))
          << in_house(file) << " decides, yet has " << found.str();
    }
  }
}

TEST(House, nothing_stands_at_the_top_level_without_a_home) {
  const std::set<std::string> rooms = {
      "CMakeLists.txt", "CMakePresets.json", "README.md", "DEVELOPERS.md", "LICENSE", "daemon",
      "drivers",        "profiles",          "safety",    "tests",         "systemd", "docs"};
  for (const auto& entry : fs::directory_iterator(house)) {
    const std::string name = entry.path().filename().string();
    if (name.starts_with(".") || name == "build") continue;
    EXPECT_TRUE(rooms.contains(name)) << name;
  }
}

TEST(House, every_public_header_begins_with_what_it_is) {
  for (const char* folder : {"drivers", "safety", "profiles", "daemon"}) {
    for (const fs::path& file : sources_in(folder)) {
      if (file.extension() != ".h") continue;
      EXPECT_TRUE(text_of(file).starts_with("#pragma once\n// ")) << in_house(file);
    }
  }
}

// S1 to S10 each stand in a test, so that one search shows requirement, code and proof.
TEST(House, every_safety_requirement_is_cited_by_a_test) {
  std::string all;
  for (const fs::path& file : sources_in("tests")) {
    if (in_house(file) != "tests/unit/house/house_test.cpp") all += text_of(file);
  }
  for (int number : {1, 2, 3, 4, 5, 6, 10}) {
    EXPECT_TRUE(std::regex_search(all, std::regex("\\bS" + std::to_string(number) + "\\b")))
        << "S" << number;
  }
}

}  // namespace

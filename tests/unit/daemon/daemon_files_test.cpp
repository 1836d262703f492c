// What a daemon reads before it runs a bench: all of it is recorded, and what does not fit is
// refused.
#include "daemon/serve/daemon_files.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>

#include "tests/support/places.h"

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;

// Of a shipped dialect, without what it is called and what it extends.
std::string without_name(const std::string& dialect) {
  std::ifstream in(test::in_source("drivers/dialects/" + dialect + ".yaml"));
  std::string text;
  for (std::string line; std::getline(in, line);) {
    if (line.starts_with("dialect:") || line.starts_with("extends:")) continue;
    text += line + '\n';
  }
  return text;
}

class FilesOfADaemon : public testing::Test {
 protected:
  FilesOfADaemon() {
    std::string name = (fs::temp_directory_path() / "chargewright-files-XXXXXX").string();
    folder_ = ::mkdtemp(name.data());
  }
  ~FilesOfADaemon() override { fs::remove_all(folder_); }
  FilesOfADaemon(const FilesOfADaemon&) = delete;
  FilesOfADaemon& operator=(const FilesOfADaemon&) = delete;

  drivers::Checked<DaemonFiles> load(const std::string& dialect, const std::string& temperature) {
    std::ofstream(folder_ + "/bench.yaml")
        << "bench: hut\n"
           "instruments:\n"
           "  supply:\n"
           "    link: tcp://127.0.0.1:9\n"
           "    dialect: "
        << dialect
        << "\n    ratings: {voltage: 20 V, current: 20 A}\n"
           "  meter: {link: \"tcp://127.0.0.1:10\", dialect: scpi-meter}\n"
           "  probe: {link: \"tcp://127.0.0.1:11\", dialect: scpi-thermometer}\n"
           "channels:\n"
           "  left:\n"
           "    source: supply\n"
           "    voltage: meter\n"
           "    temperature: ["
        << temperature << "]\n    wiring: {resistance: 10 mohm, rated: 40 A}\n";
    DaemonOptions options;
    options.bench = folder_ + "/bench.yaml";
    options.policy = folder_ + "/none.yaml";
    options.dialects = {folder_, test::in_source("drivers/dialects")};
    return load_daemon_files(options);
  }

  std::string folder_;
};

TEST_F(FilesOfADaemon, hold_every_text_of_a_dialect_once) {  // S10
  const auto write = [&](const std::string& name, const std::string& text) {
    std::ofstream(folder_ + '/' + name + ".yaml") << "dialect: " << name << '\n' << text;
  };
  for (int k = 0; k < 8; ++k) {  // as deep as may be
    write("d" + std::to_string(k), "extends: d" + std::to_string(k + 1) + '\n');
  }
  write("d8", without_name("ieee-488-2") + without_name("scpi-supply"));
  const auto files = load("d0", "probe");
  ASSERT_TRUE(files.has_value()) << describe(files.error());
  const auto times = [&](const std::string& name) {
    return std::ranges::count_if(files->recorded, [&](const RecordedFile& file) {
      return file.role == "dialect" && file.name == name;
    });
  };
  for (const char* name : {"d0", "d7", "d8", "scpi-meter", "ieee-488-2"}) {
    EXPECT_EQ(times(name), 1) << name;
  }
}

TEST_F(FilesOfADaemon, are_refused_where_an_instrument_cannot_do_its_part) {  // S1
  EXPECT_TRUE(load("scpi-supply", "probe").has_value());
  const auto files = load("scpi-supply", "meter");
  ASSERT_FALSE(files.has_value());
  EXPECT_NE(describe(files.error()).find("has no `measure-temperature`"), std::string::npos);
}

}  // namespace
}  // namespace chargewright::daemon

// What a daemon reads before it runs a bench.
#include "daemon/serve/daemon_files.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "tests/support/places.h"

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;

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

TEST_F(FilesOfADaemon, are_refused_where_an_instrument_cannot_do_its_part) {  // S1
  EXPECT_TRUE(load("scpi-supply", "probe").has_value());
  const auto files = load("scpi-supply", "meter");
  ASSERT_FALSE(files.has_value());
  EXPECT_NE(describe(files.error()).find("has no `measure-temperature`"), std::string::npos);
}

}  // namespace
}  // namespace chargewright::daemon

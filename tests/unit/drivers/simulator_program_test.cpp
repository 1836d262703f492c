// chargewright-simulator as a process: what it prints, writes and leaves behind.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <thread>

#include "tests/support/places.h"

extern char** environ;

namespace {

using namespace std::chrono_literals;
namespace fs = std::filesystem;

struct SimulatorProgram : testing::Test {
  fs::path folder =
      fs::temp_directory_path() / ("chargewright-program-" + std::to_string(getpid()));
  pid_t child = 0;

  void SetUp() override { fs::create_directories(folder); }
  void TearDown() override {
    if (child > 0) {
      kill(child, SIGKILL);
      waitpid(child, nullptr, 0);
    }
    fs::remove_all(folder);
  }

  void start(const std::string& text) {
    std::ofstream(folder / "sim.yaml") << text;
    std::vector<std::string> words{chargewright::test::in_build("drivers/chargewright-simulator"),
                                   (folder / "sim.yaml").string(), "--ports-file",
                                   (folder / "ports").string()};
    std::vector<char*> arguments;
    for (std::string& word : words) arguments.push_back(word.data());
    arguments.push_back(nullptr);
    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    for (const int fd : {1, 2}) {
      posix_spawn_file_actions_addopen(&actions, fd, (folder / (fd == 1 ? "out" : "err")).c_str(),
                                       O_WRONLY | O_CREAT | O_TRUNC, 0600);
    }
    ASSERT_EQ(posix_spawn(&child, words[0].c_str(), &actions, nullptr, arguments.data(), environ),
              0);
    posix_spawn_file_actions_destroy(&actions);
  }
  std::string content(const char* name) {
    std::ifstream file(folder / name);
    std::ostringstream text;
    text << file.rdbuf();
    return text.str();
  }
  // Its exit code; -1: it did not end in time, or not by itself.
  int ended() {
    for (int k = 0; k < 500; ++k) {
      int status = 0;
      if (waitpid(child, &status, WNOHANG) == child) {
        child = 0;
        return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
      }
      std::this_thread::sleep_for(10ms);
    }
    return -1;
  }
  std::string bench() {
    const std::string at = folder.string();
    return "simulation: hut\ncontrol: unix://" + at + "/control\ndevices:\n" +
           "  supply: {role: supply, serve: tcp://127.0.0.1:0}\n" +
           "  meter: {role: meter, serve: pty://" + at + "/meter}\n" +
           "cells: {radio: {chemistry: lfp, capacity: 2 Ah}}\n" +
           "circuits: {left: {cell: radio, source: supply, meter: meter}}\n";
  }
  bool is_ready() {
    for (int k = 0; k < 500 && content("out").find("ready\n") == std::string::npos; ++k) {
      std::this_thread::sleep_for(10ms);
    }
    return content("out").find("ready\n") != std::string::npos;
  }
};

TEST_F(SimulatorProgram, says_where_it_serves_and_cleans_up_when_told_to_end) {
  start(bench());
  ASSERT_TRUE(is_ready()) << content("err");
  const std::string ports = content("ports");
  EXPECT_EQ(content("out"), ports + "ready\n");
  EXPECT_TRUE(ports.starts_with("supply tcp://127.0.0.1:"));
  EXPECT_NE(ports.find("meter serial://" + folder.string() + "/meter\n"), std::string::npos);
  EXPECT_TRUE(fs::is_symlink(folder / "meter"));
  kill(child, SIGTERM);
  EXPECT_EQ(ended(), 0);
  EXPECT_FALSE(fs::exists(fs::symlink_status(folder / "meter")));
  EXPECT_FALSE(fs::exists(folder / "control"));
}

TEST_F(SimulatorProgram, starts_over_what_a_killed_one_left_behind) {
  start(bench());
  ASSERT_TRUE(is_ready()) << content("err");
  kill(child, SIGKILL);
  waitpid(child, nullptr, 0);
  start(bench());
  EXPECT_TRUE(is_ready()) << content("err");
}

TEST_F(SimulatorProgram, refuses_a_socket_that_another_one_serves) {
  start(bench());
  ASSERT_TRUE(is_ready()) << content("err");
  const pid_t first = child;
  start(bench());
  EXPECT_EQ(ended(), 3);
  EXPECT_NE(content("err").find("cannot listen"), std::string::npos);
  child = first;
}

TEST_F(SimulatorProgram, refuses_a_bad_file_with_its_place) {
  start("simulation: hut\ndevices: {supply: {role: suply, serve: pty}}\ncells: {}\ncircuits: {}\n");
  EXPECT_EQ(ended(), 2);
  EXPECT_NE(content("err").find("sim.yaml:2:"), std::string::npos) << content("err");
  EXPECT_FALSE(fs::exists(folder / "ports"));
}

}  // namespace

// `chargewright` as a process: its exit codes are an interface that scripts stand on.

#include <gtest/gtest.h>
#include <sys/stat.h>
#include <sys/wait.h>

#include <atomic>
#include <boost/json.hpp>
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "daemon/serve/server.h"
#include "tests/support/places.h"
#include "tests/unit/daemon/serve_fake.h"

namespace {

namespace fs = std::filesystem;

struct Ran {
  int code = -1;
  std::string text;  // both of its outputs
};

class Command : public testing::Test {
 protected:
  Command() {
    std::string name = (fs::temp_directory_path() / "chargewright-cli-XXXXXX").string();
    folder_ = ::mkdtemp(name.data());
  }
  ~Command() override { fs::remove_all(folder_); }
  void SetUp() override {
    if (!fs::exists(program())) GTEST_SKIP() << program() << " is not built";
  }
  static std::string program() { return chargewright::test::in_build("daemon/chargewright"); }

  Ran run(const std::string& arguments) const {
    const std::string line =
        "CHARGEWRIGHT_SOCKET=" + folder_ +
        "/no-daemon CHARGEWRIGHT_DIALECTS=" + chargewright::test::in_source("drivers/dialects") +
        " timeout 60 " + program() + ' ' + arguments + " 2>&1 </dev/null";
    Ran ran;
    FILE* pipe = ::popen(line.c_str(), "r");
    char block[4096];
    for (std::size_t n; (n = std::fread(block, 1, sizeof block, pipe)) > 0;) {
      ran.text.append(block, n);
    }
    const int status = ::pclose(pipe);
    if (WIFEXITED(status)) ran.code = WEXITSTATUS(status);
    return ran;
  }
  std::string write(const std::string& name, const std::string& text) const {
    const std::string path = folder_ + '/' + name;
    std::ofstream(path) << text;
    return path;
  }
  std::string bench() const {
    return write("bench.yaml",
                 "bench: hut-bench\n"
                 "instruments:\n"
                 "  supply:\n"
                 "    link: tcp://127.0.0.1:9\n"
                 "    dialect: scpi-supply\n"
                 "    identity: \"Example,.*\"\n"
                 "    ratings: {voltage: 20 V, current: 20 A, power: 200 W}\n"
                 "  probe: {link: \"tcp://127.0.0.1:10\", dialect: scpi-thermometer}\n"
                 "channels:\n"
                 "  left:\n"
                 "    source: supply\n"
                 "    temperature: [probe/1]\n"
                 "    wiring: {gauge: 8 AWG, length: 0.6 m, joints: 0.4 mohm, rated: 40 A}\n");
  }
  static std::string shipped(const std::string& path) {
    return chargewright::test::in_source("profiles/" + path);
  }
  std::string files() const {
    return shipped("library/refill-between-sorties.yaml") + " --cell " +
           shipped("cells/hut-radio-24.yaml") + " --bench " + bench() + " --policy " + folder_ +
           "/no-policy.yaml ";
  }
  std::string folder_;
};

TEST_F(Command, tells_its_version_and_how_it_is_used) {
  EXPECT_EQ(run("--version").code, 0);
  EXPECT_EQ(run("--help").code, 0);
  EXPECT_EQ(run("").code, 1);
  EXPECT_EQ(run("explode").code, 1);
  EXPECT_EQ(run("check").code, 1);
  EXPECT_EQ(run("export r --format xls").code, 1);
  EXPECT_EQ(run("cut --direct").code, 1);
}

TEST_F(Command, check_prints_every_limit_with_its_origin_and_place) {
  const Ran ran = run("check " + files());
  EXPECT_EQ(ran.code, 0) << ran.text;
  EXPECT_NE(ran.text.find("voltage-above"), std::string::npos) << ran.text;
  EXPECT_NE(ran.text.find("refill-between-sorties.yaml:"), std::string::npos) << ran.text;
}

TEST_F(Command, check_speaks_json) {
  const Ran ran = run("check --json " + files());
  boost::json::error_code error;
  const auto json = boost::json::parse(ran.text, error);
  ASSERT_FALSE(error) << ran.text;
  EXPECT_FALSE(json.at("limits").as_array().empty());
  EXPECT_TRUE(json.at("problems").as_array().empty());
}

TEST_F(Command, check_lists_all_problems_of_all_files_with_their_places) {
  const std::string profile = write("p.yaml",
                                    "profile: p\n"
                                    "steps:\n"
                                    "  - chrage: {current: 1 A, voltage: 4.2}\n"
                                    "limits: {}\n");
  const std::string cell = write("c.yaml", "cell: c\nchemistry: unobtainium\n");
  const Ran ran = run("check " + profile + " --cell " + cell + " --bench " + bench());
  EXPECT_EQ(ran.code, 2);
  EXPECT_NE(ran.text.find("p.yaml:3:"), std::string::npos) << ran.text;
  EXPECT_NE(ran.text.find("c.yaml:2:"), std::string::npos) << ran.text;
}

TEST_F(Command, a_file_that_is_not_there_is_bad_input) {
  EXPECT_EQ(run("check /no/such.yaml --bench " + bench()).code, 2);
  EXPECT_EQ(run("start /no/such.yaml").code, 2);
  EXPECT_EQ(run("cut --direct --bench /no/such.yaml").code, 2);
}

TEST_F(Command, rehearse_runs_the_profile_without_a_daemon) {
  const Ran ran = run("rehearse " + files());
  EXPECT_EQ(ran.code, 0) << ran.text;
  EXPECT_NE(ran.text.find("what set the current"), std::string::npos) << ran.text;
  const Ran json = run("rehearse --json " + files());
  boost::json::error_code error;
  const auto facts = boost::json::parse(json.text, error);
  ASSERT_FALSE(error) << json.text;
  EXPECT_EQ(facts.at("phase"), "done");
  EXPECT_NEAR(facts.at("charge_in_ah").to_number<double>(), 2.4, 0.2);
}

TEST_F(Command, says_that_no_daemon_answers) {
  for (const char* verb : {"stop", "acknowledge", "watch", "runs", "cut", "export r1"}) {
    const Ran ran = run(verb);
    EXPECT_EQ(ran.code, 6) << verb << ": " << ran.text;
  }
  EXPECT_EQ(run("start " + shipped("library/refill-between-sorties.yaml") + " --cell " +
                shipped("cells/hut-radio-24.yaml"))
                .code,
            6);
}

TEST_F(Command, a_direct_cut_that_reaches_nothing_is_no_success) {  // S4
  const Ran ran = run("cut --direct --within 0.3 --bench " + bench());
  EXPECT_EQ(ran.code, 4);
  EXPECT_NE(ran.text.find("NOT verified off"), std::string::npos) << ran.text;
}

TEST_F(Command, a_cut_without_a_daemon_talks_to_the_instruments_itself) {  // S4
  const Ran ran = run("cut --within 0.3 --bench " + bench());
  EXPECT_EQ(ran.code, 4);
  EXPECT_NE(ran.text.find("cutting without a daemon"), std::string::npos) << ran.text;
}

TEST_F(Command, a_cut_by_a_daemon_too_busy_to_prove_it_is_no_success) {  // S4
  chargewright::daemon::FakeOperations played;
  const chargewright::daemon::Backlog backlog;
  const auto server = chargewright::daemon::Server::start(
      folder_ + "/no-daemon", played, backlog, [](const std::string& why) { FAIL() << why; },
      {.connections = 0, .connections_for_cuts = 16});
  ASSERT_TRUE(server);
  const Ran ran = run("cut");
  EXPECT_EQ(ran.code, 4) << ran.text;
  EXPECT_NE(ran.text.find("only a cut is answered"), std::string::npos) << ran.text;
  EXPECT_NE(ran.text.find("not every output is verified off"), std::string::npos) << ran.text;
  ASSERT_EQ(played.calls.size(), 1U);
  EXPECT_TRUE(played.calls.front().starts_with("cut all"));
}

TEST_F(Command, an_export_that_fails_leaves_no_file) {
  EXPECT_EQ(run("export r1 -o " + folder_ + "/out.csv").code, 6);
  EXPECT_TRUE(fs::is_empty(folder_));
}

// A device's node would be replaced by a file, with the rights of root.
TEST_F(Command, an_export_takes_the_place_of_nothing_but_a_file) {
  const std::string pipe = folder_ + "/pipe";
  ASSERT_EQ(::mkfifo(pipe.c_str(), 0600), 0);
  for (const std::string& place : {pipe, folder_}) {
    const Ran ran = run("export r1 -o " + place);
    EXPECT_EQ(ran.code, 2) << ran.text;
    EXPECT_NE(ran.text.find("not a file"), std::string::npos) << ran.text;
  }
  EXPECT_TRUE(fs::is_fifo(pipe));
}

TEST_F(Command, an_export_that_a_full_disk_cuts_short_is_no_success) {  // S10
  chargewright::daemon::FakeOperations played;
  const chargewright::daemon::Backlog backlog;
  const auto server = chargewright::daemon::Server::start(
      folder_ + "/no-daemon", played, backlog, [](const std::string& why) { FAIL() << why; });
  ASSERT_TRUE(server);
  played.export_path = write("one.csv", "time_s\n");
  EXPECT_EQ(run("export r1").text, "time_s\n");
  played.export_path = write("one.csv", "time_s\n");
  EXPECT_EQ(run("export r1 >/dev/full").code, 1);
}

// A daemon that came up anew and knows of no run, while its supply has yet to be proved off.
class AfterAnInterruption : public chargewright::daemon::FakeOperations {
 public:
  std::atomic<int> looks = 0;
  chargewright::daemon::Answer<boost::json::object> channel(const std::string& name) override {
    const char* state = ++looks > 5 ? "tripped" : "cutting";
    return boost::json::object{
        {"channel", name}, {"state", state}, {"output_on", false}, {"run", nullptr}};
  }
};

TEST_F(Command, stop_calls_no_output_off_before_it_is_verified) {  // S4
  AfterAnInterruption played;
  const chargewright::daemon::Backlog backlog;
  const auto server = chargewright::daemon::Server::start(
      folder_ + "/no-daemon", played, backlog, [](const std::string& why) { FAIL() << why; });
  ASSERT_TRUE(server);
  const Ran stopped = run("stop --channel left");
  EXPECT_EQ(stopped.code, 0) << stopped.text;
  EXPECT_GT(played.looks, 5);
}

// A daemon that takes its time to arm.
class SlowToArm : public chargewright::daemon::FakeOperations {
 public:
  std::atomic<int> looks = 0;
  std::atomic<const char*> becomes = "r1";
  chargewright::daemon::Answer<boost::json::object> start(
      const std::string& /*channel*/, const chargewright::daemon::StartRequest& /*request*/,
      const chargewright::daemon::Person& /*by*/) override {
    looks = 0;
    return boost::json::object{{"run", "r1"}};
  }
  chargewright::daemon::Answer<boost::json::object> channel(const std::string& name) override {
    const bool arms = ++looks <= 5;
    const boost::json::object run{{"id", arms ? "r1" : becomes.load()},
                                  {"phase", arms ? "arming" : "running"}};
    return boost::json::object{{"channel", name}, {"run", run}};
  }
};

TEST_F(Command, start_waits_while_the_run_is_arming_and_no_longer_than_it_is_this_run) {  // S1
  SlowToArm played;
  const chargewright::daemon::Backlog backlog;
  const auto server = chargewright::daemon::Server::start(
      folder_ + "/no-daemon", played, backlog, [](const std::string& why) { FAIL() << why; });
  ASSERT_TRUE(server);
  const std::string start = "start --channel left " +
                            shipped("library/refill-between-sorties.yaml") + " --cell " +
                            shipped("cells/hut-radio-24.yaml");
  const Ran armed = run(start);
  EXPECT_EQ(armed.code, 0) << armed.text;
  EXPECT_NE(armed.text.find("run r1 on left: running"), std::string::npos) << armed.text;
  played.becomes = "r2";
  const Ran lost = run(start);
  EXPECT_EQ(lost.code, 3) << lost.text;
}

}  // namespace

// The dead-man as a process, a test in its daemon's place: what it refuses, what makes it cut, and
// whom it tells (S6). Whether the output is on is asked of the simulated bench.

#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <csignal>
#include <cstring>
#include <filesystem>
#include <stdexcept>
#include <thread>

#include "safety/dead_man/wire.h"
#include "tests/dead_man/live_bench.h"
#include "tests/dead_man/started.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;

constexpr int left_in_peace = 0, refused = 2, cut = 10;

TEST(ADeadManProgram, is_not_to_be_started_by_hand) {
  const std::vector<std::string> words[] = {{}, {"x"}, {"-1"}, {"65"}, {"1", "2"}};
  for (const auto& wrong : words) {
    StartedDeadMan dead_man({}, wrong);
    const Finished ended = dead_man.process().wait(patience);
    EXPECT_EQ(ended.exit_code, refused);
    EXPECT_NE(ended.err.find("is started by chargewrightd, not by hand"), std::string::npos);
    EXPECT_TRUE(dead_man.hear().empty());
    EXPECT_FALSE(dead_man.killed_the_daemon());
  }
}

void expect_refused(StartedDeadMan& dead_man, const std::string& why) {
  const std::string answer = dead_man.hear();
  ASSERT_FALSE(answer.empty()) << why;
  EXPECT_EQ(answer[0], safety::wire_refused);
  EXPECT_NE(answer.find(why), std::string::npos) << answer;
  EXPECT_EQ(dead_man.process().wait(patience).exit_code, refused);
  EXPECT_FALSE(dead_man.killed_the_daemon());
}

TEST(ADeadManProgram, refuses_a_sheet_that_is_damaged_or_larger_than_any) {  // S6
  StartedDeadMan damaged;
  ASSERT_TRUE(damaged.introduce("no sheet at all"));
  expect_refused(damaged, "the cut sheet is refused");
  StartedDeadMan large;
  const std::uint64_t size = safety::cut_sheet_bytes_max + 1;
  ASSERT_TRUE(large.say({reinterpret_cast<const char*>(&size), sizeof size}));
  expect_refused(large, "no cut sheet came");
}

// The daemon may die at any moment before it has told everything: then nothing is energised yet.
TEST(ADeadManProgram, ends_where_the_daemon_does_before_the_sheet_is_there) {  // S6
  const std::string sheet = encode(safety::CutSheet{});
  for (const std::size_t told : {std::size_t{0}, std::size_t{5}, sheet.size()}) {
    StartedDeadMan dead_man;
    const std::uint64_t size = sheet.size();
    std::string text(reinterpret_cast<const char*>(&size), sizeof size);
    ASSERT_TRUE(dead_man.say((text + sheet).substr(0, told)));
    dead_man.hang_up();
    EXPECT_EQ(dead_man.process().wait(patience).exit_code, refused);
  }
}

TEST(ADeadManProgram, refuses_a_daemon_that_is_gone_before_it_is_ready) {  // S6
  LiveBench bench;
  StartedDeadMan dead_man;
  dead_man.process().signal(SIGSTOP);
  ASSERT_TRUE(dead_man.introduce(bench.sheet()));
  dead_man.hang_up();
  dead_man.process().signal(SIGCONT);
  EXPECT_EQ(dead_man.process().wait(patience).exit_code, refused);
  EXPECT_TRUE(bench.simulator().output_is_on());
}

TEST(ADeadManProgram, refuses_to_serve_without_a_log) {  // S6
  LiveBench bench;
  auto sheet = bench.sheet();
  sheet.log = "/";
  StartedDeadMan dead_man;
  ASSERT_TRUE(dead_man.introduce(sheet));
  expect_refused(dead_man, "/ cannot be written: Is a directory");
}

TEST(ADeadManProgram, leaves_in_peace_after_a_goodbye) {  // S6
  LiveBench bench;
  StartedDeadMan dead_man;
  ASSERT_TRUE(dead_man.introduce(bench.sheet()));
  ASSERT_EQ(dead_man.hear(), "R");
  ASSERT_TRUE(dead_man.say("B"));
  EXPECT_EQ(dead_man.hear(), "E");
  EXPECT_TRUE(dead_man.holds_the_lock());
  ASSERT_TRUE(dead_man.say("G"));
  EXPECT_EQ(dead_man.process().wait(patience).exit_code, left_in_peace);
  EXPECT_FALSE(dead_man.killed_the_daemon());
  EXPECT_TRUE(bench.simulator().output_is_on());
  EXPECT_EQ(bench.log(), "");
}

TEST(ADeadManProgram, hears_every_beat_that_waits_before_it_judges) {  // S6
  LiveBench bench;
  StartedDeadMan dead_man;
  ASSERT_TRUE(dead_man.introduce(bench.sheet(300ms)));
  ASSERT_EQ(dead_man.hear(), "R");
  dead_man.process().signal(SIGSTOP);
  // More than it reads at once: the last word is among those that it reads later.
  ASSERT_TRUE(dead_man.say(std::string(20'000, 'B') + "G"));
  dead_man.process().signal(SIGCONT);
  EXPECT_EQ(dead_man.process().wait(patience).exit_code, left_in_peace);
}

struct End {
  const char* name;
  const char* last_words;
  bool hangs_up;
  std::chrono::milliseconds late_after;
  bool kills;
  const char* why;
};

class ADeadManWhoseDaemon : public ::testing::TestWithParam<End> {};

TEST_P(ADeadManWhoseDaemon, is_no_more_cuts_and_says_why) {  // S4 S6
  LiveBench bench;
  StartedDeadMan dead_man;
  ASSERT_TRUE(dead_man.introduce(bench.sheet(GetParam().late_after)));
  ASSERT_EQ(dead_man.hear(), "R");
  ASSERT_TRUE(dead_man.say("B"));
  ASSERT_TRUE(dead_man.say(GetParam().last_words));
  if (GetParam().hangs_up) dead_man.hang_up();
  const Finished ended = dead_man.process().wait(patience);
  EXPECT_EQ(ended.exit_code, cut);
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_EQ(bench.simulator().number("current_a"), 0);
  EXPECT_EQ(dead_man.killed_the_daemon(), GetParam().kills);
  EXPECT_FALSE(dead_man.holds_the_lock());
  EXPECT_NE(ended.err.find("every output is verified off"), std::string::npos) << ended.err;
  const std::string log = bench.log();
  for (const char* said :
       {GetParam().why, "left: off, verified (output reads off, current ",
        "left: contactor reads open", "once more", ": every output is verified off\n"}) {
    EXPECT_NE(log.find(said), std::string::npos) << said << "\n" << log;
  }
}

INSTANTIATE_TEST_SUITE_P(
    InEveryWay, ADeadManWhoseDaemon,
    ::testing::Values(End{"dies", "", true, 10s, true, "its pipe closed without a goodbye"},
                      End{"is_silent", "", false, 300ms, true, "the guard is silent"},
                      End{"talks_nonsense", "BxG", false, 10s, true, "wrote nonsense"},
                      End{"gives_up", "T", true, 10s, false,
                          "asked to cut; its guard's last beat"}),
    [](const auto& end) { return std::string(end.param.name); });

TEST(ADeadManProgram, says_that_a_source_behind_an_open_contactor_is_on) {  // S4 S6
  LiveBench bench;
  bench.simulator().control("fault ignores-output-off supply");
  StartedDeadMan dead_man;
  ASSERT_TRUE(dead_man.introduce(bench.sheet()));
  ASSERT_EQ(dead_man.hear(), "R");
  dead_man.hang_up();
  const Finished ended = dead_man.process().wait(patience);
  EXPECT_EQ(ended.exit_code, cut);
  const std::string end =
      "every output is verified off; left: supply answers that its output is on: go and look\n";
  EXPECT_TRUE(ended.err.ends_with(end)) << ended.err;
  EXPECT_TRUE(bench.log().ends_with(end)) << bench.log();
}

// The service manager's watchdog signals every process of the service; SIGTERM ends what is left of
// it.
TEST(ADeadManProgram, outlives_what_ends_the_daemon_beside_it) {  // S6
  LiveBench bench;
  StartedDeadMan dead_man;
  ASSERT_TRUE(dead_man.introduce(bench.sheet()));
  ASSERT_EQ(dead_man.hear(), "R");
  for (const int signal : {SIGABRT, SIGTERM, SIGINT, SIGHUP, SIGQUIT}) {
    dead_man.process().signal(signal);
  }
  dead_man.hang_up();
  EXPECT_EQ(dead_man.process().wait(patience).exit_code, cut);
  EXPECT_FALSE(bench.simulator().output_is_on());
}

// ---- its disk hangs -----------------------------------------------------------------------------

// A file that takes nothing until it is drained.
class Stuck {
 public:
  Stuck() {
    if (::mkfifo(path().c_str(), 0600) != 0) throw std::runtime_error("no FIFO");
    fd_ = ::open(path().c_str(), O_RDWR | O_NONBLOCK | O_CLOEXEC);
    const std::string page(4096, '-');
    while (::write(fd_, page.data(), page.size()) > 0) {
    }
  }
  ~Stuck() { ::close(fd_); }
  Stuck(const Stuck&) = delete;
  Stuck& operator=(const Stuck&) = delete;
  [[nodiscard]] std::string path() const { return folder_.path() + "/log"; }
  // What it has taken since.
  std::string drained() {
    char bytes[4096];
    for (ssize_t count = 0; (count = ::read(fd_, bytes, sizeof bytes)) > 0;) {
      text_.append(bytes, static_cast<std::size_t>(count));
    }
    return text_;
  }

 private:
  Scratch folder_;
  int fd_ = -1;
  std::string text_;
};

// What the daemon had written may arrive after the proof: it is cut once more, disk or no disk.
TEST(ADeadManProgram, cuts_once_more_and_ends_though_its_log_hangs) {  // S4 S6
  LiveBench bench;
  Stuck log;
  auto sheet = bench.sheet();
  sheet.log = log.path();
  StartedDeadMan dead_man;
  ASSERT_TRUE(dead_man.introduce(sheet));
  ASSERT_EQ(dead_man.hear(), "R");
  dead_man.hang_up();
  ASSERT_TRUE(until([&] { return !bench.simulator().output_is_on(); }));
  std::this_thread::sleep_for(300ms);  // the proof
  bench.switch_on();
  ASSERT_TRUE(until([&] {
    return std::ranges::count(bench.simulator().log(), "output-on", &BenchEvent::kind) == 2;
  }));
  EXPECT_EQ(dead_man.process().wait(20s).exit_code, cut);
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_FALSE(dead_man.holds_the_lock());
  // What it had to say waits for the disk.
  EXPECT_TRUE(until(
      [&] { return log.drained().find(": every output is verified off\n") != std::string::npos; }));
}

// ---- whom it tells ------------------------------------------------------------------------------

// A service manager's socket; `name` may begin with @.
class Listening {
 public:
  explicit Listening(const std::string& name)
      : fd_(::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0)) {
    sockaddr_un at{};
    at.sun_family = AF_UNIX;
    std::memcpy(at.sun_path, name.data(), name.size());
    if (name[0] == '@') at.sun_path[0] = 0;
    bound_ = ::bind(fd_, reinterpret_cast<const sockaddr*>(&at),
                    static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + name.size())) == 0;
  }
  ~Listening() { ::close(fd_); }
  Listening(const Listening&) = delete;
  Listening& operator=(const Listening&) = delete;
  [[nodiscard]] bool bound() const { return bound_; }
  [[nodiscard]] std::string heard() const {
    std::string all;
    char text[256];
    for (;;) {
      const auto count = ::recv(fd_, text, sizeof text, MSG_DONTWAIT);
      if (count <= 0) return all;
      all += std::string(text, static_cast<std::size_t>(count)) + "\n";
    }
  }

 private:
  int fd_;
  bool bound_ = false;
};

void cut_once(LiveBench& bench, const std::string& notify) {
  StartedDeadMan dead_man({"NOTIFY_SOCKET=" + notify});
  ASSERT_TRUE(dead_man.introduce(bench.sheet()));
  ASSERT_EQ(dead_man.hear(), "R");
  dead_man.hang_up();
  EXPECT_EQ(dead_man.process().wait(patience).exit_code, cut) << notify;
  EXPECT_FALSE(bench.simulator().output_is_on());
}

TEST(ADeadManProgram, tells_the_service_manager) {  // S6
  const Scratch folder;
  for (const std::string& name :
       {folder.path() + "/notify", "@chargewright-test-" + std::to_string(::getpid())}) {
    LiveBench bench;
    const Listening manager(name);
    ASSERT_TRUE(manager.bound());
    cut_once(bench, name);
    EXPECT_EQ(manager.heard(),
              "STATUS=dead-man: the daemon is gone; cutting\n"
              "STATUS=dead-man: every output is verified off\n");
  }
}

TEST(ADeadManProgram, cuts_where_no_service_manager_listens) {  // S6
  for (const std::string& name : {std::string(), std::string(500, 'x'), std::string("/nowhere")}) {
    LiveBench bench;
    cut_once(bench, name);
  }
}

}  // namespace
}  // namespace chargewright::test

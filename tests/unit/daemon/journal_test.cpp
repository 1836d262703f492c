// The daemon's log, read by nobody.

#include "daemon/serve/journal.h"

#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <chrono>

namespace chargewright::daemon {
namespace {

class Pipe {
 public:
  Pipe() {
    EXPECT_EQ(::pipe2(ends_.data(), O_CLOEXEC), 0);
    EXPECT_EQ(::fcntl(ends_[0], F_SETFL, O_NONBLOCK), 0);
  }
  ~Pipe() {
    for (const int end : ends_) ::close(end);
  }
  Pipe(const Pipe&) = delete;
  Pipe& operator=(const Pipe&) = delete;
  [[nodiscard]] int in() const { return ends_[1]; }
  [[nodiscard]] std::string read() const {
    std::string text;
    std::array<char, 4096> block{};
    for (ssize_t n; (n = ::read(ends_[0], block.data(), block.size())) > 0;) {
      text.append(block.data(), static_cast<std::size_t>(n));
    }
    return text;
  }

 private:
  std::array<int, 2> ends_{};
};

TEST(TheJournal, holds_up_nobody_while_it_is_not_read_and_says_what_was_lost) {  // S4 S10
  const Pipe pipe;
  const Log log = open_journal(pipe.in());
  const std::string text(1000, 'x');
  const auto began = std::chrono::steady_clock::now();
  for (int i = 0; i < 1000; ++i) log(LogLevel::info, text);  // a pipe holds some 60
  EXPECT_LT(std::chrono::steady_clock::now() - began, std::chrono::seconds(10));
  EXPECT_NE(pipe.read().find(text), std::string::npos);
  log(LogLevel::critical, "read again");
  const std::string after = pipe.read();
  EXPECT_NE(after.find("lines were lost"), std::string::npos) << after;
  EXPECT_NE(after.find("critical read again\n"), std::string::npos) << after;
  log(LogLevel::info, "and on");
  EXPECT_EQ(pipe.read().find("lost"), std::string::npos);
}

// It says that it has room as long as one byte fits.
TEST(TheJournal, holds_up_nobody_on_a_terminal_that_nobody_reads) {  // S4 S10
  const int master = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
  ASSERT_GE(master, 0);
  ASSERT_EQ(::grantpt(master), 0);
  ASSERT_EQ(::unlockpt(master), 0);
  const int terminal = ::open(::ptsname(master), O_RDWR | O_NOCTTY | O_CLOEXEC);
  ASSERT_GE(terminal, 0);
  {
    const Log log = open_journal(terminal);
    for (int i = 0; i < 200; ++i) log(LogLevel::info, std::string(1000, 'x'));
  }
  ::close(terminal);
  ::close(master);
}

// As after `sudo -u`: the terminal is another user's. It may be that of the session, or not.
TEST(TheJournal, holds_up_nobody_on_a_terminal_that_it_may_not_open) {  // S4 S10
  for (const bool of_the_session : {true, false}) {
    const int master = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    ASSERT_GE(master, 0);
    ASSERT_EQ(::grantpt(master), 0);
    ASSERT_EQ(::unlockpt(master), 0);
    const std::string name = ::ptsname(master);
    const pid_t child = ::fork();
    ASSERT_GE(child, 0);
    if (child == 0) {
      ::alarm(20);
      ::setsid();
      const int terminal = ::open(name.c_str(), of_the_session ? O_RDWR : O_RDWR | O_NOCTTY);
      const bool denied = ::fchmod(terminal, 0) == 0 && (::getuid() != 0 || ::setuid(65534) == 0) &&
                          ::open(name.c_str(), O_WRONLY | O_NOCTTY) < 0;
      if (!denied) ::_exit(1);
      const Log log = open_journal(terminal);
      for (int i = 0; i < 200; ++i) log(LogLevel::info, std::string(1000, 'x'));
      ::_exit(0);
    }
    int status = -1;
    EXPECT_EQ(::waitpid(child, &status, 0), child);
    EXPECT_EQ(status, 0) << (of_the_session ? "of the session" : "of another session");
    ::close(master);
  }
}

}  // namespace
}  // namespace chargewright::daemon

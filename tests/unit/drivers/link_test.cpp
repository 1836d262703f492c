// Links over real sockets and pseudo-terminals of this machine; every wait is bounded.
#include "drivers/link.h"

#include <gtest/gtest.h>
#include <poll.h>
#include <pty.h>
#include <spawn.h>
#include <sys/ioctl.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/write.hpp>
#include <filesystem>
#include <functional>

#include "tests/support/places.h"

extern char** environ;

namespace chargewright::drivers {
namespace {

using namespace std::chrono_literals;
using boost::asio::ip::tcp;
using boost::system::error_code;

struct Listener final : LinkUser {
  int ups = 0, downs = 0;
  std::string received, why;
  std::function<void()> on_up = [] {};
  void link_up() override {
    ++ups;
    on_up();
  }
  void link_down(const std::string& reason) override {
    ++downs;
    why = reason;
  }
  void link_received(std::string_view bytes) override { received += bytes; }
};

constexpr LinkTimes quick{.connect = 200ms, .back_off_first = 5ms, .back_off_longest = 40ms};

// Runs the present test once more, with a library of tests/support preloaded; true: it passed.
bool passes_with(const std::string& preloaded, const std::string& setting) {
  const auto* now = testing::UnitTest::GetInstance()->current_test_info();
  std::vector<std::string> settings;
  for (char** one = environ; *one != nullptr; ++one) settings.emplace_back(*one);
  settings.push_back(setting);
  settings.push_back("LD_PRELOAD=" + test::in_build("preloaded/" + preloaded));
  settings.push_back("ASAN_OPTIONS=verify_asan_link_order=0");
  std::vector<char*> environment;
  for (std::string& one : settings) environment.push_back(one.data());
  environment.push_back(nullptr);
  std::string program = "/proc/self/exe";
  std::string filter = std::string("--gtest_filter=") + now->test_suite_name() + '.' + now->name();
  char* arguments[] = {program.data(), filter.data(), nullptr};
  pid_t child = 0;
  if (posix_spawn(&child, program.c_str(), nullptr, nullptr, arguments, environment.data()) != 0) {
    return false;
  }
  int status = 0;
  return waitpid(child, &status, 0) == child && WIFEXITED(status) && WEXITSTATUS(status) == 0;
}

struct LinkTest : testing::Test {
  boost::asio::io_context context;
  Listener user;

  bool until(const std::function<bool()>& holds, std::chrono::milliseconds limit = 3000ms) {
    const auto end = std::chrono::steady_clock::now() + limit;
    while (!holds()) {
      if (std::chrono::steady_clock::now() > end) return false;
      if (context.stopped()) context.restart();
      context.run_one_for(20ms);
    }
    return true;
  }
};

struct TcpLink : LinkTest {
  tcp::acceptor acceptor{context, tcp::endpoint(boost::asio::ip::make_address("127.0.0.1"), 0)};
  std::uint16_t port = acceptor.local_endpoint().port();
  std::unique_ptr<Link> link = make_link(context, TcpAddress{"127.0.0.1", port}, user, quick);

  tcp::socket accept() {
    tcp::socket peer(context);
    bool done = false;
    acceptor.async_accept(peer, [&](error_code) { done = true; });
    EXPECT_TRUE(until([&] { return done; }));
    return peer;
  }
};

TEST_F(TcpLink, carries_bytes_both_ways) {
  link->start();
  tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return user.ups == 1; }));
  EXPECT_TRUE(link->write("*IDN?\n"));
  std::string heard(6, 0);
  boost::asio::read(peer, boost::asio::buffer(heard));
  EXPECT_EQ(heard, "*IDN?\n");
  boost::asio::write(peer, boost::asio::buffer(std::string("half an ans")));
  ASSERT_TRUE(until([&] { return user.received == "half an ans"; }));
  boost::asio::write(peer, boost::asio::buffer(std::string("wer\n")));
  EXPECT_TRUE(until([&] { return user.received == "half an answer\n"; }));
  tcp::no_delay no_delay;
  EXPECT_EQ(user.downs, 0);
}

TEST_F(TcpLink, never_calls_its_user_inside_start_or_write) {
  link->start();
  EXPECT_EQ(user.ups + user.downs, 0);
  tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return link->is_up(); }));
  peer.set_option(tcp::socket::linger(true, 0));
  peer.close();  // resets: a write then fails at once
  for (int k = 0; k < 1000 && link->is_up(); ++k) link->write("x");
  EXPECT_EQ(user.downs, 0);
  EXPECT_TRUE(until([&] { return user.downs == 1; }));
}

TEST_F(TcpLink, opens_again_after_a_loss) {  // S3
  link->start();
  {
    tcp::socket peer = accept();
    ASSERT_TRUE(until([&] { return user.ups == 1; }));
  }
  ASSERT_TRUE(until([&] { return user.downs == 1; }));
  EXPECT_EQ(user.why, "the other side closed the link");
  EXPECT_FALSE(link->is_up());
  EXPECT_FALSE(link->write("lost"));
  tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return user.ups == 2; }));
  EXPECT_TRUE(link->write("again"));
  std::string heard(5, 0);
  boost::asio::read(peer, boost::asio::buffer(heard));
  EXPECT_EQ(heard, "again");  // nothing of before the loss
}

TEST_F(TcpLink, tries_again_ever_more_slowly_while_refused) {
  acceptor.close();
  link->start();
  std::vector<std::chrono::steady_clock::time_point> at;
  for (int n = 1; n <= 6; ++n) {
    ASSERT_TRUE(until([&] { return user.downs == n; }));
    at.push_back(std::chrono::steady_clock::now());
  }
  EXPECT_NE(user.why.find("connecting failed"), std::string::npos) << user.why;
  EXPECT_GE(at[5] - at[4], 40ms);  // 5, 10, 20, 40, 40
  EXPECT_GE(at[4] - at[3], 40ms);
  EXPECT_GE(at[2] - at[1], 10ms);
}

TEST_F(TcpLink, gives_up_a_connection_that_does_not_come_about) {
  // A listener whose queue is full answers nothing.
  tcp::acceptor deaf(context);
  deaf.open(tcp::v4());
  deaf.bind(tcp::endpoint(boost::asio::ip::make_address("127.0.0.1"), 0));
  deaf.listen(0);
  tcp::socket first(context), second(context);
  first.connect(deaf.local_endpoint());
  second.async_connect(deaf.local_endpoint(), [](error_code) {});
  auto blocked =
      make_link(context, TcpAddress{"127.0.0.1", deaf.local_endpoint().port()}, user, quick);
  blocked->start();
  ASSERT_TRUE(until([&] { return user.downs == 1; }));
  EXPECT_EQ(user.why, "no connection within 200 ms");
}

// The name of a host may stand for two addresses; this test runs itself once more with a library
// preloaded that knows such a name.
TEST_F(TcpLink, tries_the_next_address_of_a_name_where_one_swallows_its_call) {
  constexpr const char* marker = "CHARGEWRIGHT_TWO_HOMED";
  if (std::getenv(marker) == nullptr) {
    EXPECT_TRUE(passes_with("two_addresses.so", std::string(marker) + "=1"));
    return;
  }
  tcp::acceptor deaf(context);
  deaf.open(tcp::v4());
  deaf.bind(tcp::endpoint(boost::asio::ip::make_address("127.0.0.2"), port));
  deaf.listen(0);
  tcp::socket first(context), second(context);
  first.connect(deaf.local_endpoint());
  second.async_connect(deaf.local_endpoint(), [](error_code) {});
  auto named = make_link(context, TcpAddress{"two-homed", port}, user, quick);
  named->start();
  tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return user.ups == 1; })) << user.why;
  EXPECT_EQ(user.why, "no connection within 200 ms");
}

// The name service does not answer: these run themselves once more with a library preloaded that
// stands for such a one (tests/support/slow_names.c).
struct ANameServiceThatIsSlow : TcpLink {
  static constexpr const char* marker = "CHARGEWRIGHT_SLOW_NAMES";
  static bool is_slow() {
    if (std::getenv(marker) != nullptr) return true;
    EXPECT_TRUE(passes_with("slow_names.so", std::string(marker) + "=1"));
    return false;
  }
  std::unique_ptr<Link> to(const char* name, LinkUser& listener) {
    return make_link(context, TcpAddress{name, port}, listener, quick);
  }
};

TEST_F(ANameServiceThatIsSlow, keeps_no_other_instrument_waiting) {  // S4
  if (!is_slow()) return;
  Listener lost, found, numbered;
  auto slow = to("slow", lost);
  auto good = to("good", found);
  auto number = to("127.0.0.1", numbered);
  slow->start();
  good->start();
  number->start();
  const tcp::socket one = accept();
  const tcp::socket other = accept();
  EXPECT_TRUE(until([&] { return found.ups + numbered.ups == 2; }, 1000ms));
  EXPECT_EQ(found.downs + numbered.downs, 0);
}

TEST_F(ANameServiceThatIsSlow, does_not_hold_up_the_end) {
  if (!is_slow()) return;
  const auto began = std::chrono::steady_clock::now();
  {
    boost::asio::io_context own;
    auto slow = make_link(own, TcpAddress{"slow", port}, user, quick);
    slow->start();
    own.run_for(100ms);
  }
  EXPECT_LT(std::chrono::steady_clock::now() - began, 1500ms);
}

TEST_F(ANameServiceThatIsSlow, does_not_keep_a_lost_link_from_opening_again) {  // S3 S4
  if (!is_slow()) return;
  auto named = to("once", user);
  named->start();
  for (int n = 1; n <= 3; ++n) {
    const tcp::socket peer = accept();
    ASSERT_TRUE(until([&] { return user.ups == n; }, 1000ms)) << user.why;
  }
}

TEST_F(ANameServiceThatIsSlow, has_more_time_for_the_first_answer_than_the_instrument) {
  if (!is_slow()) return;
  auto named = to("late", user);
  named->start();
  const tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return user.ups == 1; }));
  EXPECT_EQ(user.downs, 0) << user.why;
}

TEST_F(ANameServiceThatIsSlow, is_told_and_what_it_says_at_last_is_used) {
  if (!is_slow()) return;
  auto named = to("later", user);
  named->start();
  ASSERT_TRUE(until([&] { return user.downs == 1; }));
  EXPECT_EQ(user.why, "the host's name is not looked up within 1000 ms");
  const tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return user.ups == 1; })) << user.why;
}

TEST_F(TcpLink, does_not_find_a_host_that_is_none) {
  auto lost = make_link(context, TcpAddress{"no-such-host.invalid", 5025}, user, quick);
  lost->start();
  ASSERT_TRUE(until([&] { return user.downs >= 1; }, 10s));
}

TEST_F(TcpLink, sends_the_rest_later_and_goes_down_when_too_much_waits) {
  link->start();
  tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return user.ups == 1; }));
  const std::string block(16 * 1024, 'b');
  std::size_t sent = 0;
  while (link->write(block)) sent += block.size();  // the peer does not read
  EXPECT_GE(sent, 64U * 1024U);
  EXPECT_FALSE(link->is_up());
  ASSERT_TRUE(until([&] { return user.downs == 1; }));
  EXPECT_NE(user.why.find("64 KiB"), std::string::npos);
}

TEST_F(TcpLink, keeps_the_order_of_what_had_to_wait) {
  link->start();
  tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return user.ups == 1; }));
  peer.non_blocking(true);
  std::string sent, heard;
  std::array<char, 65536> buffer{};
  for (int k = 0; k < 40'000; ++k) {
    const std::string piece = std::to_string(k) + ";;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;";
    ASSERT_TRUE(link->write(piece));
    sent += piece;
    if (k % 200 == 0) {
      error_code error;
      heard.append(buffer.data(), peer.read_some(boost::asio::buffer(buffer), error));
      context.poll();
    }
  }
  ASSERT_TRUE(until([&] {
    error_code error;
    heard.append(buffer.data(), peer.read_some(boost::asio::buffer(buffer), error));
    return heard.size() == sent.size();
  }));
  EXPECT_EQ(heard, sent);
}

TEST_F(TcpLink, is_silent_once_stopped_or_gone) {
  link->start();
  tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return user.ups == 1; }));
  boost::asio::write(peer, boost::asio::buffer(std::string("late")));
  link->stop();
  context.run_for(20ms);
  EXPECT_EQ(user.received, "");
  EXPECT_EQ(user.downs, 0);
  link->start();
  link.reset();
  context.restart();
  context.run_for(20ms);
  EXPECT_EQ(user.ups, 1);
}

TEST_F(TcpLink, may_be_stopped_from_its_own_call) {
  user.on_up = [&] { link->stop(); };
  link->start();
  tcp::socket peer = accept();
  ASSERT_TRUE(until([&] { return user.ups == 1; }));
  context.run_for(30ms);
  EXPECT_EQ(user.ups, 1);
  EXPECT_EQ(user.downs, 0);
}

struct SerialLink : LinkTest {
  int master = -1, slave = -1;
  std::string device;
  void SetUp() override {
    char name[256];
    ASSERT_EQ(openpty(&master, &slave, name, nullptr, nullptr), 0);
    device = name;
  }
  void TearDown() override {
    if (master >= 0) close(master);
    if (slave >= 0) close(slave);
  }
  std::string heard_by_instrument(std::size_t bytes) {
    std::string heard(bytes, 0);
    std::size_t got = 0;
    while (got < bytes) {
      const ssize_t n = ::read(master, heard.data() + got, bytes - got);
      if (n <= 0) break;
      got += static_cast<std::size_t>(n);
    }
    heard.resize(got);
    return heard;
  }
  void carries_bytes_both_ways(const std::string& name) {
    auto link = make_link(context, SerialAddress{.device = name, .baud = 19200}, user, quick);
    link->start();
    ASSERT_TRUE(until([&] { return user.ups == 1; })) << user.why;
    EXPECT_TRUE(link->write("MEAS:VOLT?\n"));
    EXPECT_EQ(heard_by_instrument(11), "MEAS:VOLT?\n");
    ASSERT_EQ(::write(master, "+4.2E0\r\n", 8), 8);
    EXPECT_TRUE(until([&] { return user.received == "+4.2E0\r\n"; }));  // raw: no echo, CR kept
    termios line{};
    ASSERT_EQ(tcgetattr(slave, &line), 0);
    EXPECT_EQ(cfgetospeed(&line), speed_t{B19200});
    EXPECT_EQ(line.c_lflag & (ICANON | ECHO), 0U);
    EXPECT_EQ(user.downs, 0) << user.why;
  }
};

TEST_F(SerialLink, carries_bytes_both_ways_over_a_pseudo_terminal) {
  carries_bytes_both_ways(device);
}

TEST_F(SerialLink, follows_a_symbolic_link_to_a_pseudo_terminal) {
  const auto name =
      std::filesystem::temp_directory_path() / ("chargewright-pty-" + std::to_string(getpid()));
  std::filesystem::create_symlink(device, name);
  carries_bytes_both_ways(name);
  std::filesystem::remove(name);
}

TEST_F(SerialLink, goes_down_when_the_instrument_is_unplugged_and_waits_for_its_return) {
  auto link = make_link(context, SerialAddress{.device = device}, user, quick);
  link->start();
  ASSERT_TRUE(until([&] { return user.ups == 1; }));
  close(master);
  close(slave);
  master = slave = -1;
  ASSERT_TRUE(until([&] { return user.downs >= 3; }));
  EXPECT_FALSE(link->is_up());
  EXPECT_NE(user.why, "");
}

TEST_F(SerialLink, says_why_a_port_does_not_open) {
  for (const char* name : {"/dev/no-such-port", "/dev/null", "/etc/hostname"}) {
    Listener listener;
    auto link = make_link(context, SerialAddress{.device = name}, listener, quick);
    link->start();
    ASSERT_TRUE(until([&] { return listener.downs == 1; }));
    EXPECT_NE(listener.why.find(name), std::string::npos) << listener.why;
  }
}

// libserialport refuses a pseudo-terminal for want of modem lines; this test runs itself once more
// with a library preloaded that supplies them.
TEST_F(SerialLink, carries_bytes_both_ways_through_libserialport) {  // S3
  if (!std::filesystem::exists("/sys/class/tty")) {
    GTEST_SKIP() << "libserialport looks for ports in /sys/class/tty, which is not mounted here";
  }
  constexpr const char* marker = "CHARGEWRIGHT_MODEM_LINES";
  if (std::getenv(marker) != nullptr) {
    const auto name =
        std::filesystem::temp_directory_path() / ("chargewright-tty-" + std::to_string(getpid()));
    std::filesystem::create_symlink(device, name);
    carries_bytes_both_ways("/dev/../../.." + name.string());
    // A byte that the line damaged, by its parity or its frame, is read as NUL: no digit.
    termios line{};
    ASSERT_EQ(tcgetattr(slave, &line), 0);
    EXPECT_NE(line.c_iflag & INPCK, 0U);
    EXPECT_EQ(line.c_iflag & (IGNPAR | PARMRK), 0U);
    int bits = 0;
    ASSERT_EQ(ioctl(slave, TIOCMGET, &bits), 0);
    EXPECT_NE(bits & TIOCM_RTS, 0);
    std::filesystem::remove(name);
    return;
  }
  EXPECT_TRUE(passes_with("pty_modem_lines.so", std::string(marker) + "=1"));
}

// Linux waits in the last close of a port, up to half a minute, for what is unsent: the guard's
// thread must not. The preloaded library says that a byte is left, as a driver would that cannot
// discard.
TEST_F(SerialLink, discards_what_is_unsent_before_it_closes_and_lets_the_rest_flow) {  // S4 S6
  if (!std::filesystem::exists("/sys/class/tty")) {
    GTEST_SKIP() << "libserialport looks for ports in /sys/class/tty, which is not mounted here";
  }
  constexpr const char* marker = "CHARGEWRIGHT_MODEM_LINES";
  if (std::getenv(marker) == nullptr) {
    EXPECT_TRUE(passes_with("pty_modem_lines.so", std::string(marker) + "=1"));
    return;
  }
  const auto name =
      std::filesystem::temp_directory_path() / ("chargewright-tty-" + std::to_string(getpid()));
  std::filesystem::create_symlink(device, name);
  const SerialAddress address{.device = "/dev/../../.." + name.string(),
                              .flow = FlowControl::rts_cts};
  auto link = make_link(context, address, user, quick);
  link->start();
  ASSERT_TRUE(until([&] { return user.ups == 1; })) << user.why;
  std::filesystem::remove(name);
  termios line{};
  ASSERT_EQ(tcgetattr(slave, &line), 0);
  ASSERT_NE(line.c_cflag & CRTSCTS, 0U);
  const std::string sent(6144, 'x');  // more than the other side takes unasked: 4 KiB
  ASSERT_TRUE(link->write(sent));
  link->stop();
  std::size_t heard = 0;
  pollfd other{.fd = master, .events = POLLIN, .revents = 0};
  while (poll(&other, 1, 200) == 1) heard += heard_by_instrument(1).size();
  EXPECT_LT(heard, sent.size());
  ASSERT_EQ(tcgetattr(slave, &line), 0);
  EXPECT_EQ(line.c_cflag & CRTSCTS, 0U);
}

}  // namespace
}  // namespace chargewright::drivers

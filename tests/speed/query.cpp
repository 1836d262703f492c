// One SCPI query through link and conversation, against a bare blocking socket loop that asks the
// same loopback instrument in the same run. Target: at most 1.10 of it.
//
//   build/release/tests/speed/speed_query [rounds]
//
// The two take turns in blocks, so that a busy machine slows both alike; the ratio is that of the
// medians of the blocks.

#include <arpa/inet.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <sched.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <thread>
#include <vector>

#include "drivers/instrument.h"
#include "drivers/link.h"
#include "tests/support/places.h"

namespace {

using namespace chargewright::drivers;
using Clock = std::chrono::steady_clock;

// The scheduler puts asker and instrument now on one core, now on two, which changes the round trip
// tenfold: each is kept on its own, as two machines would be.
void stay_on_core(unsigned core) {
  cpu_set_t set;
  CPU_ZERO(&set);
  CPU_SET(core % std::max(1U, std::thread::hardware_concurrency()), &set);
  sched_setaffinity(0, sizeof set, &set);
}

// The instrument: answers every line with one reading, each connection on a thread of its own.
class Answerer {
 public:
  Answerer() {
    listener_ = socket(AF_INET, SOCK_STREAM, 0);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    bind(listener_, reinterpret_cast<sockaddr*>(&address), sizeof address);
    listen(listener_, 4);
    socklen_t length = sizeof address;
    getsockname(listener_, reinterpret_cast<sockaddr*>(&address), &length);
    port_ = ntohs(address.sin_port);
    accepting_ = std::thread([this] { accept_all(); });
  }
  ~Answerer() {
    shutdown(listener_, SHUT_RDWR);
    accepting_.join();
    for (const int connection : connections_) shutdown(connection, SHUT_RDWR);
    for (std::thread& thread : serving_) thread.join();
    for (const int connection : connections_) close(connection);
    close(listener_);
  }
  [[nodiscard]] std::uint16_t port() const { return port_; }

 private:
  void accept_all() {
    int connection = 0;
    while ((connection = accept(listener_, nullptr, nullptr)) >= 0) {
      const int on = 1;
      setsockopt(connection, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
      connections_.push_back(connection);
      serving_.emplace_back([connection] { serve(connection); });
    }
  }
  static void serve(int connection) {
    stay_on_core(1);
    char bytes[512];
    std::string line;
    std::string nonce;
    ssize_t count = 0;
    while ((count = recv(connection, bytes, sizeof bytes, 0)) > 0) {
      for (ssize_t k = 0; k < count; ++k) {
        if (bytes[k] != '\n') {
          line += bytes[k];
          continue;
        }
        // What a conversation says when it begins: a nonce stored and asked back.
        if (line.starts_with("*ESE ")) nonce = line.substr(5, line.find(';') - 5);
        std::string answer;
        if (line.ends_with("*ESE?")) {
          answer = nonce + "\n";
        } else if (line.find('?') != std::string::npos) {
          answer = "+4.20000000E+00\n";
        }
        line.clear();
        if (!answer.empty()) send(connection, answer.data(), answer.size(), MSG_NOSIGNAL);
      }
    }
  }

  int listener_ = -1;
  std::uint16_t port_ = 0;
  std::thread accepting_;
  std::vector<int> connections_;
  std::vector<std::thread> serving_;
};

// The baseline: write, read to the newline, nothing else.
class BareLoop {
 public:
  explicit BareLoop(std::uint16_t port) : socket_(socket(AF_INET, SOCK_STREAM, 0)) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    address.sin_port = htons(port);
    if (connect(socket_, reinterpret_cast<sockaddr*>(&address), sizeof address) != 0) std::abort();
    const int on = 1;
    setsockopt(socket_, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
  }
  ~BareLoop() { close(socket_); }
  void ask() const {
    static constexpr char question[] = "MEAS:VOLT?\n";
    send(socket_, question, sizeof question - 1, 0);
    char bytes[64];
    ssize_t count = 0;
    do {
      count = recv(socket_, bytes, sizeof bytes, 0);
    } while (count > 0 && bytes[count - 1] != '\n');
  }

 private:
  int socket_;
};

// Ours: link and conversation, as the guard thread drives them.
class Ours : public LinkUser {
 public:
  Ours(std::uint16_t port, Dialect dialect)
      : instrument_({.name = "supply", .id = 0, .identity = ".*", .dialect = std::move(dialect)}),
        link_(make_link(context_, TcpAddress{"127.0.0.1", port}, *this)) {
    link_->start();
    while (!instrument_.is_up()) step();
  }
  void ask() {
    instrument_.order({.instrument = 0, .verb = Verb::measure_voltage}, now());
    Outcome outcome;
    push();
    while (!instrument_.take(outcome)) step();
    if (outcome.ending != Ending::done) {
      std::fprintf(stderr, "query: the answer was lost\n");
      std::exit(1);
    }
  }
  void link_up() override {
    instrument_.link_up(now());
    push();
  }
  void link_down(const std::string& why) override {
    std::fprintf(stderr, "query: link lost: %s\n", why.c_str());
    std::exit(1);
  }
  void link_received(std::string_view bytes) override {
    instrument_.receive(bytes, now());
    push();
  }

 private:
  static Instant now() {
    return Instant{std::chrono::duration_cast<Duration>(Clock::now().time_since_epoch())};
  }
  void step() {
    context_.run_one();
    instrument_.turn(now());
    push();
  }
  void push() {
    const std::string_view bytes = instrument_.to_write();
    if (bytes.empty()) return;
    link_->write(bytes);
    instrument_.written(bytes.size());
  }

  boost::asio::io_context context_{1};
  Instrument instrument_;
  std::unique_ptr<Link> link_;
};

template <class Asker>
double microseconds_each(Asker& asker, int count) {
  const auto began = Clock::now();
  for (int k = 0; k < count; ++k) asker.ask();
  return std::chrono::duration<double, std::micro>(Clock::now() - began).count() / count;
}

double median(std::vector<double> values) {
  std::nth_element(values.begin(), values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2),
                   values.end());
  return values[values.size() / 2];
}

}  // namespace

int main(int argc, char** argv) {
  const int rounds = argc > 1 ? std::atoi(argv[1]) : 200;
  constexpr int block = 200;
  const auto dialect =
      load_dialect("scpi-meter", {chargewright::test::in_source("drivers/dialects")});
  if (!dialect.has_value()) {
    std::fprintf(stderr, "%s\n", describe(dialect.error()).c_str());
    return 1;
  }
  stay_on_core(0);
  Answerer answerer;
  BareLoop bare(answerer.port());
  Ours ours(answerer.port(), *dialect);
  microseconds_each(bare, block);
  microseconds_each(ours, block);

  std::vector<double> bare_us;
  std::vector<double> ours_us;
  for (int round = 0; round < rounds; ++round) {
    bare_us.push_back(microseconds_each(bare, block));
    ours_us.push_back(microseconds_each(ours, block));
  }
  std::printf("one query, %d blocks of %d: bare loop %.2f us, link and conversation %.2f us\n",
              rounds, block, median(bare_us), median(ours_us));
  std::printf("ratio %.3f (target at most 1.10)\n", median(ours_us) / median(bare_us));
}

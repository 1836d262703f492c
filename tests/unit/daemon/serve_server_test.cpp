// The server with real sockets, on loopback (a Unix socket in a folder of its own): what clients
// can do wrong, and that none of them keeps another from being served.

#include <gtest/gtest.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <future>
#include <memory>

#include "daemon/serve/server.h"
#include "tests/unit/daemon/serve_client.h"
#include "tests/unit/daemon/serve_fake.h"

namespace chargewright::daemon {
namespace {

using namespace std::chrono_literals;
namespace fs = std::filesystem;

class Serving : public testing::Test {
 protected:
  Serving() {
    std::string name = (fs::temp_directory_path() / "chargewright-serve-XXXXXX").string();
    folder_ = ::mkdtemp(name.data());
    socket_ = folder_ + "/run/control";
  }
  ~Serving() override {
    server_.reset();
    fs::remove_all(folder_);
  }
  void start(ServerBounds bounds = {}) {
    server_ = std::move(
        Server::start(
            socket_, bench_, backlog_, [](const std::string& why) { FAIL() << why; }, bounds)
            .value());
  }
  std::string exchange(const std::string& request) {
    Client client{socket_};
    client.send(request);
    return client.read_to_end();
  }

  std::string folder_;
  std::string socket_;
  FakeOperations bench_;
  Backlog backlog_;
  std::unique_ptr<Server> server_;
};

TEST_F(Serving, answers_in_json_and_knows_who_asks_from_the_socket_itself) {
  start();
  const std::string answer = exchange(get("/v1/bench"));
  EXPECT_TRUE(answer.starts_with("HTTP/1.1 200 OK\r\n")) << answer;
  EXPECT_NE(answer.find("Content-Type: application/json"), std::string::npos);
  EXPECT_TRUE(answer.ends_with("{\"bench\":\"hut-bench\"}\n"));
  exchange(post("/v1/cut"));
  EXPECT_EQ(bench_.calls.back(), "cut all by " + std::to_string(::getuid()));
}

TEST_F(Serving, only_owner_and_group_may_connect) {
  start();
  struct stat facts {};
  ASSERT_EQ(::stat(socket_.c_str(), &facts), 0);
  EXPECT_EQ(facts.st_mode & 0777, 0660U);
}

TEST_F(Serving, one_connection_carries_many_requests) {
  start();
  Client client{socket_};
  for (int i = 0; i < 20; ++i) {
    client.send("GET /v1/bench HTTP/1.1\r\nHost: x\r\n\r\n");
    EXPECT_NE(client.read_until("hut-bench\"}\n").find("200 OK"), std::string::npos);
  }
}

TEST_F(Serving, what_is_not_http_is_told_so_and_closed) {
  start();
  for (const std::string& nonsense :
       {std::string{"hello\r\n\r\n"}, std::string{"\0\0\0\0\r\n\r\n", 8},
        std::string{"GET / HTTP/9.9\r\n\r\n"},
        std::string{"GET /v1/bench HTTP/1.1\r\nno colon\r\n\r\n"},
        std::string{"POST /v1/cut HTTP/1.1\r\nContent-Length: -5\r\n\r\n"},
        std::string{"POST /v1/cut HTTP/1.1\r\nContent-Length: 99999999999999999999\r\n\r\n"}}) {
    Client client{socket_};
    client.send(nonsense);
    const std::string answer = client.read_to_end();
    EXPECT_TRUE(answer.starts_with("HTTP/1.1 4")) << nonsense << " -> " << answer;
    EXPECT_TRUE(client.closed());
  }
  EXPECT_TRUE(bench_.calls.empty());
}

TEST_F(Serving, what_is_over_its_bound_is_refused) {
  start();
  EXPECT_TRUE(exchange("GET /v1/bench HTTP/1.1\r\nX: " + std::string(9000, 'x') + "\r\n\r\n")
                  .starts_with("HTTP/1.1 431"));
  Client announced{socket_};  // refused by its length alone, before a byte of the body came
  announced.send("POST /v1/channels/left/start HTTP/1.1\r\nContent-Length: 600000\r\n\r\n");
  EXPECT_TRUE(announced.read_to_end().starts_with("HTTP/1.1 413"));
  std::string chunked = "POST /v1/approve HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\n";
  for (int i = 0; i < 60; ++i) chunked += "2710\r\n" + std::string(10'000, ' ') + "\r\n";
  Client creeping{socket_};
  creeping.send(chunked);
  EXPECT_TRUE(creeping.read_to_end().starts_with("HTTP/1.1 413"));
  EXPECT_TRUE(bench_.calls.empty());
}

TEST_F(Serving, a_client_that_does_not_finish_its_request_is_dropped) {
  start({.idle = 100ms});
  Client slow{socket_};
  slow.send("GET /v1/ben");
  slow.read_to_end();
  EXPECT_TRUE(slow.closed());
}

TEST_F(Serving, a_cut_passes_a_start_that_waits_for_its_disk) {  // S4
  std::promise<void> disk_is_back;
  auto waiting = disk_is_back.get_future().share();
  bench_.when_slow = [waiting] { waiting.wait_for(10s); };
  start();
  Client starting{socket_};
  starting.send(post("/v1/channels/left/start",
                     R"({"profile":{"name":"p","text":"P"},"cell":{"name":"c","text":"C"}})"));
  EXPECT_TRUE(exchange(post("/v1/cut")).starts_with("HTTP/1.1 200"));
  EXPECT_TRUE(bench_.calls.at(0).starts_with("cut all"));
  disk_is_back.set_value();
  EXPECT_TRUE(starting.read_to_end().starts_with("HTTP/1.1 201"));
}

// It was told that no answer came, and nobody stands by when the output goes on.
TEST_F(Serving, a_start_is_not_done_once_its_client_has_gone) {  // S1
  std::promise<void> disk_is_back;
  auto waiting = disk_is_back.get_future().share();
  bench_.when_slow = [waiting] { waiting.wait_for(10s); };
  start();
  Client listing{socket_};
  listing.send(get("/v1/runs"));
  const std::string wanted =
      post("/v1/channels/left/start",
           R"({"profile":{"name":"p","text":"P"},"cell":{"name":"c","text":"C"}})");
  {
    Client starting{socket_};
    starting.send(wanted);
    exchange(get("/v1/bench"));  // by then it is read
  }
  Client patient{socket_};
  patient.send(wanted);
  patient.says_no_more();
  exchange(get("/v1/bench"));
  disk_is_back.set_value();
  EXPECT_TRUE(listing.read_to_end().starts_with("HTTP/1.1 200"));
  EXPECT_TRUE(patient.read_to_end().starts_with("HTTP/1.1 201"));
  EXPECT_EQ(std::ranges::count_if(bench_.calls,
                                  [](const auto& call) { return call.starts_with("start"); }),
            1);
}

TEST_F(Serving, what_waits_for_the_disk_is_bounded) {
  std::promise<void> disk_is_back;
  auto waiting = disk_is_back.get_future().share();
  bench_.when_slow = [waiting] { waiting.wait_for(10s); };
  start({.slow_requests = 2});
  Client first{socket_};
  Client second{socket_};
  first.send(get("/v1/runs"));
  second.send(get("/v1/runs"));
  Client third{socket_};
  third.send(get("/v1/runs"));
  const std::string refused = third.read_to_end();
  EXPECT_TRUE(refused.starts_with("HTTP/1.1 503")) << refused;
  EXPECT_NE(refused.find("too many requests wait for the disk"), std::string::npos) << refused;
  disk_is_back.set_value();
  EXPECT_TRUE(first.read_to_end().starts_with("HTTP/1.1 200"));
  EXPECT_TRUE(second.read_to_end().starts_with("HTTP/1.1 200"));
}

TEST_F(Serving, a_hundred_connections_do_not_keep_a_cut_from_being_answered) {  // S4
  start({.connections = 64, .connections_for_cuts = 16});
  std::vector<std::unique_ptr<Client>> idle;
  for (int i = 0; i < 64; ++i) {
    idle.push_back(std::make_unique<Client>(socket_));
    ASSERT_TRUE(idle.back()->connected());
    idle.back()->send("GET /v1/bench HTTP/1.1\r\n\r\n");
    ASSERT_NE(idle.back()->read_until("hut-bench\"}\n").find("200 OK"), std::string::npos) << i;
  }
  const std::string refused = exchange(get("/v1/bench"));
  EXPECT_TRUE(refused.starts_with("HTTP/1.1 503")) << refused;
  EXPECT_NE(refused.find("only a cut is answered"), std::string::npos) << refused;
  EXPECT_TRUE(exchange(post("/v1/cut")).starts_with("HTTP/1.1 200"));
  for (int i = 64; i < 100; ++i) idle.push_back(std::make_unique<Client>(socket_));
  idle.clear();
  std::string answer;
  for (int i = 0; i < 50 && !answer.starts_with("HTTP/1.1 200"); ++i) {
    answer = exchange(get("/v1/bench"));
  }
  EXPECT_TRUE(answer.starts_with("HTTP/1.1 200")) << answer;
}

TEST_F(Serving, events_are_streamed_as_they_happen) {
  start({.poll = 5ms});
  backlog_.publish({{"kind", "first"}});
  Client client{socket_};
  client.send(get("/v1/events"));
  EXPECT_NE(client.read_until("\"first\"").find("application/x-ndjson"), std::string::npos);
  backlog_.publish({{"kind", "second"}});
  EXPECT_NE(client.read_until("\"second\"").find("\"number\":2"), std::string::npos);
}

TEST_F(Serving, events_that_are_not_followed_end) {
  start();
  backlog_.publish({{"kind", "first"}});
  const std::string answer = exchange(get("/v1/events?follow=no"));
  EXPECT_NE(answer.find("\"first\""), std::string::npos);
  EXPECT_TRUE(answer.ends_with("0\r\n\r\n"));
}

TEST_F(Serving, a_listener_that_does_not_read_is_dropped_and_nobody_waits_for_it) {
  start({.idle = 100ms, .poll = 5ms});
  Client deaf{socket_};
  deaf.send(get("/v1/events"));
  deaf.read_until("ndjson");
  const boost::json::object event{{"text", std::string(4000, 'x')}};
  for (int i = 0; i < 300; ++i) backlog_.publish(event);
  for (int i = 0; i < 3; ++i) EXPECT_TRUE(exchange(get("/v1/bench")).starts_with("HTTP/1.1 200"));
  const auto give_up = std::chrono::steady_clock::now() + 5s;
  // Other requests pass the time in which the server finds the listener deaf.
  while (std::chrono::steady_clock::now() < give_up) {
    exchange(get("/v1/bench"));
    pollfd gone{.fd = -1, .events = 0, .revents = 0};
    ::poll(&gone, 0, 20);
    if (std::chrono::steady_clock::now() > give_up - 4500ms) break;
  }
  const std::string rest = deaf.read_to_end();
  EXPECT_TRUE(deaf.closed());
  EXPECT_FALSE(rest.ends_with("0\r\n\r\n"));
}

TEST_F(Serving, an_export_is_sent_whole_and_its_file_removed) {
  start();
  bench_.export_path = folder_ + "/export.csv";
  const std::string text(300'000, 'e');
  std::ofstream(bench_.export_path) << text;
  const std::string answer = exchange(get("/v1/runs/r1/export?format=bdf"));
  EXPECT_NE(answer.find("filename=\"r1.bdf.csv\""), std::string::npos);
  EXPECT_TRUE(answer.ends_with("\r\n\r\n" + text));
  EXPECT_FALSE(fs::exists(bench_.export_path));
}

TEST_F(Serving, a_socket_that_a_dead_daemon_left_is_taken_over_and_a_live_one_is_not) {
  start();
  EXPECT_FALSE(Server::start(socket_, bench_, backlog_, [](const std::string&) {}));
  server_.reset();
  EXPECT_FALSE(fs::exists(socket_));
  const int fd = ::socket(AF_UNIX, SOCK_STREAM, 0);
  sockaddr_un name{};
  name.sun_family = AF_UNIX;
  std::memcpy(name.sun_path, socket_.c_str(), socket_.size());
  ASSERT_EQ(::bind(fd, reinterpret_cast<sockaddr*>(&name), sizeof name), 0);
  ::close(fd);
  start();
  EXPECT_TRUE(exchange(get("/v1/bench")).starts_with("HTTP/1.1 200"));
}

TEST_F(Serving, a_file_in_the_place_of_the_socket_is_left_alone) {
  fs::create_directories(folder_ + "/run");
  std::ofstream(socket_) << "mine";
  EXPECT_FALSE(Server::start(socket_, bench_, backlog_, [](const std::string&) {}));
  EXPECT_TRUE(fs::exists(socket_));
}

}  // namespace
}  // namespace chargewright::daemon

// Clients that misbehave at the control socket: the run is none of their business.

#include <gtest/gtest.h>

#include "tests/bench/benches.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;

TEST(BadClients, get_an_error_or_nothing_and_the_run_goes_on) {
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();

  const std::string host = "Host: bench\r\n";
  const std::vector<std::string> requests{
      "\r\n\r\n",
      "no request at all\r\n\r\n",
      std::string("\x16\x03\x01\x02\0\x01\0", 7) + "\r\n\r\n",
      "GET /v1/channels/left\r\n\r\n",
      "GET /v1/channels/nowhere HTTP/1.1\r\n" + host + "\r\n",
      "GET /../../etc/passwd HTTP/1.1\r\n" + host + "\r\n",
      "GET /v1/runs/..%2F..%2Fcontrol HTTP/1.1\r\n" + host + "\r\n",
      "DELETE /v1/channels/left HTTP/1.1\r\n" + host + "\r\n",
      "GET /v1/bench HTTP/1.1\r\n" + host + "X: " + std::string(20'000, 'x') + "\r\n\r\n",
      "POST /v1/channels/left/start HTTP/1.1\r\n" + host + "Content-Length: 99999999999\r\n\r\n",
      "POST /v1/channels/left/start HTTP/1.1\r\n" + host + "Content-Length: -1\r\n\r\n",
      "POST /v1/channels/left/start HTTP/1.1\r\n" + host + "Content-Length: 5\r\n\r\n{\"a\":",
      "POST /v1/channels/left/start HTTP/1.1\r\n" + host + "Content-Length: 200\r\n\r\n" +
          std::string(200, '['),
      "POST /v1/channels/left/start HTTP/1.1\r\n" + host +
          "Transfer-Encoding: chunked\r\n\r\nzz\r\n",
      "POST /v1/approve HTTP/1.1\r\n" + host + "Content-Length: 4\r\n\r\nnull",
  };
  std::vector<std::unique_ptr<RawClient>> lingering;
  for (const std::string& request : requests) {
    RawClient client{bench.socket()};
    client.send(request);  // may be closed on us while we are still talking
    const std::string answer = client.receive(300ms);
    EXPECT_FALSE(answer.starts_with("HTTP/1.1 2")) << request.substr(0, 80) << " -> " << answer;
    lingering.push_back(std::make_unique<RawClient>(bench.socket()));
    lingering.back()->send(request.substr(0, request.size() / 2));  // and never goes on
  }
  EXPECT_TRUE(bench.simulator().is_charging());
  EXPECT_EQ(bench.phase(), "running");  // and others are answered
  const Finished cut = bench.command({"cut"});
  EXPECT_EQ(cut.exit_code, 0) << cut.err;
  EXPECT_FALSE(bench.simulator().output_is_on());
  EXPECT_EQ(run->wait(patience).exit_code, 4);
}

}  // namespace
}  // namespace chargewright::test

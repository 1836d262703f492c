#include "daemon/cli/client.h"

#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/http.hpp>
#include <boost/json.hpp>

namespace chargewright::daemon {

namespace asio = boost::asio;
namespace http = boost::beast::http;
using boost::system::error_code;
using drivers::Failure;
using drivers::Result;

namespace {

Failure not_permitted(const std::string& socket) {
  return {.place = {.file = socket},
          .cause = "you may not use this daemon's socket",
          .advice = "be a member of the group `chargewright` (after that, log in anew), or root"};
}

Failure no_answer(const std::string& socket, const std::string& why) {
  return {.place = {.file = socket},
          .cause = "no daemon answers on this socket: " + why,
          .advice = "start chargewrightd, or name its socket with --socket"};
}

// It was asked to do something, and may have.
Failure perhaps_done(Failure why) {
  why.cause += "; whether it was done is not known";
  why.advice = "look with `chargewright watch`; in doubt `chargewright cut`";
  return why;
}

}  // namespace

// One connection, one question; every wait is bounded by run().
struct Client::Exchange {
  explicit Exchange(const std::string& path) : path_(path) {}

  Result<void> connect(std::chrono::milliseconds wait) {
    error_code error = asio::error::timed_out;
    socket_.async_connect({path_}, [&error](error_code e) { error = e; });
    return finish(error, wait);
  }
  Result<void> send(const http::request<http::string_body>& request,
                    std::chrono::milliseconds wait) {
    error_code error = asio::error::timed_out;
    http::async_write(socket_, request, [&error](error_code e, std::size_t) { error = e; });
    return finish(error, wait);
  }
  template <class Parser>
  Result<void> read_header(Parser& parser, std::chrono::milliseconds wait) {
    error_code error = asio::error::timed_out;
    http::async_read_header(socket_, buffer_, parser,
                            [&error](error_code e, std::size_t) { error = e; });
    return finish(error, wait);
  }
  template <class Parser>
  Result<void> read(Parser& parser, std::chrono::milliseconds wait) {
    error_code error = asio::error::timed_out;
    http::async_read(socket_, buffer_, parser, [&error](error_code e, std::size_t) { error = e; });
    return finish(error, wait);
  }
  template <class Parser>
  Result<void> read_some(Parser& parser, std::chrono::milliseconds wait) {
    error_code error = asio::error::timed_out;
    http::async_read_some(socket_, buffer_, parser,
                          [&error](error_code e, std::size_t) { error = e; });
    // A full buffer is what streaming lives on.
    const Result<void> done = finish(error, wait);
    if (!done && error == http::error::need_buffer) return {};
    return done;
  }

 private:
  Result<void> finish(error_code& error, std::chrono::milliseconds wait) {
    io_.restart();
    io_.run_for(wait);
    if (!io_.stopped()) {  // still waiting: give up, and let the handler run before it goes
      error_code ignored;
      socket_.close(ignored);
      io_.run();
      error = asio::error::timed_out;
    }
    if (error == boost::system::errc::permission_denied) return not_permitted(path_);
    if (error) return no_answer(path_, error.message());
    return {};
  }

  const std::string& path_;
  asio::io_context io_{1};
  asio::local::stream_protocol::socket socket_{io_};
  boost::beast::flat_buffer buffer_;
};

namespace {

http::request<http::string_body> request_for(http::verb method, const std::string& target,
                                             std::string body) {
  http::request<http::string_body> request{method, target, 11};
  request.set(http::field::host, "chargewright");
  request.set(http::field::connection, "close");
  if (!body.empty()) request.set(http::field::content_type, "application/json");
  request.body() = std::move(body);
  request.prepare_payload();
  return request;
}

Result<Reply> reply_of(const std::string& socket, int status, const std::string& body) {
  error_code error;
  Reply reply{.status = status, .json = boost::json::parse(body, error)};
  if (error) return no_answer(socket, "what answers is not a daemon of ours");
  return reply;
}

}  // namespace

Result<Reply> Client::get(const std::string& target, std::chrono::milliseconds wait) const {
  if (socket_.size() > 107) return no_answer(socket_, "its path is over 107 bytes");
  Exchange exchange{socket_};
  if (auto up = exchange.connect(wait); !up) return up.error();
  if (auto sent = exchange.send(request_for(http::verb::get, target, {}), wait); !sent) {
    return sent.error();
  }
  http::response_parser<http::string_body> parser;
  parser.body_limit(16 * 1024 * 1024);
  if (auto read = exchange.read(parser, wait); !read) return read.error();
  return reply_of(socket_, parser.get().result_int(), parser.get().body());
}

Result<Reply> Client::post(const std::string& target, const boost::json::value& body,
                           std::chrono::milliseconds wait) const {
  if (socket_.size() > 107) return no_answer(socket_, "its path is over 107 bytes");
  Exchange exchange{socket_};
  if (auto up = exchange.connect(wait); !up) return up.error();
  const auto request = request_for(http::verb::post, target,
                                   body.is_null() ? std::string{} : boost::json::serialize(body));
  if (auto sent = exchange.send(request, wait); !sent) return sent.error();
  http::response_parser<http::string_body> parser;
  if (auto read = exchange.read(parser, wait); !read) return perhaps_done(read.error());
  return reply_of(socket_, parser.get().result_int(), parser.get().body());
}

Result<Reply> Client::download(const std::string& target,
                               const std::function<bool(std::string_view)>& take) const {
  constexpr std::chrono::seconds wait{15};  // the daemon says that it lives every 5 s
  if (socket_.size() > 107) return no_answer(socket_, "its path is over 107 bytes");
  Exchange exchange{socket_};
  if (auto up = exchange.connect(wait); !up) return up.error();
  if (auto sent = exchange.send(request_for(http::verb::get, target, {}), wait); !sent) {
    return sent.error();
  }
  http::response_parser<http::buffer_body> parser;
  parser.body_limit(boost::none);
  // An export is made before its first byte comes.
  if (auto read = exchange.read_header(parser, std::chrono::minutes(5)); !read) {
    return read.error();
  }
  const int status = parser.get().result_int();
  const bool ok = status >= 200 && status < 300;
  std::string refusal;
  char piece[16 * 1024];
  while (!parser.is_done()) {
    parser.get().body().data = piece;
    parser.get().body().size = sizeof piece;
    if (auto read = exchange.read_some(parser, wait); !read) return read.error();
    const std::string_view got{piece, sizeof piece - parser.get().body().size};
    if (!ok) {
      refusal += got;
      if (refusal.size() > 1024 * 1024) return no_answer(socket_, "its answer has no end");
    } else if (!got.empty() && !take(got)) {
      return Reply{.status = status, .json = nullptr};
    }
  }
  if (!ok) return reply_of(socket_, status, refusal);
  return Reply{.status = status, .json = nullptr};
}

}  // namespace chargewright::daemon

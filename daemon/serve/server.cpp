#include "daemon/serve/server.h"

#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include <atomic>
#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/beast/core/basic_stream.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/http.hpp>
#include <boost/json.hpp>
#include <filesystem>
#include <set>
#include <thread>

#include "daemon/serve/api.h"
#include "daemon/serve/sent_file.h"
#include "daemon/state/disk.h"

namespace chargewright::daemon {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = beast::http;
using local = asio::local::stream_protocol;
using boost::system::error_code;

namespace {

class Session;

}  // namespace

// What the sessions share; touched from the server's own thread alone, `io` apart.
struct Server::State {
  State(std::string path, Operations& ops, const Backlog& log, const ServerBounds& limits)
      : socket(std::move(path)), operations(ops), backlog(log), bounds(limits) {}

  const std::string socket;
  Operations& operations;
  const Backlog& backlog;
  const ServerBounds bounds;
  asio::io_context io{1};
  local::acceptor acceptor{io};
  asio::steady_timer accept_again{io};
  asio::thread_pool slow{1};
  std::atomic<int> slow_requests = 0;
  std::set<Session*> sessions;
  std::atomic<std::uint64_t> pulses = 0;
  std::function<void(const std::string&)> died;
  std::thread thread;

  void accept();
  void run();
};

namespace {

Person person_behind(int descriptor) {
  ucred who{};
  socklen_t size = sizeof who;
  if (::getsockopt(descriptor, SOL_SOCKET, SO_PEERCRED, &who, &size) != 0) {
    return {.uid = static_cast<std::uint32_t>(-1), .pid = 0};
  }
  return {.uid = who.uid, .pid = who.pid};
}

// Whether a client still holds its end of a connection; one that has only said all that it wants
// does. A descriptor of its own: the session may close the other one meanwhile.
class Peer {
 public:
  explicit Peer(int descriptor) : descriptor_(::fcntl(descriptor, F_DUPFD_CLOEXEC, 0)) {}
  ~Peer() {
    if (descriptor_ >= 0) ::close(descriptor_);
  }
  Peer(const Peer&) = delete;
  Peer& operator=(const Peer&) = delete;
  [[nodiscard]] bool has_left() const {
    pollfd end{.fd = descriptor_, .events = 0, .revents = 0};
    return descriptor_ < 0 || ::poll(&end, 1, 0) != 0;  // what cannot be asked is not there
  }

 private:
  int descriptor_;
};

// One connection. It lives as long as an operation of its is pending.
class Session : public std::enable_shared_from_this<Session> {
 public:
  Session(local::socket socket, Server::State& server, bool cuts_only)
      : stream_(std::move(socket)),
        news_(server.io),
        server_(server),
        cuts_only_(cuts_only),
        by_(person_behind(stream_.socket().native_handle())) {
    server_.sessions.insert(this);
  }
  ~Session() {
    let_go();
    server_.sessions.erase(this);
  }

  void close() {
    error_code ignored;
    news_.cancel();
    stream_.socket().close(ignored);
  }

  void read() {
    parser_.emplace();
    parser_->header_limit(server_.bounds.header_bytes);
    parser_->body_limit(server_.bounds.body_bytes);
    stream_.expires_after(server_.bounds.idle);
    http::async_read(
        stream_, buffer_, *parser_,
        [self = shared_from_this()](error_code error, std::size_t) { self->on_read(error); });
  }

 private:
  void on_read(error_code error) {
    if (error == http::error::end_of_stream) return close();
    if (error == http::error::header_limit) return refuse(431, "the header is over its bound");
    if (error == http::error::body_limit) return refuse(413, "the body is over its bound");
    if (error.category() == http::make_error_code(http::error::bad_method).category()) {
      return refuse(400, "this is not HTTP/1.1: " + error.message());
    }
    if (error) return close();  // gone, or too slow

    const auto& message = parser_->get();
    keep_alive_ = message.keep_alive();
    version_ = message.version();
    ApiRequest request{.method = std::string{message.method_string()},
                       .target = std::string{message.target()},
                       .body = message.body(),
                       .by = by_};
    if (cuts_only_ && !is_cut(request)) {
      return refuse(503, "too many connections; only a cut is answered on this one");
    }
    if (!is_slow(request)) return answer(respond_to(request, server_.operations));
    work(std::move(request));
  }

  // On the second thread; the answer comes back to ours.
  void work(ApiRequest request) {
    if (server_.slow_requests.fetch_add(1) >= server_.bounds.slow_requests) {
      server_.slow_requests.fetch_sub(1);
      return refuse(503, "too many requests wait for the disk; try again");
    }
    stream_.expires_never();
    const auto peer = std::make_shared<Peer>(stream_.socket().native_handle());
    request.by.has_left = [peer] { return peer->has_left(); };
    asio::post(server_.slow, [self = shared_from_this(), request = std::move(request)]() mutable {
      Server::State& server = self->server_;
      // What came before it may have taken long, and whoever gave up took it for not done.
      auto response = std::make_shared<Response>(request.by.has_left()
                                                     ? to_response(nobody_waits())
                                                     : respond_to(request, server.operations));
      self->take_file(*response);
      server.slow_requests.fetch_sub(1);
      asio::post(server.io,
                 [self = std::move(self), response] { self->answer(std::move(*response)); });
    });
  }

  void take_file(Response& response) {
    if (!response.file) return;
    auto taken = SentFile::take(*response.file);
    if (!taken) {
      response = to_response(own_fault(taken.error()));
    } else {
      file_ = std::move(*taken);
    }
  }

  static Response respond_to(const ApiRequest& request, Operations& operations) {
    try {
      return handle(request, operations);
    } catch (const std::exception& mistake) {
      return to_response(deny(Denial::own_fault, mistake.what(), "this is a fault of the daemon"));
    }
  }

  void refuse(int status, std::string why) {
    keep_alive_ = false;  // what follows on this connection cannot be told apart any more
    const Denial denial = status == 503 ? Denial::unavailable : Denial::bad_input;
    Response response = to_response(deny(denial, std::move(why)));
    response.status = status;
    answer(std::move(response));
  }

  template <class Body>
  void prepare(http::response<Body>& message, int status) {
    message.result(static_cast<unsigned>(status));
    message.version(version_);
    message.keep_alive(keep_alive_);
    message.set(http::field::server, "chargewright/" CHARGEWRIGHT_VERSION);
    message.set(http::field::cache_control, "no-store");
    message.set("X-Content-Type-Options", "nosniff");
  }

  void answer(Response response) {
    if (response.events) return begin_events(*response.events);
    if (file_) return send_file(response);
    auto message = std::make_shared<http::response<http::string_body>>();
    prepare(*message, response.status);
    message->set(http::field::content_type, "application/json");
    message->body() = boost::json::serialize(response.json) + '\n';
    message->prepare_payload();
    send(message);
  }

  void send_file(const Response& response) {
    auto head = std::make_shared<http::response<http::empty_body>>();
    prepare(*head, 200);
    head->set(http::field::content_type, response.file_type);
    head->set(http::field::content_disposition,
              "attachment; filename=\"" + response.file_name + '"');
    head->content_length(file_->left());
    send_head(head, [this] { send_rest(); });
  }

  // Piece by piece, so that the time-out is on each piece: a large export to a slow terminal is
  // not cut short, a client that stopped reading is. Read on the second thread.
  void send_rest() {
    if (file_->left() == 0) {
      let_go();
      return on_sent();
    }
    if (!stream_.socket().is_open()) return;
    stream_.expires_never();
    asio::post(server_.slow, [self = shared_from_this()]() mutable {
      Server::State& server = self->server_;
      const bool is_read = self->file_->next(self->chunk_);
      asio::post(server.io, [self = std::move(self), is_read] {
        if (!is_read) return self->close();
        self->send_piece();
      });
    });
  }

  void send_piece() {
    stream_.expires_after(server_.bounds.idle);
    asio::async_write(stream_, asio::buffer(chunk_),
                      [self = shared_from_this()](error_code error, std::size_t) {
                        if (error) return self->close();
                        self->send_rest();
                      });
  }

  // The end of a file may wait for the disk, too.
  void let_go() {
    if (file_) asio::post(server_.slow, [file = std::move(file_)] {});
  }

  template <class Body>
  void send(std::shared_ptr<http::response<Body>> message) {
    stream_.expires_after(server_.bounds.idle);
    auto& whole = *message;
    http::async_write(stream_, whole,
                      [self = shared_from_this(), message](error_code error, std::size_t) {
                        if (error) return self->close();
                        self->on_sent();
                      });
  }

  template <class Then>
  void send_head(std::shared_ptr<http::response<http::empty_body>> head, Then then) {
    auto serializer = std::make_shared<http::response_serializer<http::empty_body>>(*head);
    stream_.expires_after(server_.bounds.idle);
    auto& pieces = *serializer;
    http::async_write_header(
        stream_, pieces,
        [self = shared_from_this(), head, serializer, then](error_code error, std::size_t) {
          if (error) return self->close();
          then();
        });
  }

  void on_sent() {
    if (keep_alive_) return read();
    error_code ignored;
    stream_.socket().shutdown(local::socket::shutdown_send, ignored);
    close();
  }

  // ---- the event stream: chunks of lines, for as long as the client takes them

  void begin_events(const EventStream& wanted) {
    wanted_ = wanted;
    keep_alive_ = false;
    auto head = std::make_shared<http::response<http::empty_body>>();
    prepare(*head, 200);
    head->set(http::field::content_type, "application/x-ndjson");
    head->chunked(true);
    send_head(head, [this] {
      spoke_ = std::chrono::steady_clock::now();
      look_for_news();
    });
  }

  void look_for_news() {
    const auto batch = server_.backlog.after(wanted_.after);
    std::string lines;
    if (batch.lost > 0) {
      lines = "{\"kind\":\"lost\",\"events\":" + std::to_string(batch.lost) + "}\n";
    }
    lines += batch.lines;
    wanted_.after = batch.last;
    const auto now = std::chrono::steady_clock::now();
    if (lines.empty() && !wanted_.follow) return end_events();
    if (lines.empty() && now - spoke_ >= server_.bounds.heartbeat) lines = "{\"kind\":\"alive\"}\n";
    if (lines.empty()) return wait_for_news();
    spoke_ = now;
    chunk_ = std::move(lines);
    stream_.expires_after(server_.bounds.idle);
    asio::async_write(stream_, http::make_chunk(asio::buffer(chunk_)),
                      [self = shared_from_this()](error_code error, std::size_t) {
                        if (error) return self->close();  // gone, or too slow
                        self->look_for_news();
                      });
  }

  void wait_for_news() {
    stream_.expires_never();
    news_.expires_after(server_.bounds.poll);
    news_.async_wait([self = shared_from_this()](error_code error) {
      if (!error && self->stream_.socket().is_open()) self->look_for_news();
    });
  }

  void end_events() {
    stream_.expires_after(server_.bounds.idle);
    asio::async_write(stream_, http::make_chunk_last(),
                      [self = shared_from_this()](error_code, std::size_t) { self->close(); });
  }

  beast::basic_stream<local> stream_;
  asio::steady_timer news_;
  Server::State& server_;
  const bool cuts_only_;
  const Person by_;
  beast::flat_buffer buffer_{64 * 1024};
  std::optional<http::request_parser<http::string_body>> parser_;
  bool keep_alive_ = false;
  unsigned version_ = 11;
  std::unique_ptr<SentFile> file_;  // of the second thread, while that reads
  EventStream wanted_;
  std::string chunk_;
  std::chrono::steady_clock::time_point spoke_;
};

drivers::Failure cannot_listen(const std::string& socket, const std::string& why) {
  return {.place = {.file = socket},
          .cause = "cannot listen on this socket: " + why,
          .advice = "choose another with --socket, or see to the folder's permissions"};
}

// A socket that a dead daemon left behind is removed; one that answers is somebody's.
drivers::Result<void> make_way(const std::string& socket) {
  std::error_code ignored;
  const auto kind = std::filesystem::symlink_status(socket, ignored).type();
  if (kind == std::filesystem::file_type::not_found) return {};
  if (kind != std::filesystem::file_type::socket) {
    return cannot_listen(socket, "there is something there that is not a socket");
  }
  asio::io_context io;
  local::socket probe{io};
  error_code error;
  probe.connect(local::endpoint{socket}, error);
  if (!error) return cannot_listen(socket, "another daemon answers there");
  ::unlink(socket.c_str());
  return {};
}

}  // namespace

void Server::State::accept() {
  acceptor.async_accept([this](error_code error, local::socket peer) {
    if (error == asio::error::operation_aborted) return;
    if (error) {  // out of descriptors, most likely: not a reason to end, nor to spin
      accept_again.expires_after(std::chrono::milliseconds(100));
      accept_again.async_wait([this](error_code stopped) {
        if (!stopped) accept();
      });
      return;
    }
    const int open = static_cast<int>(sessions.size());
    if (open < bounds.connections + bounds.connections_for_cuts) {
      std::make_shared<Session>(std::move(peer), *this, open >= bounds.connections)->read();
    }
    accept();
  });
}

void Server::State::run() {
  try {
    io.run();
  } catch (const std::exception& mistake) {
    died(mistake.what());
  }
}

drivers::Result<std::unique_ptr<Server>> Server::start(
    const std::string& socket, Operations& operations, const Backlog& backlog,
    std::function<void(const std::string& why)> died, const ServerBounds& bounds) {
  const auto folder = std::filesystem::path(socket).parent_path().string();
  if (!folder.empty()) {
    if (auto made = make_folder(folder); !made) return made.error();
  }
  if (socket.size() > 107) return cannot_listen(socket, "its path is over 107 bytes");
  if (auto free = make_way(socket); !free) return free.error();

  auto state = std::make_unique<State>(socket, operations, backlog, bounds);
  state->died = std::move(died);
  try {
    state->acceptor.open();
    state->acceptor.bind(local::endpoint{socket});
    if (::chmod(socket.c_str(), 0660) != 0) {
      return cannot_listen(socket, "its mode cannot be set to 0660");
    }
    state->acceptor.listen(bounds.connections);
  } catch (const boost::system::system_error& error) {
    return cannot_listen(socket, error.code().message());
  }
  state->accept();
  State* shared = state.get();
  state->thread = std::thread([shared] { shared->run(); });
  pthread_setname_np(state->thread.native_handle(), "serve");
  return std::unique_ptr<Server>{new Server(std::move(state))};
}

Server::Server(std::unique_ptr<State> state) : state_(std::move(state)) {}

std::uint64_t Server::pulse() {
  asio::post(state_->io, [state = state_.get()] { ++state->pulses; });
  return state_->pulses;
}

Server::~Server() {
  State& state = *state_;
  asio::post(state.io, [&state] {
    error_code ignored;
    state.acceptor.close(ignored);
    state.accept_again.cancel();
    // close() may end a session, which takes itself out of the set.
    const std::set<Session*> open = state.sessions;
    for (Session* session : open) {
      if (state.sessions.contains(session)) session->close();
    }
  });
  state.thread.join();  // ends when nothing is pending; nothing more goes to the second one
  state.slow.join();    // posts its last answers, which find their connections closed
  state.io.restart();   // an answer that came after the thread's end
  state.io.poll();
  ::unlink(state.socket.c_str());
}

}  // namespace chargewright::daemon

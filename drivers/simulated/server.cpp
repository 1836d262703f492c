#include "drivers/simulated/server.h"

#include <fcntl.h>
#include <pty.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/post.hpp>
#include <filesystem>
#include <optional>

#include "drivers/simulated/server_session.h"

namespace chargewright::drivers::simulated {
namespace {

using boost::asio::ip::tcp;
using boost::system::error_code;
using Socket = boost::asio::generic::stream_protocol::socket;
using Descriptor = boost::asio::posix::stream_descriptor;
namespace local = boost::asio::local;

constexpr auto tick = std::chrono::milliseconds(5);
constexpr std::size_t sessions_max = 16;  // of the control

// Open sessions of one place; those that have closed are forgotten at the next look.
struct Sessions {
  std::vector<std::shared_ptr<Session>> list;
  bool has_room(std::size_t most = sessions_max) {
    std::erase_if(list, [](const auto& session) { return !session->is_open(); });
    return list.size() < most;
  }
  void close() {
    for (const auto& session : list) session->close();
    list.clear();
  }
};

// A symbolic link to the pty, where the file asks for one. Only a link is ever replaced or removed.
struct PtyName {
  std::string path;
  std::string set(const std::string& target) {
    if (path.empty()) return {};
    remove();
    std::error_code failed;
    std::filesystem::create_symlink(target, path, failed);
    return failed ? path + ": " + failed.message() : std::string{};
  }
  void remove() const {
    std::error_code ignored;
    if (!path.empty() && std::filesystem::is_symlink(path, ignored)) {
      std::filesystem::remove(path, ignored);
    }
  }
};

}  // namespace

struct Server::State {
  struct Device {
    std::unique_ptr<ScpiDevice> scpi;
    Served served;
    std::optional<tcp::acceptor> acceptor;
    std::string pty;  // its name now
    int slave = -1;   // held open, so that a client may come and go
    PtyName name;
    Sessions sessions;
    bool dropped = false;
    bool full = false;  // others wait in the listening queue
  };

  State(boost::asio::io_context& io, Simulation file, std::function<void()> quit)
      : context(io),
        simulation(std::move(file)),
        bench(simulation.bench, Instant{}),
        on_quit(std::move(quit)),
        timer(io) {
    pace.speed = simulation.speed;
    pace.monotonic_start_ns = monotonic_ns();
  }
  ~State() {
    for (Device& device : devices) {
      device.sessions.close();
      device.name.remove();
      if (device.slave >= 0) ::close(device.slave);
    }
    controls.close();
    if (simulation.control.kind == Served::Kind::unix_socket && local_control) {
      ::unlink(simulation.control.path.c_str());
    }
  }

  // Each answers what went wrong, or nothing.
  std::string open() {
    for (std::size_t k = 0; k < simulation.bench.devices.size(); ++k) {
      Device device;
      device.scpi = std::make_unique<ScpiDevice>(bench, static_cast<InstrumentId>(k));
      device.served = simulation.serve[k];
      device.name.path = device.served.path;
      devices.push_back(std::move(device));
    }
    for (Device& device : devices) {
      if (std::string why = open(device); !why.empty()) return why;
    }
    if (std::string why = open_control(); !why.empty()) return why;
    keep_time();
    return {};
  }

  std::string open(Device& device) {
    switch (device.served.kind) {
      case Served::Kind::tcp:
        return open_tcp(device);
      case Served::Kind::pty:
        return open_pty(device);
      case Served::Kind::nowhere:
      case Served::Kind::unix_socket:
        break;
    }
    return {};
  }

  std::string listen(std::optional<tcp::acceptor>& acceptor, Served& at) {
    error_code error;
    acceptor.emplace(context);
    const tcp::endpoint endpoint(boost::asio::ip::make_address(at.host, error), at.port);
    if (!error) acceptor->open(endpoint.protocol(), error);
    if (!error) acceptor->set_option(tcp::acceptor::reuse_address(true), error);
    if (!error) acceptor->bind(endpoint, error);
    if (!error) acceptor->listen(64, error);
    if (error) {
      return "cannot listen on " + at.host + ':' + std::to_string(at.port) + ": " + error.message();
    }
    at.port = acceptor->local_endpoint(error).port();  // kept, for after a dropped link
    return {};
  }

  std::string open_tcp(Device& device) {
    std::string why = listen(device.acceptor, device.served);
    if (why.empty()) accept(device);
    return why;
  }

  void accept(Device& device) {
    device.full = !device.sessions.has_room(device.served.connections);
    if (device.full) return;
    device.acceptor->async_accept([this, &device](error_code error, tcp::socket socket) {
      if (error == boost::asio::error::operation_aborted) return;
      if (!error) {
        error_code ignored;
        socket.set_option(tcp::no_delay(true), ignored);
        serve(device, Socket(std::move(socket)));
      }
      accept(device);
    });
  }

  template <class Stream>
  void serve(Device& device, Stream stream) {
    auto session = std::make_shared<DeviceSession<Stream>>(std::move(stream), *device.scpi, pace);
    device.sessions.list.push_back(session);
    session->start();
  }

  std::string open_pty(Device& device) {
    int master = -1;
    std::array<char, 128> name{};
    if (openpty(&master, &device.slave, name.data(), nullptr, nullptr) != 0) {
      return "no pseudo-terminal is to be had";
    }
    termios line{};
    tcgetattr(device.slave, &line);
    cfmakeraw(&line);
    tcsetattr(device.slave, TCSANOW, &line);
    fcntl(master, F_SETFD, FD_CLOEXEC);
    fcntl(device.slave, F_SETFD, FD_CLOEXEC);
    device.pty = name.data();
    serve(device, Descriptor(context, master));
    return device.name.set(device.pty);
  }

  std::string open_control() {
    Served& at = simulation.control;
    if (at.kind == Served::Kind::tcp) {
      std::string why = listen(tcp_control, at);
      if (why.empty()) accept_control(*tcp_control);
      return why;
    }
    if (at.kind != Served::Kind::unix_socket) return {};
    error_code error;
    remove_left_over(at.path);
    local_control.emplace(context);
    local_control->open(local::stream_protocol(), error);
    if (!error) local_control->bind(local::stream_protocol::endpoint(at.path), error);
    if (!error) local_control->listen(64, error);
    if (error) {
      local_control.reset();  // not ours: it must not be removed at the end
      return "cannot listen on " + at.path + ": " + error.message();
    }
    accept_control(*local_control);
    return {};
  }

  // A socket that nobody answers at is what a killed program left behind.
  void remove_left_over(const std::string& path) {
    std::error_code none;
    if (!std::filesystem::is_socket(path, none)) return;
    error_code error;
    local::stream_protocol::socket probe(context);
    probe.connect(local::stream_protocol::endpoint(path), error);
    if (error == boost::asio::error::connection_refused) ::unlink(path.c_str());
  }

  template <class Acceptor>
  void accept_control(Acceptor& acceptor) {
    acceptor.async_accept([this, &acceptor](error_code error, auto socket) {
      if (error == boost::asio::error::operation_aborted) return;
      if (!error && controls.has_room()) {
        auto session = std::make_shared<ControlSession>(Socket(std::move(socket)), bench, pace,
                                                        [this] { follow_faults(); });
        controls.list.push_back(session);
        session->start();
      }
      accept_control(acceptor);
    });
  }

  void keep_time() {
    timer.expires_after(tick);
    timer.async_wait([this](error_code error) {
      if (error) return;
      bench.advance(pace.bench_at(monotonic_ns()));
      for (Device& device : devices) {
        if (device.full && device.acceptor) accept(device);
      }
      if (quits()) on_quit();
      keep_time();
    });
  }

  bool quits() const {
    return std::ranges::any_of(controls.list, [](const auto& session) {
      return static_cast<const ControlSession&>(*session).wants_to_quit();
    });
  }

  // A dropped link is closed, and refuses to open, until the fault is cleared.
  void follow_faults() {
    for (std::size_t k = 0; k < devices.size(); ++k) {
      Device& device = devices[k];
      const bool wanted = bench.faults(static_cast<InstrumentId>(k)).link_dropped;
      if (wanted == device.dropped) continue;
      device.dropped = wanted;
      if (!wanted) {
        // Fails only where someone took the port meanwhile; then the link simply stays away.
        static_cast<void>(open(device));
        continue;
      }
      device.sessions.close();
      device.acceptor.reset();
      device.name.remove();
      if (device.slave >= 0) ::close(device.slave);
      device.slave = -1;
    }
  }

  boost::asio::io_context& context;
  Simulation simulation;
  Bench bench;
  Pace pace;
  std::function<void()> on_quit;
  std::vector<Device> devices;
  std::optional<tcp::acceptor> tcp_control;
  std::optional<local::stream_protocol::acceptor> local_control;
  Sessions controls;
  boost::asio::steady_timer timer;
};

Server::Server(std::unique_ptr<State> state) : state_(std::move(state)) {}
Server::~Server() = default;

Result<std::unique_ptr<Server>> Server::open(boost::asio::io_context& context,
                                             Simulation simulation, std::function<void()> on_quit) {
  auto state = std::make_unique<State>(context, std::move(simulation), std::move(on_quit));
  if (std::string why = state->open(); !why.empty()) return Failure{{}, std::move(why), {}};
  return std::unique_ptr<Server>(new Server(std::move(state)));
}

std::vector<std::string> Server::addresses() const {
  const auto text_of = [](const Served& at) {
    const bool v6 = at.host.find(':') != std::string::npos;
    return "tcp://" + (v6 ? '[' + at.host + ']' : at.host) + ':' + std::to_string(at.port);
  };
  std::vector<std::string> lines;
  for (std::size_t k = 0; k < state_->devices.size(); ++k) {
    const State::Device& device = state_->devices[k];
    const std::string& name = state_->simulation.bench.devices[k].name;
    if (device.served.kind == Served::Kind::tcp)
      lines.push_back(name + ' ' + text_of(device.served));
    if (device.served.kind == Served::Kind::pty) {
      lines.push_back(name + " serial://" +
                      (device.name.path.empty() ? device.pty : device.name.path));
    }
  }
  const Served& control = state_->simulation.control;
  if (control.kind == Served::Kind::tcp) lines.push_back("control " + text_of(control));
  if (control.kind == Served::Kind::unix_socket) lines.push_back("control unix://" + control.path);
  return lines;
}

}  // namespace chargewright::drivers::simulated

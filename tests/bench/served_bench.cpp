#include "tests/bench/served_bench.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>
#include <stdexcept>
#include <thread>

#include "tests/support/places.h"

namespace chargewright::test {
namespace {

namespace json = boost::json;
using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

std::string text_of(const json::object& from, std::string_view key) {
  const auto* value = from.if_contains(key);
  return value != nullptr && value->is_string() ? std::string(value->get_string().c_str()) : "";
}

// Sends one line to a TCP port of this machine, and answers one line.
std::string ask_tcp(const std::string& address, const std::string& line) {
  const auto colon = address.rfind(':');
  sockaddr_in to{};
  to.sin_family = AF_INET;
  to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  to.sin_port = htons(static_cast<std::uint16_t>(std::stoi(address.substr(colon + 1))));
  const int fd = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  const timeval bound{.tv_sec = 20, .tv_usec = 0};
  ::setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &bound, sizeof bound);
  std::string answer;
  if (::connect(fd, reinterpret_cast<const sockaddr*>(&to), sizeof to) == 0) {
    const std::string text = line + '\n';
    if (::send(fd, text.data(), text.size(), MSG_NOSIGNAL) > 0) {
      char bytes[4096];
      while (!answer.ends_with('\n')) {
        const ssize_t count = ::recv(fd, bytes, sizeof bytes, 0);
        if (count <= 0) break;
        answer.append(bytes, static_cast<std::size_t>(count));
      }
    }
  }
  ::close(fd);
  return answer;
}

std::vector<std::string> simulator_words(const Scratch& folder, const BenchFiles& files) {
  std::string text = files.simulation;
  const std::string folder_mark = "@folder@";
  if (const auto at = text.find(folder_mark); at != std::string::npos) {
    text.replace(at, folder_mark.size(), folder.path());
  }
  const std::string file = folder.write("simulation.yaml", text);
  return {test::in_build("drivers/chargewright-simulator"), file, "--speed",
          std::to_string(files.speed)};
}

}  // namespace

bool until(const std::function<bool()>& it_is_so, std::chrono::milliseconds bound) {
  const auto deadline = Clock::now() + bound;
  while (!it_is_so()) {
    if (Clock::now() >= deadline) return false;
    std::this_thread::sleep_for(10ms);
  }
  return true;
}

// ---- the simulated bench ------------------------------------------------------------------------

Simulator::Simulator(const Scratch& folder, const BenchFiles& files)
    : process_(simulator_words(folder, files)) {
  if (!process_.wait_for_line("ready", patience)) {
    throw std::runtime_error("the simulator does not serve: " + process_.err());
  }
  const std::string& text = process_.out();
  std::size_t begin = 0;
  for (auto end = text.find('\n'); end != std::string::npos; end = text.find('\n', begin)) {
    const std::string line = text.substr(begin, end - begin);
    begin = end + 1;
    if (const auto gap = line.find(' '); gap != std::string::npos) {
      addresses_.emplace_back(line.substr(0, gap), line.substr(gap + 1));
    }
  }
}

const std::string& Simulator::address(const std::string& device) const {
  for (const auto& [name, where] : addresses_) {
    if (name == device) return where;
  }
  throw std::runtime_error("the simulator serves no " + device);
}

json::object Simulator::control(const std::string& line) {
  const std::string answer = ask_tcp(address("control"), line);
  boost::json::error_code error;
  const auto parsed = json::parse(answer, error);
  if (error || !parsed.is_object() || !parsed.get_object().contains("ok") ||
      !parsed.get_object().at("ok").as_bool()) {
    throw std::runtime_error("the simulator did not obey `" + line + "`: " + answer);
  }
  return parsed.get_object();
}

json::object Simulator::circuit() {
  return control("state").at("circuits").as_array().at(0).as_object();
}

double Simulator::number(const std::string& key) { return circuit().at(key).to_number<double>(); }

bool Simulator::output_is_on() { return circuit().at("output_on").as_bool(); }

bool Simulator::is_charging() {
  const auto now = circuit();
  return now.at("output_on").as_bool() && now.at("current_a").to_number<double>() > 0.1;
}

std::vector<BenchEvent> Simulator::log() {
  std::vector<BenchEvent> events;
  const auto answer = control("log");
  for (const auto& item : answer.at("events").as_array()) {
    const json::object& event = item.as_object();
    events.push_back({.kind = text_of(event, "event"),
                      .device = text_of(event, "device"),
                      .bench_s = event.at("bench_ns").to_number<double>() * 1e-9,
                      .monotonic_s = event.at("monotonic_ns").to_number<double>() * 1e-9});
  }
  return events;
}

std::optional<double> Simulator::seconds_from_fault_to(const std::string& kind) {
  std::optional<double> injected, reached;
  for (const BenchEvent& event : log()) {
    if (event.kind == "fault-injected") {
      injected = event.monotonic_s;
      reached.reset();
    } else if (event.kind == kind && injected && !reached) {
      reached = event.monotonic_s - *injected;
    }
  }
  return reached;
}

std::optional<double> Simulator::seconds_to(const std::string& kind, double since_s) {
  for (const BenchEvent& event : log()) {
    if (event.kind == kind && event.monotonic_s >= since_s) return event.monotonic_s - since_s;
  }
  return std::nullopt;
}

// ---- the daemon and its command -----------------------------------------------------------------

ServedBench::ServedBench(const BenchFiles& files)
    : files_(files),
      simulator_(folder_, files),
      cell_(folder_.write("cell.yaml", files.cell)),
      profile_(folder_.write("profile.yaml", files.profile)),
      socket_(folder_.path() + "/control") {
  std::string text = files.bench;
  for (auto at = text.find('@'); at != std::string::npos; at = text.find('@', at)) {
    const auto end = text.find('@', at + 1);
    const std::string where = simulator_.address(text.substr(at + 1, end - at - 1));
    text.replace(at, end - at + 1, where);
    at += where.size();
  }
  bench_ = folder_.write("bench.yaml", text);
  ::prctl(PR_SET_CHILD_SUBREAPER, 1);  // a daemon's dead-man outlives it, and is ours to wait for
}

ServedBench::~ServedBench() {
  if (!daemon_) return;
  const pid_t id = dead_man();
  daemon_.reset();
  if (id <= 0 || dead_man_exit(std::chrono::seconds(20))) return;
  ::kill(id, SIGKILL);
  ::waitpid(id, nullptr, 0);
}

pid_t ServedBench::dead_man() {
  if (!daemon_) return dead_man_;
  daemon_->pump(0ms);
  const std::string mark = "the dead-man is process ";
  const auto at = daemon_->err().rfind(mark);
  if (at != std::string::npos) dead_man_ = std::stoi(daemon_->err().substr(at + mark.size()));
  return dead_man_;
}

std::optional<int> ServedBench::dead_man_exit(std::chrono::milliseconds bound) {
  int status = 0;
  const pid_t id = dead_man_;
  const bool ended = until(
      [&] {
        const pid_t found = ::waitpid(id, &status, WNOHANG);
        return found == id || (found < 0 && errno == ECHILD);
      },
      bound);
  if (!ended) return std::nullopt;
  dead_man_ = -1;
  return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

std::string ServedBench::dead_man_log() const {
  return folder_.path() + "/state/hut-buffer/dead-man.log";
}

std::string ServedBench::record_of(const std::string& run) const {
  return folder_.path() + "/runs/" + run + ".run";
}

std::vector<std::string> ServedBench::daemon_words(const std::string& own) const {
  const std::string at = folder_.path();
  return {test::in_build("daemon/chargewrightd"),
          "--bench",
          bench_,
          "--state",
          at + "/state" + own,
          "--runs",
          at + "/runs" + own,
          "--socket",
          socket_ + own,
          "--policy",
          folder_.write("policy.yaml", "unattended: {thermometers: 1}\n"),
          "--speed",
          std::to_string(files_.speed),
          "--dead-man-after",
          files_.dead_man_after};
}

// The number of our pseudo-terminal may be that of another test's, which is gone while its dead-man
// still holds it, for 20 s at the most.
bool ServedBench::start_daemon(std::vector<std::string> environment) {
  constexpr int tries = 10;  // each waits 3 s for the lock
  for (int left = tries; left > 0; --left) {
    daemon_ = std::make_unique<Process>(daemon_words(), environment);
    const bool told = until([this] {
      daemon_->pump(0ms);
      return daemon_->err().find("ready: every output is verified off") != std::string::npos ||
             !daemon_->running();
    });
    if (told && daemon_->running()) return true;
    if (daemon_->err().find("the link serial://") == std::string::npos ||
        daemon_->err().find("is already held by another") == std::string::npos) {
      break;
    }
  }
  return false;
}

Finished ServedBench::end_daemon(int signal) {
  dead_man();
  daemon_->signal(signal);
  Finished finished = daemon_->wait(patience);
  daemon_.reset();
  return finished;
}

std::unique_ptr<Process> ServedBench::begin(std::vector<std::string> words, Process::Input input) {
  words.insert(words.begin(), {test::in_build("daemon/chargewright"), "--socket", socket_});
  return std::make_unique<Process>(std::move(words), std::vector<std::string>{}, std::vector<int>{},
                                   input);
}

Finished ServedBench::command(std::vector<std::string> words, std::chrono::milliseconds bound) {
  Finished finished = begin(std::move(words))->wait(bound);
  if (daemon_) daemon_->pump(0ms);  // its log must not fill the pipe
  return finished;
}

Finished ServedBench::approve() { return command({"approve", profile_, "--cell", cell_, "--yes"}); }

Finished ServedBench::start() {
  return command({"start", profile_, "--cell", cell_, "--accept-cautions"});
}

std::unique_ptr<Process> ServedBench::start_and_follow() {
  const Finished approved = approve();
  if (approved.exit_code != 0) throw std::runtime_error("not approved: " + approved.err);
  return begin({"start", profile_, "--cell", cell_, "--accept-cautions", "--watch"});
}

std::unique_ptr<Process> ServedBench::charge() {
  auto run = start_and_follow();
  if (!until([&] { return simulator_.is_charging() || !run->running(); }) || !run->running()) {
    run->pump(0ms);
    throw std::runtime_error("the run did not come to charging: " + run->out() + run->err());
  }
  return run;
}

Finished ServedBench::start_sped_up() {
  Finished approved = approve();
  if (approved.exit_code != 0) return approved;
  Finished started;
  for (int attempt = 0; attempt < 8; ++attempt) {
    started = start();
    if (started.exit_code != 5 || (started.err.find("did not end in time") == std::string::npos &&
                                   started.err.find("not verified off") == std::string::npos)) {
      break;
    }
  }
  return started;
}

json::object ServedBench::channel() {
  daemon_->pump(0ms);
  const RawClient client{socket_};
  if (!client.send("GET /v1/channels/left HTTP/1.1\r\nHost: bench\r\nConnection: close\r\n\r\n")) {
    throw std::runtime_error("the daemon does not listen");
  }
  const std::string answer = client.receive(20s);
  const auto body = answer.find("\r\n\r\n");
  boost::json::error_code error;
  const auto parsed = json::parse(body == std::string::npos ? "" : answer.substr(body + 4), error);
  if (error || !parsed.is_object()) throw std::runtime_error("no channel in: " + answer);
  return parsed.get_object();
}

std::string ServedBench::trip() {
  const auto now = channel();
  const auto* trip = now.at("trip").if_object();
  return trip != nullptr ? text_of(*trip, "cause") : "";
}

std::string ServedBench::phase() {
  const auto now = channel();
  const auto* run = now.at("run").if_object();
  return run != nullptr ? text_of(*run, "phase") : "";
}

bool ServedBench::is_over(std::chrono::milliseconds bound) {
  return until(
      [this] {
        const auto now = channel();
        const auto* run = now.at("run").if_object();
        const std::string state = text_of(now, "state");
        return run != nullptr && run->at("over").as_bool() &&
               (state == "off" || state == "tripped");
      },
      bound);
}

json::array ServedBench::runs() {
  json::array list;
  const bool closed = until([&] {
    const Finished listed = command({"runs", "--json"});
    if (listed.exit_code != 0) throw std::runtime_error("no runs: " + listed.err);
    list = json::parse(listed.out).as_array();
    for (const auto& run : list) {
      if (!run.at("end").is_object()) return false;
    }
    return true;
  });
  if (!closed) throw std::runtime_error("a record stays open");
  return list;
}

// ---- any bytes ----------------------------------------------------------------------------------

RawClient::RawClient(const std::string& path)
    : socket_(::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
  sockaddr_un to{};
  to.sun_family = AF_UNIX;
  path.copy(to.sun_path, sizeof to.sun_path - 1);
  if (::connect(socket_, reinterpret_cast<const sockaddr*>(&to), sizeof to) != 0) {
    ::close(socket_);
    socket_ = -1;
  }
}

RawClient::~RawClient() {
  if (socket_ >= 0) ::close(socket_);
}

bool RawClient::send(const std::string& bytes) const {
  std::size_t sent = 0;
  while (socket_ >= 0 && sent < bytes.size()) {
    const ssize_t count = ::send(socket_, bytes.data() + sent, bytes.size() - sent, MSG_NOSIGNAL);
    if (count <= 0) return false;
    sent += static_cast<std::size_t>(count);
  }
  return socket_ >= 0;
}

std::string RawClient::receive(std::chrono::milliseconds bound) const {
  std::string text;
  char bytes[4096];
  pollfd wait{.fd = socket_, .events = POLLIN, .revents = 0};
  while (::poll(&wait, 1, static_cast<int>(bound.count())) > 0) {
    const ssize_t count = ::recv(socket_, bytes, sizeof bytes, 0);
    if (count <= 0) break;
    text.append(bytes, static_cast<std::size_t>(count));
  }
  return text;
}

}  // namespace chargewright::test

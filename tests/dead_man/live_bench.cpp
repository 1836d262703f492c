#include "tests/dead_man/live_bench.h"

#include <fcntl.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <fstream>
#include <sstream>
#include <stdexcept>

#include "safety/dead_man/render.h"
#include "tests/support/places.h"

namespace chargewright::test {
namespace {

constexpr const char* hut = R"(simulation: hut
control: tcp://127.0.0.1:0
devices:
  supply: {role: supply, serve: tcp://127.0.0.1:0, ratings: {voltage: 20 V, current: 20 A, power: 200 W}, resolution: {voltage: 1 mV, current: 1 mA}}
  meter: {role: meter, serve: tcp://127.0.0.1:0}
  contactor: {role: switch, serve: "pty://@folder@/contactor"}
cells:
  radio: {chemistry: li-ion-nmc, capacity: 2.4 Ah, voltage: 3.60 V}
circuits:
  left: {cell: radio, source: supply, leads: 3 mohm, meter: meter, contactor: contactor}
)";

BenchFiles files() {
  return {.simulation = hut, .bench = "", .cell = "", .profile = "", .speed = 1};
}

void send_and_close(int fd, const std::string& text, const std::string& to) {
  const bool sent = ::write(fd, text.data(), text.size()) == static_cast<ssize_t>(text.size());
  ::close(fd);
  if (!sent) throw std::runtime_error("cannot write to " + to);
}

void tell_tcp(const std::string& address, const std::string& text) {
  sockaddr_in to{};
  to.sin_family = AF_INET;
  to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  to.sin_port =
      htons(static_cast<std::uint16_t>(std::stoi(address.substr(address.rfind(':') + 1))));
  const int fd = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  if (::connect(fd, reinterpret_cast<const sockaddr*>(&to), sizeof to) != 0) {
    ::close(fd);
    throw std::runtime_error("nobody serves " + address);
  }
  send_and_close(fd, text, address);
}

void tell_serial(const std::string& address, const std::string& text) {
  const std::string scheme = "serial://";
  send_and_close(::open(address.substr(scheme.size()).c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC), text,
                 address);
}

}  // namespace

LiveBench::LiveBench() : simulator_(folder_, files()) {
  tell_serial(simulator_.address("contactor"), "ROUT:CLOS (@1)\n");
  switch_on();
  if (!until([this] { return simulator_.is_charging(); })) {
    throw std::runtime_error("the simulated cell is not being charged");
  }
}

safety::CutSheet LiveBench::sheet(std::chrono::milliseconds late_after) const {
  std::vector<drivers::Dialect> dialects;
  for (const char* name : {"scpi-supply", "scpi-meter", "scpi-switch"}) {
    dialects.push_back(drivers::load_dialect(name, {test::in_source("drivers/dialects")}).value());
  }
  safety::ChannelPlan left;
  left.source = left.ammeter = {0, 0};
  left.voltmeter = {1, 0};
  left.contactor = safety::Terminal{2, 1};
  safety::Plant plant;
  plant.channels.push_back(left);
  plant.instruments = 3;
  return safety::render_cut_sheet(
      {.bench = "hut",
       .log = log_file(),
       .late_after = late_after,
       .instruments = {"supply", "meter", "contactor"},
       .addresses = {simulator_.address("supply"), simulator_.address("meter"),
                     simulator_.address("contactor")},
       .dialects = dialects,
       .channels = {"left"}},
      plant);
}

void LiveBench::switch_on() { tell_tcp(simulator_.address("supply"), "VOLT 4.2;CURR 1;OUTP ON\n"); }

std::string LiveBench::log() const {
  std::stringstream text;
  text << std::ifstream(log_file()).rdbuf();
  return text.str();
}

}  // namespace chargewright::test

// Simulation files, the control connection, and the served bench over real sockets and ptys.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <boost/asio/connect.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/read_until.hpp>
#include <boost/asio/write.hpp>
#include <filesystem>
#include <fstream>
#include <map>
#include <thread>

#include "drivers/link.h"
#include "drivers/simulated/control.h"
#include "drivers/simulated/server.h"

namespace chargewright::drivers::simulated {
namespace {

using namespace std::chrono_literals;
using boost::asio::ip::tcp;

constexpr const char* hut = R"(simulation: hut-bench
speed: 60
control: tcp://127.0.0.1:0
devices:
  supply:
    role: supply
    serve: tcp://127.0.0.1:0
    ratings: {voltage: 20 V, current: 5 A, power: 60 W}
    resolution: {voltage: 1 mV, current: 1 mA}
    readback: {voltage: 0.1 mV, current: 0.1 mA}
  meter: {role: meter, serve: pty, resolution: {voltage: 0.1 mV}}
  probe: {role: thermometer, channels: 2, lag: 5 s, offset: 0.2 K, serve: tcp://127.0.0.1:0}
  contactor: {role: switch, serve: pty}
  narrow: {role: meter, connections: 1, serve: tcp://127.0.0.1:0}
cells:
  radio: {chemistry: li-ion-nmc, capacity: 2.4 Ah, charge: 20 %, model: {r0: 40 mohm, ambient: 15 degC}}
circuits:
  left:
    cell: radio
    source: supply
    leads: 20 mohm
    meter: meter
    temperature: [probe/1, probe/2]
    contactor: contactor/1
)";

Checked<Simulation> read(std::string text, std::string file = "sim.yaml") {
  const auto document = parse_document(std::move(text), std::move(file));
  if (!document.has_value()) return document.error();
  return read_simulation(*document);
}

TEST(SimulationFile, describes_devices_cells_and_circuits) {
  const auto read_back = read(hut);
  ASSERT_TRUE(read_back.has_value()) << describe(read_back.error());
  EXPECT_EQ(read_back->name, "hut-bench");
  EXPECT_EQ(read_back->speed, 60);
  ASSERT_EQ(read_back->bench.devices.size(), 5U);
  EXPECT_EQ(read_back->serve[4].connections, 1);
  EXPECT_EQ(read_back->bench.devices[0].supply.current_max.value(), 5);
  EXPECT_EQ(read_back->bench.devices[2].channels, 2);
  EXPECT_EQ(read_back->serve[1].kind, Served::Kind::pty);
  ASSERT_EQ(read_back->bench.circuits.size(), 1U);
  const auto& circuit = read_back->bench.circuits[0];
  EXPECT_DOUBLE_EQ(circuit.leads.value(), 0.020);
  EXPECT_DOUBLE_EQ(circuit.cell.r0.value(), 0.040);
  EXPECT_EQ(circuit.cell.ambient.value(), 15);
  EXPECT_EQ(circuit.contactor.device, 3);
  EXPECT_EQ(read_back->bench.probes.size(), 3U);
}

TEST(SimulationFile, names_every_problem_with_its_place) {
  const auto read_back = read(R"(simulation: x
speed: 0
devices:
  supply: {role: suply, serve: tcp://10.0.0.1:1, ratings: {voltage: 20}}
  meter: {role: meter, serve: usb, colour: red, connections: 17}
cells:
  radio: {chemistry: unobtainium, capacity: 2 Ah, charge: 300 %}
  flat: {model: {ocv: [[0, 4 V], [1, 3 V]], r0: -1 ohm}}
circuits:
  left: {cell: radoi, source: suply, meter: meter/9}
)");
  ASSERT_FALSE(read_back.has_value());
  const std::string all = describe(read_back.error());
  for (const char* part :
       {"sim.yaml:2:8: speed is 0", "sim.yaml:4:18: role 'suply'",
        "'10.0.0.1' is not an address of this", "20", "'usb' is no place to serve at", "colour",
        "connections must be a whole number from 1 to 16", "'unobtainium' is not known",
        "charge must lie in", "not fall in voltage", "above zero", "no cell 'radoi'",
        "did you mean 'supply'?", "no channel '9'"}) {
    EXPECT_NE(all.find(part), std::string::npos) << part << " in:\n" << all;
  }
}

TEST(SimulationFile, plays_back_a_recording_that_lies_beside_it) {
  const auto folder =
      std::filesystem::temp_directory_path() / ("chargewright-sim-" + std::to_string(getpid()));
  std::filesystem::create_directories(folder);
  std::ofstream(folder / "charge.csv") << "time_s,voltage_V,current_A\n0,3.5,0\n10,3.6,1.5\n";
  const char* text = R"(simulation: x
devices: {supply: {role: supply, serve: pty}}
cells: {measured: {playback: charge.csv, between: linear}}
circuits: {left: {cell: measured, source: supply}}
)";
  const auto read_back = read(text, (folder / "sim.yaml").string());
  ASSERT_TRUE(read_back.has_value()) << describe(read_back.error());
  EXPECT_EQ(read_back->bench.circuits[0].recording->rows.size(), 2U);
  EXPECT_FALSE(read(text, "/nowhere/sim.yaml").has_value());
  std::filesystem::remove_all(folder);
}

TEST(SimulatedControl, carries_out_its_commands_and_explains_what_it_does_not_understand) {
  Bench bench(read(hut)->bench, Instant{});
  const Pace pace{.speed = 60, .monotonic_start_ns = 1'000'000};
  Control control(bench, pace);
  const std::string ok = "{\"ok\":true}";
  EXPECT_EQ(control.obey("fault mute meter"), ok);
  EXPECT_TRUE(bench.faults(1).mute);
  EXPECT_EQ(control.obey("clear mute meter"), ok);
  EXPECT_FALSE(bench.faults(1).mute);
  EXPECT_EQ(control.obey("fault slow supply 300 ms"), ok);
  EXPECT_EQ(bench.faults(0).delay, 300ms);
  EXPECT_EQ(control.obey("fault sensor-lost probe/2"), ok);
  EXPECT_EQ(bench.faults(2).sensors_lost, 2U);
  EXPECT_EQ(control.obey("fault knob-turned supply 4.35 V"), ok);
  EXPECT_DOUBLE_EQ(bench.output(0).voltage_setpoint().value(), 4.35);
  EXPECT_EQ(control.obey("fault knob-turned supply 1.5 A"), ok);
  EXPECT_DOUBLE_EQ(bench.output(0).current_setpoint().value(), 1.5);
  EXPECT_EQ(control.obey("charge left 30 %"), ok);
  EXPECT_NEAR(bench.circuit(0).cell().state_of_charge(), 0.3, 1e-12);
  EXPECT_EQ(control.obey("mark cell-voltage 4.24 supply"), ok);
  EXPECT_EQ(control.obey("clear"), ok);
  EXPECT_EQ(bench.faults(0).delay, 0ms);
  for (const char* wrong :
       {"", "dance", "fault", "fault dizzy supply", "fault mute nobody", "fault mute meter now",
        "fault slow supply", "fault sensor-lost probe/3", "fault lead-off meter",
        "fault knob-turned supply", "fault knob-turned supply 99 V", "mark colour 3 supply",
        "mark current x supply", "mark current 3 meter", "charge left", "charge right 3 %",
        "charge left 500 %", "log x", "clear mute"}) {
    EXPECT_TRUE(control.obey(wrong).starts_with("{\"ok\":false,\"error\":\"")) << wrong;
  }
  EXPECT_NE(control.obey("state").find("\"output_on\":false"), std::string::npos);
  bench.advance(Instant{} + 60ms);
  bench.switch_output(0, 1, true);
  EXPECT_NE(control.obey("log").find("\"event\":\"output-on\",\"device\":\"supply\",\"channel\":1,"
                                     "\"bench_ns\":60000000,\"monotonic_ns\":2000000"),
            std::string::npos)
      << control.obey("log");
  EXPECT_FALSE(control.wants_to_quit());
  control.obey("quit");
  EXPECT_TRUE(control.wants_to_quit());
}

// The server runs in a thread of its own, as it would in its program; the test talks to it.
struct ServedBench : testing::Test {
  boost::asio::io_context context{1};
  boost::asio::io_context mine{1};
  std::unique_ptr<Server> server;
  std::thread thread;
  std::map<std::string, std::string> at;

  void SetUp() override {
    auto opened = Server::open(context, *read(hut), [this] { context.stop(); });
    ASSERT_TRUE(opened.has_value()) << describe(opened.error());
    server = std::move(*opened);
    for (const std::string& line : server->addresses()) {
      at[line.substr(0, line.find(' '))] = line.substr(line.find(' ') + 1);
    }
    thread = std::thread([this] { context.run(); });
  }
  void TearDown() override {
    context.stop();
    if (thread.joinable()) thread.join();
  }

  tcp::endpoint endpoint(const std::string& name) {
    const auto address = std::get<TcpAddress>(*parse_link(at.at(name)));
    return {boost::asio::ip::make_address(address.host), address.port};
  }
  tcp::socket connected(const std::string& name) {
    tcp::socket socket(mine);
    socket.connect(endpoint(name));
    const timeval limit{.tv_sec = 3, .tv_usec = 0};
    setsockopt(socket.native_handle(), SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
    return socket;
  }
  // The answer without its line end; "lost" where the link is gone.
  static std::string ask(tcp::socket& socket, const std::string& question) {
    boost::system::error_code error;
    boost::asio::write(socket, boost::asio::buffer(question + '\n'), error);
    std::string answer;
    boost::asio::read_until(socket, boost::asio::dynamic_buffer(answer), '\n', error);
    if (error) return "lost";
    answer.pop_back();
    return answer;
  }
};

TEST_F(ServedBench, answers_over_tcp_and_charges_at_its_speed) {
  tcp::socket supply = connected("supply");
  tcp::socket control = connected("control");
  EXPECT_EQ(ask(supply, "*IDN?"), "Chargewright,Simulated supply,supply,1.0");
  EXPECT_EQ(ask(supply, "VOLT 4.2;CURR 2;OUTP ON;OUTP?"), "1");
  std::this_thread::sleep_for(100ms);  // six simulated seconds
  const std::string state = ask(control, "state");
  const double time_s = std::stod(state.substr(state.find("\"time_s\":") + 9));
  EXPECT_GE(time_s, 6);
  EXPECT_EQ(ask(supply, "OUTP OFF;OUTP?"), "0");
  const std::string log = ask(control, "log");
  EXPECT_NE(log.find("output-on"), std::string::npos);
  EXPECT_NE(log.find("output-off"), std::string::npos);
}

TEST_F(ServedBench, answers_over_a_pseudo_terminal_through_our_own_link) {
  struct User final : LinkUser {
    std::string received;
    bool up = false;
    void link_up() override { up = true; }
    void link_down(const std::string& why) override { ADD_FAILURE() << why; }
    void link_received(std::string_view bytes) override { received += bytes; }
  } user;
  auto link = make_link(mine, *parse_link(at.at("meter")), user);
  link->start();
  const auto end = std::chrono::steady_clock::now() + 3s;
  while (!user.up && std::chrono::steady_clock::now() < end) mine.run_one_for(10ms);
  ASSERT_TRUE(user.up);
  EXPECT_TRUE(link->write("*IDN?\nMEAS:VOLT?\n"));
  while (std::ranges::count(user.received, '\n') < 2 && std::chrono::steady_clock::now() < end) {
    mine.run_one_for(10ms);
  }
  EXPECT_TRUE(user.received.starts_with("Chargewright,Simulated meter,meter,1.0\n+3.5"))
      << user.received;
}

TEST_F(ServedBench, drops_a_link_and_takes_it_up_again_at_the_same_port) {
  tcp::socket supply = connected("supply");
  tcp::socket control = connected("control");
  EXPECT_EQ(ask(supply, "*OPC?"), "1");
  EXPECT_EQ(ask(control, "fault link-dropped supply"), "{\"ok\":true}");
  EXPECT_EQ(ask(supply, "*OPC?"), "lost");
  tcp::socket again(mine);
  boost::system::error_code error;
  again.connect(endpoint("supply"), error);
  EXPECT_EQ(error, boost::asio::error::connection_refused);
  EXPECT_EQ(ask(control, "clear"), "{\"ok\":true}");
  tcp::socket back = connected("supply");
  EXPECT_EQ(ask(back, "*OPC?"), "1");
}

TEST_F(ServedBench, answers_late_by_bench_time_when_slow) {
  tcp::socket supply = connected("supply");
  tcp::socket control = connected("control");
  ask(control, "fault slow supply 3 s");  // 50 ms at this speed
  const auto before = std::chrono::steady_clock::now();
  EXPECT_EQ(ask(supply, "*OPC?"), "1");
  EXPECT_GE(std::chrono::steady_clock::now() - before, 49ms);
}

TEST_F(ServedBench, serves_several_clients_and_survives_rude_ones) {
  std::vector<tcp::socket> crowd;
  for (int k = 0; k < 12; ++k) crowd.push_back(connected("probe"));
  for (tcp::socket& one : crowd) EXPECT_EQ(ask(one, "*OPC?"), "1");
  boost::system::error_code ignored;
  for (tcp::socket& one : crowd) {
    boost::asio::write(one, boost::asio::buffer(std::string(100'000, '*')), ignored);
    one.set_option(tcp::socket::linger(true, 0), ignored);
    one.close(ignored);
  }
  tcp::socket polite = connected("probe");
  EXPECT_TRUE(ask(polite, "MEAS:TEMP? (@1)").starts_with("+1.5"));
}

TEST_F(ServedBench, keeps_a_second_client_waiting_where_there_is_but_one_connection) {
  tcp::socket first = connected("narrow");
  EXPECT_EQ(ask(first, "*OPC?"), "1");
  tcp::socket second = connected("narrow");  // by the system, and not by the device
  const int waiting = second.native_handle();
  const timeval moment{.tv_sec = 0, .tv_usec = 100'000};
  setsockopt(waiting, SOL_SOCKET, SO_RCVTIMEO, &moment, sizeof moment);
  ASSERT_EQ(send(waiting, "*OPC?\n", 6, MSG_NOSIGNAL), 6);
  char byte = 0;
  EXPECT_EQ(recv(waiting, &byte, 1, 0), -1);
  first.close();
  for (int k = 0; k < 100 && recv(waiting, &byte, 1, 0) != 1; ++k) {
  }
  EXPECT_EQ(byte, '1');
}

TEST_F(ServedBench, ends_when_the_control_says_quit) {
  tcp::socket control = connected("control");
  EXPECT_EQ(ask(control, "quit"), "{\"ok\":true}");
  thread.join();
  EXPECT_TRUE(context.stopped());
}

}  // namespace
}  // namespace chargewright::drivers::simulated

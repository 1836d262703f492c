// chargewright-simulator FILE: serves a simulated bench until it is told to end.
#include <CLI/CLI.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/signal_set.hpp>
#include <csignal>
#include <cstdio>
#include <fstream>
#include <iostream>

#include "drivers/simulated/server.h"

namespace {

using namespace chargewright::drivers;

constexpr int exit_bad_file = 2;
constexpr int exit_cannot_serve = 3;

// Whoever waits for the file sees all of it or nothing.
bool write_whole(const std::string& path, const std::vector<std::string>& lines) {
  const std::string beside = path + ".new";
  {
    std::ofstream file(beside, std::ios::trunc);
    for (const std::string& line : lines) file << line << '\n';
    file.flush();
    if (!file) return false;
  }
  return std::rename(beside.c_str(), path.c_str()) == 0;
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{
      "Serves a simulated bench over TCP and pseudo-terminals. Nothing real is connected."};
  std::string path, ports_file;
  double speed = 0;
  app.add_option("FILE", path, "the simulation file")->required();
  app.add_option("--speed", speed, "simulated seconds in one real second; instead of the file's")
      ->check(CLI::Range(0.001, 100'000.0));
  app.add_option("--ports-file", ports_file, "write the addresses there, when they are known");
  CLI11_PARSE(app, argc, argv);
  std::signal(SIGPIPE, SIG_IGN);

  const auto document = read_document(path);
  if (!document.has_value()) {
    std::cerr << describe(document.error()) << '\n';
    return exit_bad_file;
  }
  auto simulation = simulated::read_simulation(*document);
  if (!simulation.has_value()) {
    std::cerr << describe(simulation.error()) << '\n';
    return exit_bad_file;
  }
  if (speed > 0) simulation->speed = speed;

  boost::asio::io_context context(1);
  boost::asio::signal_set signals(context, SIGINT, SIGTERM);
  signals.async_wait([&](const boost::system::error_code& error, int) {
    if (!error) context.stop();
  });
  const auto server =
      simulated::Server::open(context, std::move(*simulation), [&] { context.stop(); });
  if (!server.has_value()) {
    std::cerr << describe(server.error()) << '\n';
    return exit_cannot_serve;
  }
  const auto addresses = (*server)->addresses();
  if (!ports_file.empty() && !write_whole(ports_file, addresses)) {
    std::cerr << ports_file << " cannot be written\n";
    return exit_cannot_serve;
  }
  for (const std::string& line : addresses) std::cout << line << '\n';
  std::cout << "ready" << std::endl;
  context.run();
  return 0;
}

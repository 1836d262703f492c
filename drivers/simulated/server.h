#pragma once
// Serves a simulated bench: each device over TCP or a pseudo-terminal, and a control connection.
// One thread, the io_context's. The bench moves with the monotonic clock times the speed: at every
// message, and at least every 5 ms. The context must not run any more once the server is gone.

#include <boost/asio/io_context.hpp>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "drivers/failure.h"
#include "drivers/simulated/simulation_file.h"

namespace chargewright::drivers::simulated {

class Server {
 public:
  // Opens everything that the simulation names; `on_quit` is called when the control connection
  // asks.
  static Result<std::unique_ptr<Server>> open(boost::asio::io_context& context,
                                              Simulation simulation, std::function<void()> on_quit);
  ~Server();
  Server(const Server&) = delete;
  Server& operator=(const Server&) = delete;

  // `supply tcp://127.0.0.1:43211`, `meter serial:///dev/pts/3`, `control unix:///...`: the name,
  // and the link address that reaches it.
  [[nodiscard]] std::vector<std::string> addresses() const;

 private:
  struct State;
  explicit Server(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace chargewright::drivers::simulated

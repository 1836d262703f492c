#pragma once
// Bytes in and bytes out, nothing else: the seam to the operating system. Used from one thread.
// Implementations: link/tcp.cpp, link/serial.cpp (shells around Boost.Asio and libserialport).

#include <cstdint>
#include <memory>
#include <string>
#include <string_view>
#include <variant>

#include "drivers/failure.h"
#include "drivers/instant.h"

namespace boost::asio {
class io_context;
}

namespace chargewright::drivers {

struct TcpAddress {
  std::string host;
  std::uint16_t port = 5025;  // LXI: scpi-raw
};
enum class Parity : std::uint8_t { none, even, odd };
enum class FlowControl : std::uint8_t { none, rts_cts, dtr_dsr, xon_xoff };
struct SerialAddress {
  std::string device;
  int baud = 9600;
  int data_bits = 8;
  Parity parity = Parity::none;
  int stop_bits = 1;
  FlowControl flow = FlowControl::none;
  bool rts = true;  // raised while open
  bool dtr = true;
};
using LinkAddress = std::variant<TcpAddress, SerialAddress>;

// `tcp://127.0.0.1:5025`, `tcp://[::1]:5025`,
// `serial:///dev/ttyUSB0?baud=9600&parity=even&bits=7&stop=2&flow=rts-cts&rts=off&dtr=off`.
Result<LinkAddress> parse_link(std::string_view text);
std::string to_text(const LinkAddress& address);

// What a link tells its user, from the io_context's thread. Calls never nest inside write() or
// start(): they come later, from the io_context.
class LinkUser {
 public:
  virtual ~LinkUser() = default;
  virtual void link_up() = 0;
  virtual void link_down(const std::string& why) = 0;
  virtual void link_received(std::string_view bytes) = 0;
};

class Link {
 public:
  virtual ~Link() = default;
  virtual void start() = 0;  // opens, and reopens with back-off after every loss until stop()
  virtual void stop() = 0;   // closes; no call to the user comes after
  // Writes now what the system takes, and the rest when it can; after a loss the rest is dropped.
  // Bounded: false (and the link is taken down) when more than 64 KiB would wait.
  virtual bool write(std::string_view bytes) = 0;
  [[nodiscard]] virtual bool is_up() const = 0;
};

struct LinkTimes {
  std::chrono::milliseconds connect{1000};
  std::chrono::milliseconds back_off_first{50};
  std::chrono::milliseconds back_off_longest{2000};
};

std::unique_ptr<Link> make_link(boost::asio::io_context& context, const LinkAddress& address,
                                LinkUser& user, const LinkTimes& times = {});

}  // namespace chargewright::drivers

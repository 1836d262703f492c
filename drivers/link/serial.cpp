// Which way a serial device is opened is decided by its name:
//   - libserialport opens and configures real ports. It only takes names under /dev that
//     /sys/class/tty knows, so that a symbolic link (/dev/serial/by-id/...) is resolved first.
//   - A pseudo-terminal has no entry there, and no modem lines, and is opened raw by Asio's own
//     serial port. It is known by its resolved name, /dev/pts/N.
//   - A name with `/../` in it is not resolved, but given to libserialport as it stands; that is
//   how
//     a test reaches libserialport with a pseudo-terminal (tests/support/pty_modem_lines.c).

#include <fcntl.h>
#include <libserialport.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/serial_port.hpp>
#include <climits>
#include <cstdlib>

#include "drivers/link/stream_link.h"

namespace chargewright::drivers {
namespace {

using boost::system::error_code;
using Descriptor = boost::asio::posix::stream_descriptor;

std::string resolved(const std::string& name) {
  if (name.find("/../") != std::string::npos) return name;
  const std::unique_ptr<char, void (*)(void*)> path(realpath(name.c_str(), nullptr), std::free);
  return path ? std::string(path.get()) : name;
}

bool is_pseudo_terminal(const std::string& resolved_name) {
  return resolved_name.starts_with("/dev/pts/");
}

// In the last close of a port Linux waits for what is unsent, up to 30 s, and an instrument that is
// off never lets it go where the flow is controlled. Whoever closes must not stand still that long
// (S6). What a driver cannot discard, as those of USB adapters, leaves without flow control. That
// is a setting, which may itself take long, and so is only made where it is needed.
void let_go_of_unsent(const sp_port* port) {
  int handle = -1;
  if (sp_get_port_handle(port, &handle) != SP_OK || handle < 0) return;  // it never was open
  tcflush(handle, TCOFLUSH);
  int unsent = 0;
  if (ioctl(handle, TIOCOUTQ, &unsent) != 0 || unsent == 0) return;
  termios line{};
  if (tcgetattr(handle, &line) != 0) return;
  line.c_cflag &= ~static_cast<tcflag_t>(CRTSCTS);
  line.c_iflag &= ~static_cast<tcflag_t>(IXON);
  tcsetattr(handle, TCSANOW, &line);
}

struct PortDeleter {
  void operator()(sp_port* port) const {
    let_go_of_unsent(port);
    sp_close(port);  // fails harmlessly where it never was open
    sp_free_port(port);
  }
};
using Port = std::unique_ptr<sp_port, PortDeleter>;

std::string last_error(std::string_view doing, sp_return code) {
  std::string text = std::string(doing) + " failed: ";
  if (code == SP_ERR_FAIL) {
    char* const message = sp_last_error_message();
    text += message;
    sp_free_error_message(message);
  } else if (code == SP_ERR_ARG) {
    text += "the system does not know it as a serial port";
  } else if (code == SP_ERR_SUPP) {
    text += "the port cannot do that";
  } else {
    text += "no memory";
  }
  return text;
}

sp_parity parity_of(Parity parity) {
  switch (parity) {
    case Parity::none:
      return SP_PARITY_NONE;
    case Parity::even:
      return SP_PARITY_EVEN;
    case Parity::odd:
      return SP_PARITY_ODD;
  }
  return SP_PARITY_NONE;
}

sp_flowcontrol flow_of(FlowControl flow) {
  switch (flow) {
    case FlowControl::none:
      return SP_FLOWCONTROL_NONE;
    case FlowControl::rts_cts:
      return SP_FLOWCONTROL_RTSCTS;
    case FlowControl::dtr_dsr:
      return SP_FLOWCONTROL_DTRDSR;
    case FlowControl::xon_xoff:
      return SP_FLOWCONTROL_XONXOFF;
  }
  return SP_FLOWCONTROL_NONE;
}

// Empty: done. RTS and DTR are set after the flow control, which would set them otherwise, and only
// where it does not rule them.
std::string configure(sp_port* port, const SerialAddress& address) {
  sp_return code = sp_set_baudrate(port, address.baud);
  if (code != SP_OK) return last_error("setting the baud rate", code);
  code = sp_set_bits(port, address.data_bits);
  if (code != SP_OK) return last_error("setting the data bits", code);
  code = sp_set_parity(port, parity_of(address.parity));
  if (code != SP_OK) return last_error("setting the parity", code);
  code = sp_set_stopbits(port, address.stop_bits);
  if (code != SP_OK) return last_error("setting the stop bits", code);
  code = sp_set_flowcontrol(port, flow_of(address.flow));
  if (code != SP_OK) return last_error("setting the flow control", code);
  if (address.flow != FlowControl::rts_cts) {
    code = sp_set_rts(port, address.rts ? SP_RTS_ON : SP_RTS_OFF);
    if (code != SP_OK) return last_error("setting RTS", code);
  }
  if (address.flow != FlowControl::dtr_dsr) {
    code = sp_set_dtr(port, address.dtr ? SP_DTR_ON : SP_DTR_OFF);
    if (code != SP_OK) return last_error("setting DTR", code);
  }
  code = sp_flush(port, SP_BUF_BOTH);
  if (code != SP_OK) return last_error("emptying its buffers", code);
  return {};
}

class SerialCore final : public StreamCore<Descriptor> {
 public:
  SerialCore(boost::asio::io_context& context, const SerialAddress& address, LinkUser& user,
             const LinkTimes& times)
      : StreamCore(context, user, times), address_(address) {}

 private:
  void open() override {
    const unsigned mine = attempt();
    const std::string name = resolved(address_.device);
    const std::string problem = is_pseudo_terminal(name) ? open_raw(name) : open_port(name);
    if (!problem.empty()) return failed(mine, problem);
    opened(mine);
  }

  std::string open_port(const std::string& name) {
    sp_port* found = nullptr;
    sp_return code = sp_get_port_by_name(name.c_str(), &found);
    if (code != SP_OK) return last_error("finding " + address_.device, code);
    port_.reset(found);
    code = sp_open(found, SP_MODE_READ_WRITE);
    if (code != SP_OK) return last_error("opening " + address_.device, code);
    if (std::string problem = configure(found, address_); !problem.empty()) return problem;
    int handle = -1;
    code = sp_get_port_handle(found, &handle);
    if (code != SP_OK) return last_error("asking for the descriptor", code);
    if (!set_line(handle)) return "setting how " + address_.device + " is read failed";
    return take(handle);
  }

  // libserialport leaves a port in which a read without data gives 0 bytes, and that would be taken
  // for the end of the link. With VMIN at 1 it says "try again", as a socket does. It also
  // leaves one that takes a byte of wrong parity or frame for sound: a digit that was damaged on
  // the line would be another digit. Read as NUL it makes garbage of its answer (S3). And its
  // version 0.1.1 does not set the flow control by RTS and CTS that it was asked for.
  [[nodiscard]] bool set_line(int handle) const {
    termios line{};
    if (tcgetattr(handle, &line) != 0) return false;
    if (address_.flow == FlowControl::rts_cts) line.c_cflag |= CRTSCTS;
    line.c_iflag |= INPCK;
    line.c_iflag &= ~static_cast<tcflag_t>(IGNPAR | PARMRK);
    line.c_cc[VMIN] = 1;
    line.c_cc[VTIME] = 0;
    return tcsetattr(handle, TCSANOW, &line) == 0;
  }

  std::string open_raw(const std::string& name) {
    boost::asio::serial_port port(context_);
    error_code error;
    port.open(name, error);
    if (error) return "opening " + address_.device + " failed: " + error.message();
    port.set_option(boost::asio::serial_port::baud_rate(static_cast<unsigned>(address_.baud)),
                    error);
    if (error) return "setting the baud rate failed: " + error.message();
    return take(port.native_handle());
  }

  // A descriptor of our own for the same port: whoever opened it may close theirs.
  std::string take(int handle) {
    const int own = fcntl(handle, F_DUPFD_CLOEXEC, 0);
    if (own < 0) return "no descriptor is left";
    error_code error;
    stream_.assign(own, error);
    if (!error) return {};
    ::close(own);
    return "waiting on it failed: " + error.message();
  }

  void release() override { port_.reset(); }

  SerialAddress address_;
  Port port_;
};

}  // namespace

std::unique_ptr<Link> make_serial_link(boost::asio::io_context& context,
                                       const SerialAddress& address, LinkUser& user,
                                       const LinkTimes& times) {
  return std::make_unique<StreamLink<SerialCore>>(context, address, user, times);
}

}  // namespace chargewright::drivers

#include "drivers/link/stream_link.h"

namespace chargewright::drivers {

std::unique_ptr<Link> make_link(boost::asio::io_context& context, const LinkAddress& address,
                                LinkUser& user, const LinkTimes& times) {
  if (const auto* tcp = std::get_if<TcpAddress>(&address)) {
    return make_tcp_link(context, *tcp, user, times);
  }
  return make_serial_link(context, std::get<SerialAddress>(address), user, times);
}

}  // namespace chargewright::drivers

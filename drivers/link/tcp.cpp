#include <netinet/tcp.h>

#include <algorithm>
#include <boost/asio/connect.hpp>
#include <boost/asio/ip/tcp.hpp>

#include "drivers/link/name_lookup.h"
#include "drivers/link/stream_link.h"

namespace chargewright::drivers {
namespace {

namespace ip = boost::asio::ip;
using boost::system::error_code;
using Clock = std::chrono::steady_clock;

constexpr std::chrono::milliseconds name_looked_at_every{5};
// As many times what the instrument is given to answer a call. A name server asks others in turn.
constexpr int name_patience = 5;

// A silent loss of the network is noticed by the interlock's stale reading long before; these only
// see to it that the connection is then given up and opened anew.
void set_options(ip::tcp::socket& socket) {
  using Idle = boost::asio::detail::socket_option::integer<IPPROTO_TCP, TCP_KEEPIDLE>;
  using Interval = boost::asio::detail::socket_option::integer<IPPROTO_TCP, TCP_KEEPINTVL>;
  using Count = boost::asio::detail::socket_option::integer<IPPROTO_TCP, TCP_KEEPCNT>;
  using Unacknowledged = boost::asio::detail::socket_option::integer<IPPROTO_TCP, TCP_USER_TIMEOUT>;
  error_code ignored;
  socket.set_option(ip::tcp::no_delay(true), ignored);
  socket.set_option(boost::asio::socket_base::keep_alive(true), ignored);
  socket.set_option(Idle(5), ignored);      // s
  socket.set_option(Interval(2), ignored);  // s
  socket.set_option(Count(3), ignored);
  socket.set_option(Unacknowledged(5000), ignored);  // ms
}

class TcpCore final : public StreamCore<ip::tcp::socket> {
 public:
  TcpCore(boost::asio::io_context& context, const TcpAddress& address, LinkUser& user,
          const LinkTimes& times)
      : StreamCore(context, user, times), address_(address), lookup_(address) {}

 private:
  std::shared_ptr<TcpCore> self() { return std::static_pointer_cast<TcpCore>(shared_from_this()); }

  // To what the name stood for the last time, where that is known: the system may take seconds to
  // tell it anew, or not answer at all. What it tells meanwhile, or too late, is for the next
  // attempt.
  void open() override {
    const unsigned mine = attempt();
    error_code is_a_name;
    const ip::address address = ip::make_address(address_.host, is_a_name);
    if (!is_a_name) return connect({ip::tcp::endpoint(address, address_.port)}, mine);
    lookup_.begin();
    if (!lookup_.endpoints().empty()) return connect(lookup_.endpoints(), mine);
    await_name(mine, Clock::now() + name_patience * times().connect);
  }

  void await_name(unsigned mine, Clock::time_point until) {
    timer_.expires_after(name_looked_at_every);
    timer_.async_wait([core = self(), mine, until](error_code error) {
      if (!error && mine == core->attempt()) core->look_at_name(mine, until);
    });
  }

  void look_at_name(unsigned mine, Clock::time_point until) {
    const bool ended = lookup_.has_ended();
    if (ended && !lookup_.endpoints().empty()) return connect(lookup_.endpoints(), mine);
    if (ended) return failed(mine, "the host is not found: " + lookup_.problem());
    if (Clock::now() < until) return await_name(mine, until);
    failed(mine, "the host's name is not looked up within " +
                     std::to_string((name_patience * times().connect).count()) + " ms");
  }

  // To the addresses of the host in turn. One that swallows our call takes all the time that there
  // is: each attempt begins one address further on.
  void connect(NameLookup::Endpoints endpoints, unsigned mine) {
    timer_.expires_after(times().connect);
    timer_.async_wait([core = self(), mine](error_code error) {
      if (error || core->is_up()) return;
      ++core->first_;
      core->failed(mine,
                   "no connection within " + std::to_string(core->times().connect.count()) + " ms");
    });
    const auto middle = endpoints.begin() + static_cast<std::ptrdiff_t>(first_ % endpoints.size());
    std::rotate(endpoints.begin(), middle, endpoints.end());
    boost::asio::async_connect(
        stream_, endpoints, [core = self(), mine](error_code error, const auto&) {
          if (error) {
            return core->failed(mine, "connecting failed: " + error.message());
          }
          if (mine != core->attempt()) return;
          set_options(core->stream_);
          core->opened(mine);
        });
  }

  TcpAddress address_;
  NameLookup lookup_;      // stays idle where the address is written out
  std::size_t first_ = 0;  // of the addresses
};

}  // namespace

std::unique_ptr<Link> make_tcp_link(boost::asio::io_context& context, const TcpAddress& address,
                                    LinkUser& user, const LinkTimes& times) {
  return std::make_unique<StreamLink<TcpCore>>(context, address, user, times);
}

}  // namespace chargewright::drivers

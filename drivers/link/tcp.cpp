#include <netinet/tcp.h>

#include <algorithm>
#include <boost/asio/connect.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <optional>
#include <vector>

#include "drivers/link/stream_link.h"

namespace chargewright::drivers {
namespace {

namespace ip = boost::asio::ip;
using boost::system::error_code;

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
      : StreamCore(context, user, times), address_(address) {}

 private:
  std::shared_ptr<TcpCore> self() { return std::static_pointer_cast<TcpCore>(shared_from_this()); }

  void open() override {
    const unsigned mine = attempt();
    timer_.expires_after(times().connect);
    timer_.async_wait([core = self(), mine](error_code error) {
      if (error || core->is_up()) return;
      ++core->first_;
      core->failed(mine,
                   "no connection within " + std::to_string(core->times().connect.count()) + " ms");
    });
    // A written-out address is not worth the resolver's thread.
    error_code error;
    const ip::address numeric = ip::make_address(address_.host, error);
    if (!error) {
      const ip::tcp::endpoint endpoint(numeric, address_.port);
      return connect(ip::tcp::resolver::results_type::create(endpoint, address_.host, ""), mine);
    }
    resolver_.emplace(context_).async_resolve(
        address_.host, std::to_string(address_.port),
        [core = self(), mine](error_code problem, const auto& found) {
          if (problem) {
            return core->failed(mine, "the host is not found: " + problem.message());
          }
          if (mine == core->attempt()) core->connect(found, mine);
        });
  }

  // To the addresses of the host in turn. One that swallows our call takes all the time that there
  // is: each attempt begins one address further on.
  void connect(const ip::tcp::resolver::results_type& found, unsigned mine) {
    std::vector<ip::tcp::endpoint> endpoints(found.begin(), found.end());
    const std::size_t first = endpoints.empty() ? 0 : first_ % endpoints.size();
    const auto middle = endpoints.begin() + static_cast<std::ptrdiff_t>(first);
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

  // Gives up what it does. Its own cancel() allocates, which a link that is closed for want of
  // memory must not.
  void release() override { resolver_.reset(); }

  TcpAddress address_;
  std::size_t first_ = 0;                      // of the addresses
  std::optional<ip::tcp::resolver> resolver_;  // of a name; at work, or done
};

}  // namespace

std::unique_ptr<Link> make_tcp_link(boost::asio::io_context& context, const TcpAddress& address,
                                    LinkUser& user, const LinkTimes& times) {
  return std::make_unique<StreamLink<TcpCore>>(context, address, user, times);
}

}  // namespace chargewright::drivers

#include "drivers/simulated/server_session.h"

#include <boost/asio/write.hpp>

namespace chargewright::drivers::simulated {
namespace {

constexpr std::size_t line_max = 4096;

}  // namespace

void ControlSession::read() {
  stream_.async_read_some(
      boost::asio::buffer(input_),
      [self = shared_from_this()](boost::system::error_code error, std::size_t bytes) {
        if (error || !self->is_open()) return self->close();
        self->line_.append(self->input_.data(), bytes);
        self->answer();
      });
}

// Everything that is asked is answered before more is read, so that nothing piles up.
void ControlSession::answer() {
  out_.clear();
  std::size_t start = 0;
  for (std::size_t end = line_.find('\n'); end != std::string::npos;
       end = line_.find('\n', start)) {
    std::string_view line(line_.data() + start, end - start);
    if (!line.empty() && line.back() == '\r') line.remove_suffix(1);
    start = end + 1;
    bench_.advance(pace_.bench_at(monotonic_ns()));
    out_ += control_.obey(line);
    out_ += '\n';
    after_command_();
    if (!is_open()) return;
  }
  line_.erase(0, start);
  if (line_.size() > line_max) return close();
  if (out_.empty()) return read();
  boost::asio::async_write(
      stream_, boost::asio::buffer(out_),
      [self = shared_from_this()](boost::system::error_code error, std::size_t) {
        if (error || !self->is_open()) return self->close();
        self->read();
      });
}

}  // namespace chargewright::drivers::simulated

#pragma once
// One open stream of a served bench: bytes to a device's port or to the control, and answers back.
// A client that does not read is cut off from more answers by the bounds of the port, and of this.

#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/asio/error.hpp>
#include <boost/asio/generic/stream_protocol.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/steady_timer.hpp>
#include <functional>
#include <memory>

#include "drivers/simulated/control.h"
#include "drivers/simulated/scpi_device.h"

namespace chargewright::drivers::simulated {

inline std::int64_t monotonic_ns() {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(
             std::chrono::steady_clock::now().time_since_epoch())
      .count();
}

class Session {
 public:
  virtual ~Session() = default;
  virtual void close() = 0;
  [[nodiscard]] virtual bool is_open() const = 0;
};

template <class Stream>
class DeviceSession final : public Session,
                            public std::enable_shared_from_this<DeviceSession<Stream>> {
 public:
  DeviceSession(Stream stream, ScpiDevice& device, const Pace& pace)
      : stream_(std::move(stream)), timer_(stream_.get_executor()), port_(device), pace_(pace) {
    boost::system::error_code ignored;
    stream_.non_blocking(true, ignored);
  }

  void start() { read(); }
  void close() override {
    boost::system::error_code ignored;
    stream_.close(ignored);
    timer_.cancel();
  }
  [[nodiscard]] bool is_open() const override { return stream_.is_open(); }

 private:
  Instant now() const { return pace_.bench_at(monotonic_ns()); }

  void read() {
    stream_.async_read_some(
        boost::asio::buffer(input_),
        [self = this->shared_from_this()](boost::system::error_code error, std::size_t bytes) {
          if (error || !self->is_open()) return self->close();
          self->port_.receive({self->input_.data(), bytes}, self->now());
          self->send();
          if (self->is_open()) self->read();
        });
  }

  void send() {
    if (waiting_) return;
    const Instant at = now();
    for (;;) {
      const std::string_view bytes = port_.to_write(at);
      if (bytes.empty()) break;
      boost::system::error_code error;
      const std::size_t taken = stream_.write_some(boost::asio::buffer(bytes), error);
      if (error == boost::asio::error::would_block || error == boost::asio::error::try_again) {
        waiting_ = true;
        return stream_.async_wait(Stream::wait_write,
                                  [self = this->shared_from_this()](boost::system::error_code e) {
                                    self->waiting_ = false;
                                    if (!e && self->is_open()) self->send();
                                  });
      }
      if (error) return close();
      port_.written(taken);
    }
    const Instant wake = port_.wake();
    if (wake == never) return;
    const std::int64_t due = pace_.monotonic_at(wake) + 1;
    timer_.expires_at(std::chrono::steady_clock::time_point(std::chrono::nanoseconds(due)));
    timer_.async_wait([self = this->shared_from_this()](boost::system::error_code error) {
      if (!error && self->is_open()) self->send();
    });
  }

  Stream stream_;
  boost::asio::steady_timer timer_;
  ScpiPort port_;
  const Pace& pace_;
  bool waiting_ = false;
  std::array<char, 4096> input_{};
};

class ControlSession final : public Session, public std::enable_shared_from_this<ControlSession> {
 public:
  using Stream = boost::asio::generic::stream_protocol::socket;
  ControlSession(Stream stream, Bench& bench, const Pace& pace, std::function<void()> after_command)
      : stream_(std::move(stream)),
        bench_(bench),
        pace_(pace),
        control_(bench, pace),
        after_command_(std::move(after_command)) {}

  void start() { read(); }
  void close() override {
    boost::system::error_code ignored;
    stream_.close(ignored);
  }
  [[nodiscard]] bool is_open() const override { return stream_.is_open(); }
  [[nodiscard]] bool wants_to_quit() const { return control_.wants_to_quit(); }

 private:
  void read();
  void answer();

  Stream stream_;
  Bench& bench_;
  const Pace& pace_;
  Control control_;
  std::function<void()> after_command_;
  std::array<char, 1024> input_{};
  std::string line_;
  std::string out_;
};

}  // namespace chargewright::drivers::simulated

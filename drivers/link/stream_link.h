#pragma once
// What TCP and serial links share once a stream is open: reading, bounded writing, loss, and
// opening again with back-off. A shell: wait, read, hand on.
//
// Handlers hold the core alive, so that a Link may be destroyed while some are still queued; after
// stop() the core has no user, and they do nothing. Nothing throws: every call takes an error_code.

#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/asio/error.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <memory>
#include <string>

#include "drivers/link.h"

namespace chargewright::drivers {

template <class Stream>
class StreamCore : public std::enable_shared_from_this<StreamCore<Stream>> {
 public:
  StreamCore(boost::asio::io_context& context, LinkUser& user, const LinkTimes& times)
      : context_(context),
        stream_(context),
        timer_(context),
        user_(&user),
        times_(times),
        back_off_(times.back_off_first) {
    waiting_.reserve(waiting_max);
  }
  virtual ~StreamCore() = default;

  void start(LinkUser& user) {
    user_ = &user;
    const unsigned attempt = ++attempt_;
    boost::asio::post(context_, [self = this->shared_from_this(), attempt] {
      if (attempt == self->attempt_ && self->user_ != nullptr) self->open();
    });
  }

  void stop() {
    user_ = nullptr;
    ++attempt_;
    close();
  }

  bool write(std::string_view bytes) {
    if (!up_) return false;
    if (waiting_.empty()) {
      boost::system::error_code error;
      const std::size_t taken = stream_.write_some(boost::asio::buffer(bytes), error);
      if (error && !is_busy(error)) {
        lose_later("writing failed: " + error.message());
        return false;
      }
      if (!error) bytes.remove_prefix(taken);
      if (bytes.empty()) return true;
    }
    if (waiting_.size() + bytes.size() > waiting_max) {
      lose_later("more than 64 KiB wait to be sent: the instrument does not read");
      return false;
    }
    const bool was_empty = waiting_.empty();
    waiting_ += bytes;
    if (was_empty) write_when_ready();
    return true;
  }

  [[nodiscard]] bool is_up() const { return up_; }

 protected:
  // Opens the stream, at once or later, and then calls opened() or failed() with its attempt; a
  // call of an attempt that is over has no effect.
  virtual void open() = 0;
  virtual void release() {}  // what open() holds besides the stream

  [[nodiscard]] unsigned attempt() const { return attempt_; }

  void opened(unsigned attempt) {
    if (attempt != attempt_ || user_ == nullptr) return;
    boost::system::error_code error;
    stream_.non_blocking(true, error);
    if (error) return failed(attempt, "cannot be made non-blocking: " + error.message());
    timer_.cancel();
    up_ = true;
    back_off_ = times_.back_off_first;
    user_->link_up();
    if (attempt == attempt_ && up_) read();
  }

  void failed(unsigned attempt, const std::string& why) {
    if (attempt != attempt_ || user_ == nullptr) return;
    const unsigned next = ++attempt_;
    close();
    timer_.expires_after(back_off_);
    back_off_ = std::min(2 * back_off_, times_.back_off_longest);
    timer_.async_wait([self = this->shared_from_this(), next](boost::system::error_code error) {
      if (!error && next == self->attempt_ && self->user_ != nullptr) self->open();
    });
    user_->link_down(why);
  }

  boost::asio::io_context& context_;
  Stream stream_;
  boost::asio::steady_timer timer_;  // of opening, then of back-off

  [[nodiscard]] const LinkTimes& times() const { return times_; }

 private:
  static constexpr std::size_t waiting_max = 64 * 1024;

  static bool is_busy(boost::system::error_code error) {
    return error == boost::asio::error::would_block || error == boost::asio::error::try_again ||
           error == boost::asio::error::interrupted;
  }

  void read() {
    stream_.async_read_some(
        boost::asio::buffer(input_), [self = this->shared_from_this(), attempt = attempt_](
                                         boost::system::error_code error, std::size_t bytes) {
          if (attempt != self->attempt_ || self->user_ == nullptr) return;
          if (error) {
            return self->failed(attempt, error == boost::asio::error::eof
                                             ? "the other side closed the link"
                                             : "reading failed: " + error.message());
          }
          self->user_->link_received({self->input_.data(), bytes});
          if (attempt == self->attempt_ && self->up_) self->read();
        });
  }

  void write_when_ready() {
    stream_.async_wait(Stream::wait_write, [self = this->shared_from_this(),
                                            attempt = attempt_](boost::system::error_code error) {
      if (attempt != self->attempt_ || !self->up_) return;
      std::size_t taken = 0;
      if (!error) taken = self->stream_.write_some(boost::asio::buffer(self->waiting_), error);
      if (error && !is_busy(error)) {
        return self->failed(attempt, "writing failed: " + error.message());
      }
      if (!error) self->waiting_.erase(0, taken);
      if (!self->waiting_.empty()) self->write_when_ready();
    });
  }

  // From inside write(), where the user must not be called.
  void lose_later(std::string why) {
    up_ = false;
    boost::asio::post(context_, [self = this->shared_from_this(), attempt = attempt_,
                                 why = std::move(why)] { self->failed(attempt, why); });
  }

  void close() {
    up_ = false;
    waiting_.clear();
    timer_.cancel();
    boost::system::error_code ignored;
    stream_.close(ignored);
    release();
  }

  LinkUser* user_;
  LinkTimes times_;
  std::chrono::milliseconds back_off_;
  unsigned attempt_ = 0;  // what belongs to an earlier one is over
  bool up_ = false;
  std::array<char, 4096> input_{};
  std::string waiting_;
};

template <class Core>
class StreamLink final : public Link {
 public:
  template <class Address>
  StreamLink(boost::asio::io_context& context, const Address& address, LinkUser& user,
             const LinkTimes& times)
      : user_(user), core_(std::make_shared<Core>(context, address, user, times)) {}
  ~StreamLink() override { core_->stop(); }
  StreamLink(const StreamLink&) = delete;
  StreamLink& operator=(const StreamLink&) = delete;

  void start() override { core_->start(user_); }
  void stop() override { core_->stop(); }
  bool write(std::string_view bytes) override { return core_->write(bytes); }
  [[nodiscard]] bool is_up() const override { return core_->is_up(); }

 private:
  LinkUser& user_;
  std::shared_ptr<Core> core_;
};

std::unique_ptr<Link> make_tcp_link(boost::asio::io_context& context, const TcpAddress& address,
                                    LinkUser& user, const LinkTimes& times);
std::unique_ptr<Link> make_serial_link(boost::asio::io_context& context,
                                       const SerialAddress& address, LinkUser& user,
                                       const LinkTimes& times);

}  // namespace chargewright::drivers

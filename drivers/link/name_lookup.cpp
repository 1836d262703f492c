#include "drivers/link/name_lookup.h"

#include <atomic>
#include <boost/asio/io_context.hpp>
#include <system_error>
#include <thread>

namespace chargewright::drivers {

// All that the thread has: it may outlive whoever asked. It calls nobody, but is looked at.
struct NameLookup::Question {
  TcpAddress address;
  boost::system::error_code error;
  Endpoints found;
  std::atomic<bool> ended{false};  // the two above are the thread's until then

  void answer() noexcept {
    try {
      boost::asio::io_context own;
      boost::asio::ip::tcp::resolver resolver(own);
      for (const auto& one : resolver.resolve(address.host, std::to_string(address.port), error)) {
        found.push_back(one.endpoint());
      }
    } catch (...) {
      error = make_error_code(boost::system::errc::not_enough_memory);
    }
    ended = true;
  }
};

void NameLookup::begin() {
  if (!has_ended()) return;
  auto question = std::make_shared<Question>();
  question->address = address_;
  try {
    std::thread([question] { question->answer(); }).detach();
  } catch (const std::system_error& error) {
    problem_ = error.code().message();
    return;
  }
  open_ = std::move(question);
}

bool NameLookup::has_ended() {
  if (!open_) return true;
  if (!open_->ended) return false;
  problem_ = open_->error ? open_->error.message() : std::string();
  if (!open_->error) endpoints_ = std::move(open_->found);
  open_.reset();
  return true;
}

}  // namespace chargewright::drivers

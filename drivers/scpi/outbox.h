#pragma once
// Bytes on their way to one instrument, in whole messages. Only the first may be partly written;
// an urgent one goes in front of everything of which no byte has left, behind the rest of a partly
// written message (anything else would make garbage of both) and behind earlier urgent ones.
// Bounded, no allocation.

#include <array>
#include <boost/container/static_vector.hpp>
#include <cstddef>
#include <string_view>

namespace chargewright::drivers::scpi {

class Outbox {
 public:
  // False when there is no room: nothing is added.
  bool append(std::string_view message, std::string_view terminator);
  bool append_urgent(std::string_view message, std::string_view terminator);

  // Takes back every ordinary message of which no byte was written; true if there was one.
  bool recall();
  void clear();

  [[nodiscard]] std::string_view to_write() const {
    return {bytes_.data() + begin_, end_ - begin_};
  }
  // Of the first message.
  [[nodiscard]] std::string_view first() const {
    return {bytes_.data() + begin_, messages_.empty() ? 0 : messages_.front().left};
  }
  void written(std::size_t count);

  [[nodiscard]] bool empty() const { return begin_ == end_; }
  // No ordinary message waits, be it in part.
  [[nodiscard]] bool holds_only_urgent() const;
  [[nodiscard]] bool holds_urgent() const;

 private:
  struct Message {
    std::size_t left = 0;  // bytes not yet written
    bool urgent = false;
    bool begun = false;  // some byte was written
  };
  bool insert(std::size_t index, std::string_view message, std::string_view terminator,
              bool urgent);

  std::array<char, 4096> bytes_;
  std::size_t begin_ = 0;
  std::size_t end_ = 0;
  boost::container::static_vector<Message, 64> messages_;
};

}  // namespace chargewright::drivers::scpi

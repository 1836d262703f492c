#include "drivers/simulated/scpi_status.h"

namespace chargewright::drivers::simulated {
namespace {

struct Text {
  int error;
  std::string_view text;
};
constexpr std::array texts{Text{0, "No error"},
                           Text{-100, "Command error"},
                           Text{-101, "Invalid character"},
                           Text{-102, "Syntax error"},
                           Text{-103, "Invalid separator"},
                           Text{-104, "Data type error"},
                           Text{-108, "Parameter not allowed"},
                           Text{-109, "Missing parameter"},
                           Text{-111, "Header separator error"},
                           Text{-112, "Program mnemonic too long"},
                           Text{-113, "Undefined header"},
                           Text{-114, "Header suffix out of range"},
                           Text{-121, "Invalid character in number"},
                           Text{-123, "Exponent too large"},
                           Text{-124, "Too many digits"},
                           Text{-131, "Invalid suffix"},
                           Text{-134, "Suffix too long"},
                           Text{-138, "Suffix not allowed"},
                           Text{-144, "Character data too long"},
                           Text{-148, "Character data not allowed"},
                           Text{-158, "String data not allowed"},
                           Text{-168, "Block data not allowed"},
                           Text{-221, "Settings conflict"},
                           Text{-222, "Data out of range"},
                           Text{-224, "Illegal parameter value"},
                           Text{-350, "Queue overflow"},
                           Text{-363, "Input buffer overrun"}};

// Which bit of the event status register an error sets (IEEE 488.2, 11.5.1).
std::uint8_t event_bit(int error) {
  if (error <= -100 && error > -200) return 32;  // command error
  if (error <= -200 && error > -300) return 16;  // execution error
  if (error <= -400 && error > -500) return 4;   // query error
  return 8;                                      // device-dependent error
}

}  // namespace

std::string_view standard_text(int error) {
  for (const Text& text : texts) {
    if (text.error == error) return text.text;
  }
  return "Device-specific error";
}

void Status::raise(int error) {
  event_status_ = static_cast<std::uint8_t>(event_status_ | event_bit(error));
  if (size_ == errors_.size()) {
    errors_[(first_ + size_ - 1) % errors_.size()] = -350;
    return;
  }
  errors_[(first_ + size_) % errors_.size()] = error;
  ++size_;
}

int Status::take_error() {
  if (size_ == 0) return 0;
  const int error = errors_[first_];
  first_ = (first_ + 1) % errors_.size();
  --size_;
  return error;
}

void Status::clear() {
  size_ = 0;
  event_status_ = 0;
  questionable.event = operation.event = 0;
}

std::uint8_t Status::take_event_status() {
  const std::uint8_t was = event_status_;
  event_status_ = 0;
  return was;
}

std::uint8_t Status::status_byte() const {
  unsigned byte = 0;
  if (size_ > 0) byte |= 4U;
  if ((questionable.event & questionable.enable) != 0) byte |= 8U;
  if ((event_status_ & event_enable) != 0) byte |= 32U;
  if ((operation.event & operation.enable) != 0) byte |= 128U;
  if ((byte & service_enable & ~64U) != 0) byte |= 64U;
  return static_cast<std::uint8_t>(byte);
}

}  // namespace chargewright::drivers::simulated

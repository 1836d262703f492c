#pragma once
// Error queue and status registers of a simulated device, as IEEE 488.2 and SCPI-1999 describe
// them. Bounded; when the queue is full, its newest entry becomes -350.

#include <array>
#include <cstdint>
#include <string_view>

namespace chargewright::drivers::simulated {

// SCPI-1999 vol. 2 ch. 21; "Device-specific error" for what is not in the list.
std::string_view standard_text(int error);

// One of QUEStionable and OPERation: condition, latched event, enable.
struct StatusGroup {
  std::uint16_t condition = 0, event = 0, enable = 0;
  void update(std::uint16_t now) {
    event = static_cast<std::uint16_t>(event | (now & ~condition));  // rising edges only
    condition = now;
  }
};

class Status {
 public:
  void raise(int error);
  [[nodiscard]] int take_error();  // 0: none
  [[nodiscard]] std::size_t errors() const { return size_; }
  void clear();                      // *CLS
  std::uint8_t take_event_status();  // *ESR?: clears
  void operation_complete() { event_status_ |= 1U; }
  [[nodiscard]] std::uint8_t status_byte() const;  // *STB?

  std::uint8_t event_enable = 0, service_enable = 0;
  StatusGroup questionable, operation;

 private:
  std::array<int, 20> errors_{};
  std::size_t first_ = 0, size_ = 0;
  std::uint8_t event_status_ = 128;  // power on
};

}  // namespace chargewright::drivers::simulated

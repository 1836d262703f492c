#pragma once
// What the simulated bench did, and when: the oracle that tests ask, instead of asking the program
// under test. Bounded: the newest events are kept, and how many there ever were is counted.

#include <array>
#include <cstdint>
#include <string_view>

#include "drivers/order.h"

namespace chargewright::drivers::simulated {

struct Event {
  enum class Kind : std::uint8_t {
    output_on,
    output_off,
    over_voltage_tripped,
    over_current_tripped,
    switch_closed,
    switch_opened,
    mark_crossed,  // value: the level of the mark
    fault_injected,
    fault_cleared,
  } kind = Kind::output_on;
  InstrumentId device = no_instrument;
  std::uint8_t channel = 1;
  Instant at{};
  double value = 0;
};

std::string_view name_of(Event::Kind kind);  // "output-off"

class EventLog {
 public:
  void note(const Event& event) {
    events_[total_ % events_.size()] = event;
    ++total_;
  }
  // Ever noted; those before first() are gone.
  [[nodiscard]] std::size_t total() const { return total_; }
  [[nodiscard]] std::size_t first() const {
    return total_ > events_.size() ? total_ - events_.size() : 0;
  }
  [[nodiscard]] const Event& at(std::size_t index) const { return events_[index % events_.size()]; }
  // The newest of this kind and device, or nullptr.
  [[nodiscard]] const Event* last(Event::Kind kind, InstrumentId device) const {
    for (std::size_t k = total_; k > first(); --k) {
      const Event& event = at(k - 1);
      if (event.kind == kind && event.device == device) return &event;
    }
    return nullptr;
  }

 private:
  std::array<Event, 1024> events_{};
  std::size_t total_ = 0;
};

}  // namespace chargewright::drivers::simulated

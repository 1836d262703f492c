#pragma once
// Where the guard puts its orders and events for the shell to take: bounded, never blocking. The
// ticket of an order says which channel asked and for what purpose, so that its outcome finds the
// way back.

#include "drivers/order.h"
#include "drivers/ring.h"
#include "safety/guard.h"

namespace chargewright::safety {

enum class Purpose : std::uint8_t { reading, readback, permissive, cut, steering, clearing };

inline constexpr std::uint8_t channel_of(std::uint32_t ticket) {
  return static_cast<std::uint8_t>(ticket >> 28);
}
inline constexpr Purpose purpose_of(std::uint32_t ticket) {
  return static_cast<Purpose>((ticket >> 24) & 0xF);
}
static_assert(max_channels <= 16, "a ticket has 4 bits for the channel");

class Outbox {
 public:
  // The ticket given to the order; 0 when the queue is full (an order is never 0).
  std::uint32_t order(std::uint8_t channel, Purpose purpose, const Terminal& at, drivers::Verb verb,
                      double value = 0, bool urgent = false) {
    sequence_ = (sequence_ + 1) & 0xFF'FFFF;
    if (sequence_ == 0) sequence_ = 1;
    drivers::Order order;
    order.ticket = (static_cast<std::uint32_t>(channel) << 28) |
                   (static_cast<std::uint32_t>(purpose) << 24) | sequence_;
    order.instrument = at.instrument;
    order.channel = at.channel;
    order.verb = verb;
    order.urgent = urgent;
    order.value = value;
    if (urgent) drop_voided(order);
    const bool taken = urgent ? urgent_.push(order) : orders_.push(order);
    return taken ? order.ticket : 0;
  }
  bool take_order(drivers::Order& order) { return urgent_.pop(order) || orders_.pop(order); }

  // Events that nobody takes are lost and counted: a record may lose them, a cut may not wait.
  void event(const Event& event) { next_event() = event; }
  // A blank event in its place in the queue, to be filled in at once: readings are told so often
  // that copying them would be felt in a rehearsal.
  Event& next_event() {
    static constexpr Event blank{};
    if (!listening_) return lost_ = blank;
    if (event_count_ == events_.size()) {
      ++events_lost_;
      return lost_ = blank;
    }
    Event& place = events_[(first_event_ + event_count_++) % events_.size()];
    return place = blank;
  }
  bool take_event(Event& event) {
    if (event_count_ == 0) return false;
    event = events_[first_event_];
    first_event_ = --event_count_ == 0 ? 0 : (first_event_ + 1) % events_.size();
    return true;
  }
  // A shell to which events mean nothing gets none, and none are counted as lost.
  void listen(bool wanted) { listening_ = wanted; }
  [[nodiscard]] bool listening() const { return listening_; }
  [[nodiscard]] std::uint32_t events_lost() const { return events_lost_; }

 private:
  // An output-on that waits here would come behind the off of its own cut. Nobody hears of it
  // again: who orders something urgent has forgotten what it asked for before.
  void drop_voided(const drivers::Order& urgent) {
    for (std::size_t left = orders_.size(); left > 0; --left) {
      drivers::Order waiting;
      (void)orders_.pop(waiting);
      const bool same =
          waiting.instrument == urgent.instrument && waiting.channel == urgent.channel;
      if (!same || !drivers::voids(urgent.verb, waiting.verb)) (void)orders_.push(waiting);
    }
  }

  bool listening_ = true;
  drivers::Ring<drivers::Order, 256> urgent_;
  drivers::Ring<drivers::Order, 512> orders_;
  std::array<Event, 1024> events_{};
  std::size_t first_event_ = 0;
  std::size_t event_count_ = 0;
  Event lost_{};
  std::uint32_t sequence_ = 0;
  std::uint32_t events_lost_ = 0;
};

}  // namespace chargewright::safety

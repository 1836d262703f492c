#pragma once
// When one channel is read. Each cycle asks every measured quantity once, and one readback of a
// round (output state, setpoints, protection, regulation, contactor; the error queue every 50th
// cycle). What is still outstanding is not asked again. Off or tripped, the cycle is five times
// slower: the watch goes on (S8).

#include <boost/container/static_vector.hpp>

#include "safety/outbox.h"
#include "safety/plant.h"

namespace chargewright::safety {

class Schedule {
 public:
  Schedule(const ChannelPlan& plan, std::uint8_t channel);

  void begin_now(drivers::Instant now) { next_cycle_ = now; }
  void slow(bool wanted, drivers::Instant now);
  void see(const drivers::Outcome& outcome);
  void turn(drivers::Instant now, Outbox& out);
  [[nodiscard]] drivers::Instant wake() const { return next_cycle_; }

 private:
  struct Question {
    Terminal at;
    drivers::Verb verb{};
    std::uint32_t ticket = 0;  // 0: none outstanding
    drivers::Instant asked{};
  };
  static constexpr std::uint32_t cycles_per_drain_ = 50;  // common practice, no source
  void ask(Question& question, Purpose purpose, drivers::Instant now, Outbox& out);

  ChannelPlan plan_;
  std::uint8_t channel_;
  boost::container::static_vector<Question, 4 + max_thermometers> readings_;
  boost::container::static_vector<Question, 8> readbacks_;
  Question drain_;
  bool drains_ = false;
  bool slow_ = true;
  std::size_t turn_of_ = 0;
  std::uint32_t cycle_ = 0;
  drivers::Instant next_cycle_ = drivers::never;
};

}  // namespace chargewright::safety

#pragma once
// How long the present step will still take, from what its condition asks for and how the readings
// move: time conditions exactly, charge and energy by their present rate, a voltage by its slope, a
// tapering current by the exponential that fits its decay. NaN where nothing honest can be said.

#include "drivers/instant.h"
#include "profiles/condition.h"

namespace chargewright::daemon {

class Estimate {
 public:
  Estimate() = default;
  explicit Estimate(const profiles::Condition& resolved) : condition_(&resolved) {}

  // Readings of this step; `tapering`: the voltage stands at its ceiling.
  void see(const profiles::Measured& measured, bool tapering, drivers::Instant now);
  // Seconds until the condition is met; NaN: not known.
  [[nodiscard]] double seconds_left() const;

 private:
  // Value now and slope per second, over a window that forgets: enough readings and enough time.
  struct Trend {
    double began_value = 0, value = 0;
    drivers::Instant began{};
    bool has_began = false;
    double slope = 0;
    bool known = false;
    void see(double v, drivers::Instant now);
    void forget() { *this = Trend{}; }
  };
  [[nodiscard]] double left(std::size_t node) const;
  [[nodiscard]] double left_of_comparison(const profiles::Condition::Node& node) const;

  const profiles::Condition* condition_ = nullptr;
  profiles::Measured last_{};
  Trend voltage_;
  Trend charge_;
  Trend energy_;
  Trend log_current_;
};

}  // namespace chargewright::daemon

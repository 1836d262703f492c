#pragma once
// One loop: a supply's output, its leads (and perhaps a contactor), and a cell or a recording that
// is played back. Finds what flows, and advances the cell through every change of regulation, so
// that the answer does not depend on how long the steps are.

#include <optional>

#include "drivers/simulated/cell.h"
#include "drivers/simulated/event_log.h"
#include "drivers/simulated/playback.h"
#include "drivers/simulated/supply.h"

namespace chargewright::drivers::simulated {

class Circuit {
 public:
  Circuit(Cell cell, Ohms leads) : cell_(std::move(cell)), leads_(leads) {}
  Circuit(Cell stand_in, Playback playback)
      : cell_(std::move(stand_in)), playback_(std::move(playback)) {}

  // Conditions of the bench.
  bool switch_closed = true;  // the contactor, where there is one
  bool lead_off = false;      // between supply and cell; the meter still sits on the cell
  bool reversed = false;      // the cell lies the wrong way round
  Ohms loosened{};            // more in the leads than there should be

  // Nothing moved but a setting or a condition: what flows now. `supply` may be nullptr.
  void settle(SupplyOutput* supply);
  // From the last state to dt later; the protections act at the moment they are crossed. `tripped`
  // is called with the time since the start of the step.
  void advance(Duration dt, SupplyOutput* supply);
  // Since the start of the last advance(): when a protection switched the output off.
  [[nodiscard]] std::optional<Duration> tripped_after() const { return tripped_after_; }

  // At the cell's own terminals, as a meter placed there for a rightly laid cell reads it.
  [[nodiscard]] Volts voltage() const { return volts(voltage_); }
  [[nodiscard]] Amperes current() const { return amperes(current_); }  // out of the supply
  [[nodiscard]] Celsius temperature() const;
  [[nodiscard]] Celsius ambient() const { return cell_.ambient(); }
  [[nodiscard]] const Cell& cell() const { return cell_; }
  [[nodiscard]] Cell& cell() { return cell_; }
  [[nodiscard]] bool is_playback() const { return playback_.has_value(); }

 private:
  struct Flow {
    double v = 0, i = 0;  // at the supply
    Regulation regulation = Regulation::off;
  };
  [[nodiscard]] Ohms leads() const { return leads_ + loosened; }
  [[nodiscard]] double sense() const { return reversed ? -1.0 : 1.0; }
  [[nodiscard]] bool is_joined(const SupplyOutput* supply) const {
    return supply != nullptr && switch_closed && !lead_off;
  }
  [[nodiscard]] Flow flow(const SupplyOutput& supply) const;
  double step(Duration dt, const SupplyOutput& supply, const Flow& start);
  void advance_joined(Duration dt, SupplyOutput& supply);
  void advance_apart(Duration dt, SupplyOutput* supply);
  void show(SupplyOutput& supply, const Flow& flow);

  Cell cell_;
  std::optional<Playback> playback_;
  Ohms leads_{};
  double voltage_ = 0, current_ = 0;
  std::optional<Duration> tripped_after_;
};

}  // namespace chargewright::drivers::simulated

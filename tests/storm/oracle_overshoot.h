#pragma once
// How far the cell really goes beyond each of its limits, against what the response-time budget
// (safety/budget.h, S7) computes for this bench and this cell where everything is known of them:
// the round trips of the simulated links, the lag of the simulated thermometers, the very model of
// the cell. So nothing is left of the room that `check` leaves for what nobody has stated.
//
// Judged is what the budget covers (docs/safety.md, "The response-time budget"): both knobs turned,
// leads off or loose, a hung sequencer, a person's deeds, other instruments failing; and a source
// that ignores "off", where there is a contactor. Not judged is an excursion
//   - in which the instrument that reads the quantity, or the one that must stop the current,
//     suffers anything, or did so too short a time ago: its link is not the one that was reckoned
//     with, or it is not the only instrument that fails;
//   - of temperature, in a cell that a fault inside it heats;
//   - into which the cell does not get but is laid: another took its place;
//   - of a cell that is colder than it may be charged, which nobody sees without a thermometer;
//   - that begins while no limits are enforced.

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "daemon/plan/wired_stage.h"
#include "safety/budget.h"
#include "tests/storm/scenario.h"

namespace chargewright::storm {

class Overshoots {
 public:
  // `share` of the bound that is granted: less than 1 only where a test wants it to be too little.
  Overshoots(const Scenario& scenario, daemon::WiredStage& stage, double share = 1);

  void enforced(std::uint8_t channel, const Job& job);  // from now on
  void released(std::uint8_t channel);  // no excursion begins any more; the last one may go on
  void disturbed(drivers::InstrumentId device);  // by something that has no duration
  void cell_heats(std::uint8_t channel);         // a fault inside it
  void cell_swapped(std::uint8_t channel);       // since the last look
  // What is wrong at this moment, if anything is.
  [[nodiscard]] std::optional<std::string> look(drivers::Instant now);
  // The same where only time has gone on since the last look: every device is as it was.
  [[nodiscard]] std::optional<std::string> look_at_cells(drivers::Instant now);

  static constexpr std::array quantities{safety::Cause::voltage_high, safety::Cause::current_high,
                                         safety::Cause::power_high,
                                         safety::Cause::temperature_high};
  struct Seen {
    std::uint64_t judged = 0;  // excursions
    double nearest = 0;        // share of its bound that the furthest of them reached
  };
  [[nodiscard]] const std::array<Seen, quantities.size()>& seen() const { return seen_; }

 private:
  using Instant = drivers::Instant;
  using Duration = drivers::Duration;
  struct Excursion {
    bool on = false;
    bool judged = false;
    bool by_contactor = false;  // the source ignored "off" meanwhile
  };
  struct Bound {
    double limit = 0;
    double source = 0;
    double contactor = 0;
    bool known = false;  // there is such a limit, and something that reads it
  };
  struct Channel {
    bool enforced = false;
    bool heats = false;
    bool swapped = false;
    double coldest = 0;       // degC, as the budget has it
    Instant ignored_until{};  // an off that was ignored may still be under way
    std::array<Bound, quantities.size()> bounds{};
    std::array<Excursion, quantities.size()> excursions{};
  };
  void look_at_devices(Instant now);
  void follow(std::uint8_t index, std::size_t quantity, double value, Instant now,
              std::optional<std::string>& wrong);
  [[nodiscard]] bool is_steady(drivers::InstrumentId device, Instant now) const;
  [[nodiscard]] bool is_covered(std::uint8_t index, std::size_t quantity, Instant now) const;
  [[nodiscard]] safety::Budget budget_of(std::uint8_t channel, const Job& job) const;

  const Scenario& scenario_;
  daemon::WiredStage& stage_;
  double share_;
  std::vector<Instant> steady_since_;  // by device
  std::vector<Duration> recovers_;     // by device: after that long nothing is left of a trouble
  std::vector<Channel> channels_;
  std::array<Seen, quantities.size()> seen_{};
};

}  // namespace chargewright::storm

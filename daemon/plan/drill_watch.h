#pragma once
// What physically becomes of the cell from a fault on: extremes, how long each stayed beyond what
// the cell's own file says must never be, and when no current could flow any more. Asks the
// simulated bench alone, but for one thing that it does not play: where the bench file states a
// `settling` of the source, the current counts as flowing on for so long after an off, as it was.

#include "daemon/plan/drill.h"
#include "drivers/simulated/bench.h"

namespace chargewright::daemon {

class DrillWatch {
 public:
  DrillWatch(const profiles::Cell& cell, const safety::RunPlan& plan,
             const safety::ChannelPlan& channel, drivers::Duration settling);

  void fault(const drivers::simulated::Bench& bench, drivers::Instant now);
  // To be called whenever something may have happened; counts from the fault on.
  void see(const drivers::simulated::Bench& bench, drivers::Instant now);

  [[nodiscard]] bool begun() const { return begun_; }
  [[nodiscard]] drivers::Instant began() const { return fault_at_; }
  // Since when the output has been off, or the contactor open, without a break.
  [[nodiscard]] std::optional<drivers::Instant> stopped() const { return stopped_; }
  [[nodiscard]] bool ever_on() const { return ever_on_; }
  // The instrument's own protection switched it off, at this time.
  [[nodiscard]] std::optional<drivers::Instant> protected_at() const { return protected_; }
  // What the cell, or the leads, did not come through; empty: whole.
  [[nodiscard]] std::string harm() const;

  enum class Drive : std::uint8_t { on, falling, off };
  // Since when an instrument shows the limit crossed while current may flow, until when it may.
  struct Crossed {
    std::optional<drivers::Instant> since{};
    std::optional<drivers::Instant> stopped{};
    bool flowed = false;
    void see(bool beyond, Drive drive, drivers::Instant before, drivers::Instant now);
  };
  [[nodiscard]] const Crossed& crossed_volts() const { return crossed_volts_; }
  [[nodiscard]] const Crossed& crossed_amperes() const { return crossed_amperes_; }
  [[nodiscard]] const Crossed& crossed_degrees_c() const { return crossed_degrees_c_; }

  [[nodiscard]] const DrillExtreme& volts() const { return volts_; }
  [[nodiscard]] const DrillExtreme& amperes() const { return amperes_; }
  [[nodiscard]] const DrillExtreme& degrees_c() const { return degrees_c_; }

 private:
  struct Beyond {
    double seconds = 0;  // the longest stretch
    double stretch = 0;
    double most = 0;
    void see(bool beyond, double value, double passed);
  };
  [[nodiscard]] Drive drive(const drivers::simulated::Bench& bench, drivers::Instant now);
  void look(const drivers::simulated::Bench& bench, Drive drive, drivers::Instant now);
  [[nodiscard]] bool shows_beyond(const drivers::simulated::Bench& bench,
                                  const safety::Terminal& at, drivers::Measurand what,
                                  const DrillExtreme& extreme) const;

  const profiles::Cell* cell_;
  safety::ChannelPlan channel_;
  drivers::simulated::Terminal source_;
  double off_amperes_;
  drivers::Duration settling_;
  Drive drive_ = Drive::off;
  drivers::Instant falls_until_{};
  double volts_driven_ = 0, amperes_driven_ = 0;  // when last seen on
  bool begun_ = false;
  bool ever_on_ = false;
  drivers::Instant fault_at_{};
  drivers::Instant seen_{};
  std::optional<drivers::Instant> stopped_;
  std::optional<drivers::Instant> protected_;
  DrillExtreme volts_, amperes_, degrees_c_;
  Crossed crossed_volts_, crossed_amperes_, crossed_degrees_c_;
  Beyond too_high_, too_much_, too_warm_, backwards_, hot_joint_;
};

}  // namespace chargewright::daemon

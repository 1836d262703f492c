#pragma once
// How fast one thermometer rises: least squares over about the last minute (S2). Readings are
// averaged into bins, so that the memory is bounded whatever the rate of reading, and what one
// digit of the thermometer can feign is taken off: a single step of height d within a window T
// tilts the line by at most 1.5 d / T. A thermometer that shows whole kelvins is therefore slower
// to convict than one that shows hundredths, but no digit convicts by itself.

#include <array>
#include <cstdint>

#include "drivers/instant.h"

namespace chargewright::safety {

class Rise {
 public:
  static constexpr drivers::Duration gap = std::chrono::seconds(60);  // longer: the past is void
  static constexpr drivers::Duration bin_width = std::chrono::seconds(2);
  static constexpr std::size_t bins_max = 32;  // a window of about a minute

  void see(double celsius, drivers::Instant at);
  void forget();

  // K/s over the window, less what one digit can feign, not below 0; known() once the window spans
  // 30 s with at least 5 bins.
  [[nodiscard]] bool known() const { return known_; }
  [[nodiscard]] double kelvins_per_second() const { return slope_; }

 private:
  struct Bin {
    double seconds = 0;  // since origin_
    double celsius = 0;
  };
  void close_bin();
  void fit();

  std::array<Bin, bins_max> bins_{};
  std::size_t first_ = 0;
  std::size_t count_ = 0;
  drivers::Instant origin_{};
  drivers::Instant bin_began_{};
  double sum_seconds_ = 0;
  double sum_celsius_ = 0;
  std::uint32_t in_bin_ = 0;
  bool begun_ = false;
  double last_ = 0;
  double digit_ = 0;  // least change ever seen between two readings; 0: none seen
  bool known_ = false;
  double slope_ = 0;
};

}  // namespace chargewright::safety

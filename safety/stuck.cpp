#include "safety/stuck.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {

void StuckPair::see(double volts, double amperes, double coulombs, bool flowing,
                    drivers::Instant at) {
  if (!flowing || volts != volts_ || amperes != amperes_) {
    volts_ = volts;
    amperes_ = amperes;
    coulombs_since_ = coulombs;
    since_ = at;
  }
  coulombs_ = coulombs;
  last_ = at;
}

void StuckThermometer::see(double celsius, double amperes, double heavy_amperes,
                           drivers::Duration stuck_after, drivers::Instant at) {
  const double current = std::abs(amperes);
  if (!begun_ || celsius != celsius_) {
    forget();
    begun_ = true;
    celsius_ = celsius;
    least_ = most_ = current;
  } else if (current >= heavy_amperes) {
    heavy_ += at - last_;
  }
  last_ = at;
  least_ = std::min(least_, current);
  most_ = std::max(most_, current);
  if (!contrast_ && heavy_ >= stuck_after && least_ <= 0.5 * most_) {
    contrast_ = true;
    contrast_since_ = at;
  }
}

}  // namespace chargewright::safety

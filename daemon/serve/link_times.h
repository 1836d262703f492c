#pragma once
// How fast the instruments answer: what the response-time budget rests on (S7). Real time: the
// guard's clock may be sped up, the instruments are not. Safe from any thread.

#include <vector>

#include "daemon/serve/supervised.h"

namespace chargewright::daemon {

class LinkTimes {
 public:
  explicit LinkTimes(const Supervised& bench) : on_(bench) {}

  // The worst round trips of this life and of those before, by InstrumentId.
  [[nodiscard]] std::vector<drivers::Duration> worst() const;
  // For the lives that follow. A disk that refuses is told to the log.
  void remember() const;

 private:
  [[nodiscard]] RoundTrips measured() const;  // in this life

  const Supervised& on_;
};

}  // namespace chargewright::daemon

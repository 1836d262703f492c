#pragma once
// What people have approved on this bench, held against a run that may start: joins the comparison
// (serve/approving) with what is kept (state/store). As safe from threads as the store.

#include "daemon/serve/preparing.h"
#include "daemon/state/store.h"

namespace chargewright::daemon {

class Approvals {
 public:
  explicit Approvals(StateStore& state) : state_(state) {}

  [[nodiscard]] bool covers(const PreparedRun& run) const;
  // Why it may not start, with the differences; nothing where it may.
  [[nodiscard]] std::optional<Denied> missing(const PreparedRun& run) const;
  // What a person would approve, and how it differs from what was approved before.
  [[nodiscard]] boost::json::object shown(const PreparedRun& run) const;
  drivers::Result<void> approve(const PreparedRun& run, const Person& by, WallTime at);

 private:
  StateStore& state_;
};

}  // namespace chargewright::daemon

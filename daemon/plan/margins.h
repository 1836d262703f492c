#pragma once
// How near a rehearsed run came to each limit that it has.

#include "daemon/plan/rehearse.h"

namespace chargewright::daemon {

std::vector<LimitMargin> margins_of(const safety::Limits& limits, const Rehearsal& rehearsal);

}  // namespace chargewright::daemon

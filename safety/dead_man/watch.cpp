#include "safety/dead_man/watch.h"

#include <algorithm>
#include <utility>

namespace chargewright::safety {

using drivers::Duration;
using drivers::Instant;

Watch::Watch(Duration late_after, Duration first_within, Instant now)
    : late_after_(late_after),
      allowed_(first_within),
      look_longest_(std::max<Duration>(late_after / looks, look_shortest)),
      looked_(now),
      last_beat_(now) {}

void Watch::received(std::string_view bytes, Instant now) {
  for (const char byte : bytes) {
    if (verdict_ != Verdict::lives) return;
    switch (static_cast<Word>(byte)) {
      case Word::beat:
        ++heard_;
        allowed_ = late_after_;
        silence_ = {};
        looked_ = last_beat_ = now;
        break;
      case Word::goodbye:
        verdict_ = Verdict::leaves;
        break;
      case Word::take_over:
        verdict_ = Verdict::gave_up;
        break;
      default:
        verdict_ = Verdict::confused;
    }
  }
}

void Watch::closed(Instant) {
  if (verdict_ == Verdict::lives) verdict_ = Verdict::gone;
}

Watch::Verdict Watch::judge(Instant now) {
  if (verdict_ != Verdict::lives) return verdict_;
  silence_ += std::clamp<Duration>(now - looked_, Duration::zero(), 2 * look_longest_);
  looked_ = std::max(looked_, now);
  if (silence_ > allowed_ || now - last_beat_ > stalled_at * allowed_) verdict_ = Verdict::late;
  return verdict_;
}

Instant Watch::wake() const {
  const Duration left = std::max<Duration>(allowed_ - silence_, Duration::zero());
  return looked_ + std::min(left + Duration{1}, look_longest_);
}

std::size_t Watch::take_heard() { return std::exchange(heard_, 0); }

std::string_view describe(Watch::Verdict verdict) {
  switch (verdict) {
    case Watch::Verdict::leaves:
      return "the daemon left in peace";
    case Watch::Verdict::gone:
      return "the daemon is gone: its pipe closed without a goodbye";
    case Watch::Verdict::late:
      return "the guard is silent: the daemon was killed";
    case Watch::Verdict::confused:
      return "the daemon wrote nonsense: it was killed";
    case Watch::Verdict::gave_up:
      return "the daemon could not verify every output off and asked to cut";
    case Watch::Verdict::lives:
      break;
  }
  return "the daemon lives";
}

}  // namespace chargewright::safety

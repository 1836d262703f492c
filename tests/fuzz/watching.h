#pragma once
// What the daemon writes to its dead-man, and when, by a plan; claims on the watch over it (S6).

#include <algorithm>

#include "safety/dead_man/watch.h"
#include "tests/fuzz/fuzz.h"

namespace chargewright::fuzz {

class Watching {
 public:
  explicit Watching(Plan& plan)
      : late_after_(late(plan)), watch_(late_after_, first_within(), now_) {}

  void happens(Plan& plan) {
    switch (plan.up_to(4)) {
      case 0:
        now_ += std::chrono::microseconds(plan.byte() * (1 + 40 * plan.up_to(255)));
        break;
      case 1:
        write(plan.piece());
        break;
      case 2:
        write(std::string_view("BBBBBBBB").substr(plan.up_to(7)));
        break;
      case 3:
        judge();
        break;
      default:
        if (plan.up_to(15) == 0) {
          watch_.closed(now_);
          closed_ = true;
        } else {
          now_ = std::max(now_, watch_.wake());
        }
    }
  }

  // Nobody writes any more: the verdict comes, and within the times that are allowed.
  void end() {
    const drivers::Instant began = now_;
    for (int looks = 0; judge() == safety::Watch::Verdict::lives; ++looks) {
      CLAIM(looks < 200);
      CLAIM(watch_.wake() > now_);
      now_ = watch_.wake();
    }
    CLAIM(now_ - began <= allowed() + least_look);
  }

 private:
  static constexpr drivers::Duration least_look = std::chrono::milliseconds(1);
  static drivers::Duration late(Plan& plan) {
    const std::uint64_t number = std::uint64_t{plan.byte()} << (plan.up_to(33));
    return drivers::Duration{1 + static_cast<drivers::Duration::rep>(number)};
  }
  [[nodiscard]] drivers::Duration first_within() const {
    return 10 * std::max<drivers::Duration>(late_after_, least_look);
  }
  [[nodiscard]] drivers::Duration allowed() const { return beaten_ ? late_after_ : first_within(); }

  void write(std::string_view bytes) {
    watch_.received(bytes, now_);
    for (const char c : bytes) {
      if (word_ != 'B' || verdict_ != safety::Watch::Verdict::lives || closed_) break;
      word_ = c;
      if (c == 'B') {
        beaten_ = true;
        beat_at_ = now_;
      }
    }
  }

  safety::Watch::Verdict judge() {
    using Verdict = safety::Watch::Verdict;
    const Verdict verdict = watch_.judge(now_);
    CLAIM(verdict_ == Verdict::lives || verdict == verdict_);
    if (verdict_ == Verdict::lives) claim_explained_by_bytes(verdict);
    CLAIM(!describe(verdict).empty());
    return verdict_ = verdict;
  }

  void claim_explained_by_bytes(safety::Watch::Verdict verdict) const {
    using Verdict = safety::Watch::Verdict;
    if (word_ == 'G') return CLAIM(verdict == Verdict::leaves);
    if (word_ == 'T') return CLAIM(verdict == Verdict::gave_up);
    if (word_ != 'B') return CLAIM(verdict == Verdict::confused);
    if (closed_) return CLAIM(verdict == Verdict::gone);
    if (now_ - beat_at_ <= allowed()) return CLAIM(verdict == Verdict::lives);
    CLAIM(verdict == Verdict::lives || verdict == Verdict::late);
    if (now_ - beat_at_ > 5 * allowed()) CLAIM(verdict == Verdict::late);
  }

  drivers::Instant now_{std::chrono::hours(1)};
  drivers::Duration late_after_;
  safety::Watch watch_;
  char word_ = 'B';  // the first that is no beat, once it has come
  bool beaten_ = false;
  bool closed_ = false;
  drivers::Instant beat_at_ = now_;
  safety::Watch::Verdict verdict_ = safety::Watch::Verdict::lives;
};

}  // namespace chargewright::fuzz

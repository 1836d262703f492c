#include "safety/rise.h"

#include <algorithm>
#include <cmath>

namespace chargewright::safety {
namespace {

constexpr double window_least = 30.0;  // s; common practice, no source
constexpr std::size_t bins_least = 5;

}  // namespace

void Rise::forget() { *this = Rise{}; }

void Rise::see(double celsius, drivers::Instant at) {
  if (begun_ && at - bin_began_ > gap) forget();
  if (!begun_) {
    begun_ = true;
    origin_ = at;
    bin_began_ = at;
    last_ = celsius;
  }
  if (in_bin_ > 0 && at - bin_began_ >= bin_width) {
    close_bin();
    bin_began_ = at;
  }
  if (const double change = std::abs(celsius - last_); change > 0) {
    digit_ = digit_ == 0 ? change : std::min(digit_, change);
  }
  last_ = celsius;
  sum_seconds_ += drivers::in_seconds(at - origin_);
  sum_celsius_ += celsius;
  ++in_bin_;
}

void Rise::close_bin() {
  const Bin bin{sum_seconds_ / in_bin_, sum_celsius_ / in_bin_};
  if (count_ == bins_max) {
    bins_[first_] = bin;
    first_ = (first_ + 1) % bins_max;
  } else {
    bins_[(first_ + count_) % bins_max] = bin;
    ++count_;
  }
  sum_seconds_ = 0;
  sum_celsius_ = 0;
  in_bin_ = 0;
  fit();
}

void Rise::fit() {
  const double n = static_cast<double>(count_);
  double mean_t = 0;
  double mean_y = 0;
  for (std::size_t k = 0; k < count_; ++k) {
    mean_t += bins_[k].seconds;
    mean_y += bins_[k].celsius;
  }
  mean_t /= n;
  mean_y /= n;
  double s_tt = 0;
  double s_ty = 0;
  for (std::size_t k = 0; k < count_; ++k) {
    const double t = bins_[k].seconds - mean_t;
    s_tt += t * t;
    s_ty += t * (bins_[k].celsius - mean_y);
  }
  const double span = bins_[(first_ + count_ - 1) % bins_max].seconds - bins_[first_].seconds;
  known_ = count_ >= bins_least && span >= window_least;
  slope_ = known_ ? std::max(0.0, s_ty / s_tt - 1.5 * digit_ / span) : 0.0;
}

}  // namespace chargewright::safety

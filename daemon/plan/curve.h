#pragma once
// A curve of bounded size whatever the length of the run: when it is full, every second point goes,
// and from then on every second one is kept.

#include <cstddef>
#include <vector>

namespace chargewright::daemon {

template <class Point, std::size_t most>
class Curve {
 public:
  Curve() { points_.reserve(most); }
  void add(const Point& point) {
    if (count_++ % stride_ != 0) return;
    if (points_.size() == most) thin();
    points_.push_back(point);
  }
  [[nodiscard]] std::vector<Point> take() { return std::move(points_); }

 private:
  void thin() {
    for (std::size_t i = 0; i < most / 2; ++i) points_[i] = points_[2 * i];
    points_.resize(most / 2);
    stride_ *= 2;
  }

  std::vector<Point> points_;
  std::size_t stride_ = 1;
  std::size_t count_ = 0;
};

}  // namespace chargewright::daemon

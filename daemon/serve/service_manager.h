#pragma once
// What the service manager is told (sd_notify): ready, status, and that the guard lives. Without
// one, nothing happens.

#include <chrono>
#include <cstdint>
#include <string>

namespace chargewright::daemon {

class ServiceManager {
 public:
  ServiceManager();
  void ready(const std::string& status);
  void status(const std::string& status);           // said again only when it changes
  void stopping(std::chrono::microseconds within);  // more than its own bound, if need be
  // Feeds the watchdog when it is due and `beats` has grown since it was fed last (S6).
  void alive(std::uint64_t beats, std::chrono::steady_clock::time_point now);

 private:
  std::chrono::microseconds watchdog_{0};  // 0: none
  std::chrono::steady_clock::time_point fed_{};
  std::uint64_t beats_fed_ = 0;
  std::string said_;
};

}  // namespace chargewright::daemon

#include "daemon/serve/service_manager.h"

#include <systemd/sd-daemon.h>

namespace chargewright::daemon {

ServiceManager::ServiceManager() {
  std::uint64_t microseconds = 0;
  if (sd_watchdog_enabled(0, &microseconds) > 0)
    watchdog_ = std::chrono::microseconds(microseconds);
}

void ServiceManager::ready(const std::string& status) {
  said_ = status;
  sd_notify(0, ("READY=1\nSTATUS=" + status).c_str());
}

void ServiceManager::status(const std::string& status) {
  if (status == said_) return;
  said_ = status;
  sd_notify(0, ("STATUS=" + status).c_str());
}

void ServiceManager::stopping(std::chrono::microseconds within) {
  sd_notifyf(0, "STOPPING=1\nSTATUS=bringing every output to off\nEXTEND_TIMEOUT_USEC=%lld",
             static_cast<long long>(within.count()));
}

void ServiceManager::alive(std::uint64_t beats, std::chrono::steady_clock::time_point now) {
  // Four times within the watchdog's time, so that one late turn costs nothing.
  if (watchdog_.count() == 0 || now - fed_ < watchdog_ / 4 || beats == beats_fed_) return;
  fed_ = now;
  beats_fed_ = beats;
  sd_notify(0, "WATCHDOG=1");
}

}  // namespace chargewright::daemon

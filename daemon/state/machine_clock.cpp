#include "daemon/state/machine_clock.h"

#include <sys/timex.h>

#include <chrono>
#include <cstdlib>
#include <ctime>
#include <filesystem>
#include <fstream>

namespace chargewright::daemon {
namespace {

std::string first_line(const std::string& path) {
  std::ifstream file(path);
  std::string line;
  std::getline(file, line);
  return line;
}

std::string boot_id() {
  if (const char* given = std::getenv("CHARGEWRIGHT_BOOT"); given != nullptr) return given;
  return first_line("/proc/sys/kernel/random/boot_id");
}

// `hctosys` is 1 at the clock from which the kernel took the time when it booted.
bool was_set_from_a_clock() {
  std::error_code ignored;
  for (const auto& entry : std::filesystem::directory_iterator("/sys/class/rtc", ignored)) {
    if (first_line(entry.path().string() + "/hctosys") == "1") return true;
  }
  return false;
}

bool is_kept_by_a_network() {
  timex facts{};
  const int state = ::adjtimex(&facts);  // only looks; where that is forbidden, nobody knows
  return state >= 0 && state != TIME_ERROR && (facts.status & STA_UNSYNC) == 0;
}

}  // namespace

MachineClock look_at_the_clocks() {
  timespec since_boot{};
  ::clock_gettime(CLOCK_BOOTTIME, &since_boot);
  return {.wall = std::chrono::system_clock::now(),
          .wall_is_sound = was_set_from_a_clock() || is_kept_by_a_network(),
          .boot = boot_id(),
          .since_boot_s = static_cast<double>(since_boot.tv_sec) +
                          static_cast<double>(since_boot.tv_nsec) * 1e-9};
}

std::optional<double> seconds_between(const MachineClock& then, const MachineClock& now) {
  if (!then.boot.empty() && then.boot == now.boot) {
    const double passed = now.since_boot_s - then.since_boot_s;
    return passed >= 0 ? std::optional{passed} : std::nullopt;
  }
  if (!now.wall_is_sound || now.wall < then.wall) return std::nullopt;
  return std::chrono::duration<double>(now.wall - then.wall).count();
}

}  // namespace chargewright::daemon

#include "daemon/serve/journal.h"

#include <spdlog/sinks/stdout_sinks.h>
#include <spdlog/spdlog.h>

#include <cstdlib>

namespace chargewright::daemon {
namespace {

// The marks of sd-daemon(3) that the journal reads levels from.
std::string_view mark_of(LogLevel level) {
  switch (level) {
    case LogLevel::info:
      return "<6>";
    case LogLevel::warning:
      return "<4>";
    case LogLevel::critical:
      return "<2>";
  }
  return "<2>";
}

spdlog::level::level_enum level_of(LogLevel level) {
  switch (level) {
    case LogLevel::info:
      return spdlog::level::info;
    case LogLevel::warning:
      return spdlog::level::warn;
    case LogLevel::critical:
      return spdlog::level::critical;
  }
  return spdlog::level::critical;
}

}  // namespace

Log open_journal() {
  const bool in_journal = std::getenv("JOURNAL_STREAM") != nullptr;
  auto logger = std::make_shared<spdlog::logger>("chargewrightd",
                                                 std::make_shared<spdlog::sinks::stderr_sink_mt>());
  logger->set_pattern(in_journal ? "%v" : "%Y-%m-%d %H:%M:%S.%e %l %v");
  logger->flush_on(spdlog::level::info);
  return [logger, in_journal](LogLevel level, const std::string& text) {
    logger->log(level_of(level), "{}{}", in_journal ? mark_of(level) : "", text);
  };
}

}  // namespace chargewright::daemon

#include "daemon/cli/asking.h"
#include "daemon/cli/follow.h"
#include "daemon/cli/verbs.h"

namespace chargewright::daemon {

ExitCode watch_verb(const CommandLine& line) {
  const Client client{line.socket};
  const auto channel = choose_channel(client, line);
  if (const auto* code = std::get_if<ExitCode>(&channel)) return *code;
  return follow(client, std::get<std::string>(channel), {}, last_event(client), line.json);
}

}  // namespace chargewright::daemon
